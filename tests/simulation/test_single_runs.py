"""A unit run on and off, start by start: the closed form of its battery, receiver and starts."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.simulation.accounts import starts_of
from allocator.simulation.columns import HIGHEST, LOWEST, SHORT, SPILL
from allocator.simulation.running import run_circuit
from allocator.site.records import Stage
from allocator.verify.case import case_of
from allocator.verify.cycle import source_cycle
from allocator.verify.running import batch_draw, battery_efficiency, one_run, swing_of
from allocator.verify.tanks.circuit import Circuit, Rate, Tank, clock_of

NETWORKS = Path(__file__).parents[2] / "networks"


@lru_cache
def cycled() -> tuple[float, float, float, float, float, float, float, float]:
    """Swing, power e P, load c, kg/s, receiver, least run, least rest, starts in 1e6 s."""
    site = read_site(NETWORKS / "two_bays.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    case = case_of(network_of(site), plan)
    (machine,) = (m for m in plan.machines if m.cycled > 0)
    kind = case.machine_type(machine)
    power = battery_efficiency(case, machine) * kind.power_out
    fluid, rate = next(iter(batch_draw(case, machine).items()))
    starts = starts_of(case, machine, 1e6)
    assert starts is not None
    assert kind.min_up_time <= one_run(case, machine)
    return (
        swing_of(case, machine),
        power,
        machine.cycled,
        rate,
        machine.buffer_vessel[fluid],
        kind.min_up_time,
        kind.min_down_time,
        starts,
    )


@pytest.mark.parametrize("window", [0.01, 0.4, 1.0, 7.3, 500.0])
@pytest.mark.parametrize("share", [0.0, 0.13, 0.5, 0.97])
def test_single_starts_reach_the_extremes_of_the_closed_form(window: float, share: float) -> None:
    """On at e P until S is stored, off until it is used at c e P; fuel comes at c R all the time.

    In no window, however short, do battery or receiver pass their ends; in one turn they reach
    S, and R S / (e P) of the receiver.
    """
    swing, power, load, rate, buffer_vessel, min_up_time, min_down_time, starts = cycled()
    on, off = swing / (power * (1.0 - load)), swing / (power * load)
    assert on >= min_up_time * (1 - 1e-9)
    assert off >= min_down_time * (1 - 1e-9)
    assert starts == pytest.approx(1e6 / (on + off))
    lump = rate * swing / power
    assert lump <= buffer_vessel * (1 + 1e-9)
    begin = share * (on + off)
    ran, rested = min(begin, on), max(0.0, begin - on)
    unit = clock_of("unit", "source", source_cycle([Stage(on, on + off)]))
    runs = (("unit", 1.0),)
    stored, fed = Rate(0.0, (("unit", power),)), Rate(load * rate)
    tanks = (
        Tank(
            "battery",
            "J",
            2 * swing,
            Rate(-load * power, stored.terms),
            stored,
            Rate(load * power),
            first=0.5 * swing + power * ((1.0 - load) * ran - load * rested),
        ),
        Tank(
            "receiver",
            "kg",
            2 * lump,
            Rate(load * rate, (("unit", -rate),)),
            fed,
            Rate(0.0, tuple((name, rate * w) for name, w in runs)),
            first=1.5 * lump - rate * ((1.0 - load) * ran - load * rested),
        ),
    )
    sums = run_circuit(Circuit((unit,), tanks), {"unit": begin}, window * (on + off)).sums
    assert sums.tank[:, [SHORT, SPILL]].max() == 0.0
    for k, size in enumerate((swing, lump)):
        low, high = (float(sums.tank[k, column]) for column in (LOWEST, HIGHEST))
        assert 0.5 * size * (1 - 1e-6) <= low <= high <= 1.5 * size * (1 + 1e-6)
        if window >= 1.0:
            assert high - low == pytest.approx(size, rel=1e-6)
