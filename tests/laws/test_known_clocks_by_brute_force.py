"""Firm power of drawn sites with clocks, known and free, against a brute force over half hours.

One store, sources with connections that cost steel: every choice of sources is tried, and of each
the worst of all windows that begin and end at a half hour. All times are whole half hours, so that
no window between them is worse; windows beyond two days add whole days of the mean.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest

import allocator as al

SLOT, DAY = 1800.0, 48
HOLDER, UNIT_POWER, UNIT_FLOW, DEMAND = 20.0, 10e3, 0.0015, 100e3
"""Steel of the store, kg a kg; power and gas of an engine, W and kg/s; demand, W."""


@dataclass(frozen=True)
class Drawn:
    """A source; times in half hours. ``start``: None where its phase is free."""

    flow: float
    on: tuple[tuple[int, int], ...]
    start: int | None
    error: int
    clock: str
    steel: float

    @property
    def slots(self) -> np.ndarray:
        """Whether it is on in each half hour of its day."""
        at = np.arange(DAY)
        return np.all([at % every < on for on, every in self.on], axis=0).astype(int)

    def least(self, begins: np.ndarray, length: int) -> np.ndarray:
        """Half hours that it is on for sure, in windows."""
        sums = np.concatenate(([0], np.cumsum(np.tile(self.slots, 5))))
        shifts = range(DAY) if self.start is None else range(-self.error, self.error + 1)
        found = [(begins - (self.start or 0) + shift) % DAY for shift in shifts]
        return np.min([sums[at + length] - sums[at] for at in found], axis=0)

    def source(self, name: str) -> al.Source:
        known: dict[str, float | str] = {}
        if self.start is not None:
            start, error = self.start * SLOT, self.error * SLOT
            known = {"clock": self.clock, "next_start": start, "error": error}
        return al.Source(
            name,
            "farm",
            "gas",
            flow=self.flow,
            stages=tuple(al.Stage(on * SLOT, every * SLOT) for on, every in self.on),
            connection_materials={"steel": self.steel} if self.steel else {},
            **known,
        )


def drawn(seed: int) -> tuple[list[Drawn], float]:
    """Sources, and the steel in stock, kg."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(int(rng.integers(2, 5))):
        every = int(rng.choice([12, 16, 24, 48]))
        stages = [(int(rng.integers(1, every)), every)]
        if every < 48 and rng.random() < 0.3:
            stages.append((16 if every == 16 else 24, 48))
        found.append(
            Drawn(
                flow=float(rng.choice([0.003, 0.006, 0.009])),
                on=tuple(stages),
                start=int(rng.integers(0, DAY)) if rng.random() < 0.7 else None,
                error=int(rng.choice([0, 0, 1, 2, 5])),
                clock=str(rng.choice(["calendar", "surveyed"])),
                steel=float(rng.choice([0.0, 200.0, 400.0, 700.0])),
            )
        )
    return found, float(rng.choice([300.0, 800.0, 1500.0, 3000.0]))


def most_power(sources: list[Drawn], steel: float) -> float:
    """Largest firm power over all choices of sources, W."""
    most = 0.0
    for chosen in itertools.product((False, True), repeat=len(sources)):
        some = [source for source, taken in zip(sources, chosen, strict=True) if taken]
        left = steel - sum(source.steel for source in some)
        if not some or left < 0.0:
            continue
        draw = sum(source.flow * source.slots.mean() for source in some)
        for length in range(1, 2 * DAY + 1):
            sure = sum(s.flow * SLOT * s.least(np.arange(DAY), length) for s in some)
            draw = min(draw, (left / HOLDER + float(np.min(sure))) / (length * SLOT))
        most = max(most, draw)
    return min(DEMAND, most / UNIT_FLOW * UNIT_POWER)


def site_of(sources: list[Drawn], steel: float) -> al.Site:
    return al.Site(
        name="Known clocks",
        starts_at="2027-03-01T06:00",
        fluids={"gas": al.Fluid("gas", heating_value=20e6)},
        materials={"steel": al.Material("steel", stock=steel)},
        places={"farm": al.Place("farm")},
        sources={f"s{n}": source.source(f"s{n}") for n, source in enumerate(sources)},
        storage={
            "holder": al.StoreType(
                "holder", "gas", ("farm",), max_size=1000.0, materials={"steel": HOLDER}
            )
        },
        pipes={},
        routes={},
        machines={
            "engine": al.MachineType(
                "engine", {"gas": UNIT_FLOW}, {}, {"farm": 10}, power_out=UNIT_POWER
            )
        },
        demands={"all": al.Demand("all", "power", mean=DEMAND)},
    )


@pytest.mark.parametrize("seed", range(20))
def test_the_optimum_of_known_clocks(seed: int) -> None:
    sources, steel = drawn(seed)
    site = site_of(sources, steel)
    result = al.plan(site, node_limit=2000)
    assert result.status == al.Status.OPTIMAL
    assert result.audit.accepted
    assert result.plan.power.firm_clean == pytest.approx(most_power(sources, steel), rel=1e-6)
    assert al.simulate(site, result.plan, draws=2).kept
