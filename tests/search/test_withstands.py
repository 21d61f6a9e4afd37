"""Promises that withstand lost and low sources, against every choice of them, one by one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import linprog

from allocator.cycles import curve_of
from allocator.engine import plan_site
from allocator.model.worst_sources import Feeder, choices_against
from allocator.network.facts import changed
from allocator.network.reading import read_site
from allocator.plans.records import Robustness
from allocator.search import Settings
from allocator.site.records import (
    POWER,
    Built,
    Demand,
    Fluid,
    MachineType,
    Place,
    Site,
    Source,
    Spread,
    Stage,
    StoreType,
)
from allocator.studies.sweep_cases import throttled

NETWORKS = Path(__file__).parents[2] / "networks"
HOUR, DAY = 3600.0, 86400.0
ENERGY = 10e6  # J of power a kg


def small_site(seed: int) -> tuple[Site, float]:
    """Two to four sources that feed one store, all of it standing; the store's size, kg."""
    random = np.random.default_rng(seed)
    count = int(random.integers(2, 5))
    sources, spreads = {}, {}
    for number in range(count):
        every = float(random.choice([6.0, 8.0, 12.0, 24.0])) * HOUR
        on = every * float(random.choice([0.25, 0.5, 0.75]))
        flow = float(random.integers(2, 9)) * 1e-3
        name = f"s{number}"
        sources[name] = Source(name, "mill", "gas", flow, (Stage(on, every),))
        low = flow * float(random.choice([0.3, 0.6, 0.8]))
        spreads[f"sources.{name}.flow"] = Spread(low, flow, 2 * flow - low)
    size = float(random.integers(5, 120))
    site = Site(
        "small",
        {"gas": Fluid("gas", heating_value=20e6)},
        {},
        {"mill": Place("mill")},
        sources,
        {"holder": StoreType("holder", "gas", ("mill",), max_size=size)},
        {},
        {},
        {"set": MachineType("set", {"gas": 1e-3}, {}, {"mill": 90}, power_out=ENERGY * 1e-3)},
        {"town": Demand("town", POWER, 1e6)},
        built=Built(
            sources=tuple(sources),
            storage={("holder", "mill"): size},
            machines={("set", "mill"): 90},
        ),
        goals=("clean_power",),
        spreads=spreads,
    )
    return site, size


def shares(site: Site, robustness: Robustness) -> Iterator[dict[str, float]]:
    """What is left of each source, for every choice of lost and low ones: the plain enumeration."""
    names = sorted(site.sources)
    least = {n: site.spreads[f"sources.{n}.flow"].low / site.sources[n].flow for n in names}
    for lost in range(robustness.lost + 1):
        for gone in combinations(names, lost):
            rest = [n for n in names if n not in gone]
            for low in range(robustness.low + 1):
                for weak in combinations(rest, low):
                    yield {n: 0.0 if n in gone else least[n] if n in weak else 1.0 for n in names}


def on_time(stage: Stage, length: float) -> float:
    """Least on-time in a window: whole periods, and what the rest exceeds the quiet part by."""
    whole, rest = divmod(length, stage.every)
    return whole * stage.on + max(0.0, rest - (stage.every - stage.on))


def best_draw(site: Site, size: float, robustness: Robustness) -> float:
    """The most steady draw, kg/s, by one linear program with a row a choice and window.

    All periods divide a day, so that windows up to a day, cut where some guaranteed on-time turns
    up, and the means, are enough.
    """
    names = sorted(site.sources)
    lengths = {DAY}
    for source in site.sources.values():
        (stage,) = source.stages
        for number in range(round(DAY / stage.every)):
            lengths.add(number * stage.every + stage.every - stage.on)
    rows, right = [], []
    for share in shares(site, robustness):
        for length in sorted(lengths):
            fed = [share[n] * on_time(site.sources[n].stages[0], length) for n in names]
            # the row of a whole day is that of the mean: no store lasts for ever
            rows.append([length, *(-f for f in fed)])
            right.append(0.0 if length == DAY else size)
    found = linprog(
        [-1.0, *([0.0] * len(names))],
        A_ub=rows,
        b_ub=right,
        bounds=[(0, None), *((0, site.sources[n].flow) for n in names)],
    )
    assert found.status == 0
    return float(-found.fun)


@pytest.mark.parametrize("lost", [0, 1, 2])
@pytest.mark.parametrize("low", [0, 1, 2])
def test_firm_power_is_that_of_all_choices_written_out(lost: int, low: int) -> None:
    """Bertsimas & Sim, Operations Research 52 (2004): the protected optimum, by enumeration."""
    robustness = Robustness(lost, low)
    for seed in range(5):
        site, size = small_site(seed)
        planned = plan_site(site, Settings(node_limit=500, robustness=robustness))
        assert planned.audit.accepted
        expected = ENERGY * best_draw(site, size, robustness)
        assert planned.plan.power.firm_clean == pytest.approx(expected, rel=1e-5, abs=1e-3)


def test_choices_are_all_that_may_be_worst() -> None:
    """For any window, none of all choices written out loses more than the worst of those kept."""
    random = np.random.default_rng(3)
    for _ in range(30):
        stages = [Stage(h * HOUR, 2 * h * HOUR) for h in random.integers(1, 4, 5)]
        feeders = [
            Feeder(
                f"s{n}", curve_of((stage,)), float(random.integers(1, 9)), float(low), n % 3 == 2
            )
            for n, (stage, low) in enumerate(
                zip(stages, random.choice([0.0, 0.2, 0.5, 0.9], 5), strict=True)
            )
        ]
        robustness = Robustness(int(random.integers(0, 4)), int(random.integers(0, 4)))
        kept = choices_against(feeders, robustness)
        length = np.array([float(random.integers(1, 30)) * 0.5 * HOUR])

        def missed(missing: Mapping[str, float], at: np.ndarray = length) -> float:
            return math.fsum(
                share * f.rate * float(f.curve.guaranteed(at)[0])
                for f in feeders  # noqa: B023
                for name, share in missing.items()
                if name == f.name
            )

        names = [f.name for f in feeders]
        may_go = [f.name for f in feeders if not f.reliable]
        everyone = [
            {**{f.name: f.low for f in feeders if f.name in weak}, **dict.fromkeys(gone, 1.0)}
            for gone in combinations(may_go, min(robustness.lost, len(may_go)))
            for weak in combinations(
                [n for n in names if n not in gone], min(robustness.low, 5 - len(gone))
            )
        ]
        most = max(missed(missing) for missing in everyone)
        assert max(missed(choice.missing) for choice in kept) == pytest.approx(most)
        for choice in kept:
            assert sum(share == 1.0 for share in choice.missing.values()) <= robustness.lost


def test_what_is_sure_is_not_lost() -> None:
    """Of all sources but one lost, what that one gives remains; nothing would without it."""
    site, size = small_site(1)
    name = max(site.sources, key=lambda n: site.sources[n].flow)
    kept = replace(site, sources={**site.sources, name: replace(site.sources[name], reliable=True)})
    settings = Settings(node_limit=500, robustness=Robustness(lost=len(site.sources)))
    assert plan_site(site, settings).plan.power.firm_clean == 0
    planned = plan_site(kept, settings)
    assert planned.audit.accepted
    alone = replace(site, sources={name: site.sources[name]})
    expected = ENERGY * best_draw(alone, size, Robustness())
    assert planned.plan.power.firm_clean == pytest.approx(expected, rel=1e-5)


def ridge() -> Site:
    """Bursts into a battery, and no store for any fluid; flows with ranges."""
    site = read_site(NETWORKS / "ridge_battery.yaml")
    flows = {n: s.flow for n, s in site.sources.items()}
    spreads = {f"sources.{n}.flow": Spread(0.7 * f, f, 1.3 * f) for n, f in flows.items()}
    return replace(site, spreads=spreads)


def test_bursts_into_a_battery_withstand_low_sources_in_a_simulation() -> None:
    """Each source in turn at its low end, valves untouched: the promise holds in every phase.

    The site is changed and the plan throttled here; the simulation knows of no loss.
    """
    from allocator.simulation.trace import SimulationSettings
    from allocator.simulation.tracing import simulate

    site, settings = ridge(), Settings(node_limit=20)
    plain = plan_site(site, settings).plan
    planned = plan_site(site, replace(settings, robustness=Robustness(low=1)))
    assert planned.audit.accepted
    plan = planned.plan
    assert 0 < plan.power.firm_clean < plain.power.firm_clean
    days = SimulationSettings(days=10, phases=1, samples=1, events=0)
    fell_short = False
    for name in [use.name for use in plan.sources if use.collect]:
        low = site.spreads[f"sources.{name}.flow"].low
        case = changed(site, {f"sources.{name}.flow": low})
        for draw in simulate(case, replace(throttled(case, plan), robustness=None), days).promises:
            assert draw.short_s == 0
        for draw in simulate(case, throttled(case, plain), days).promises:
            fell_short |= draw.short_s > 0
    assert fell_short  # a plan that withstands nothing does fall short


def test_a_plan_says_what_it_withstands_and_averages_withstand_nothing() -> None:
    site, _ = small_site(0)
    assert plan_site(site, Settings(node_limit=100)).plan.robustness is None
    plan = plan_site(site, Settings(node_limit=100, robustness=Robustness(1))).plan
    assert plan.robustness == Robustness(1, 0)
    with pytest.raises(ValueError, match="lost and low sources need the firm basis"):
        Settings(basis="mean", robustness=Robustness(1))


def test_too_many_choices_are_refused() -> None:
    site, _ = small_site(0)
    first = next(iter(site.sources.values()))
    many = {
        f"w{n}": replace(first, name=f"w{n}", stages=(Stage(HOUR, (2 + n) * HOUR),))
        for n in range(40)
    }
    site = replace(site, sources=many, built=replace(site.built, sources=tuple(many)))
    with pytest.raises(ValueError, match="ways to choose the sources"):
        plan_site(site, Settings(node_limit=10, robustness=Robustness(lost=5)))
