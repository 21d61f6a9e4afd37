"""What the audit counts on of clocks is its own: against the engine's reading, right and wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from allocator.model.index_sets import index_sets_of
from allocator.network.deriving import network_of
from allocator.network.records import undivided
from allocator.search import Settings, make_plan
from allocator.site import clocks
from allocator.site.clocks import bursts_are_cut, exact_cycle, timings_of, varying_ranges
from allocator.site.records import (
    POWER,
    Chamber,
    MachineType,
    Pump,
    Site,
    Source,
    Spread,
    Stage,
    StoreType,
)
from allocator.verify import audit
from allocator.verify.sure_clocks import is_exact, ranges_of, shortest_burst, sure_timings, varied
from tests.search.test_known_phases import HOUR, site_of, source

MINUTE = 60.0


@st.composite
def drawn_source(draw: st.DrawFn, name: str) -> tuple[Source, dict[str, Spread]]:
    """A source of up to three stages, and the ranges of its durations."""
    stages: list[Stage] = []
    outermost = draw(st.sampled_from([1.0, 6.0, 8.0, 11.0, 13.0, 15.0, 24.0, 64 / 63, 168.0]))
    for every in [*draw(st.sampled_from([(), (0.05,), (0.25,), (0.05, 0.5)])), outermost]:
        if stages and every <= stages[-1].every / HOUR:
            continue
        share = draw(st.sampled_from([0.2, 0.4, 0.75, 1.0]))
        on = max(share * every * HOUR, stages[-1].every if stages else 0.0)
        stages.append(Stage(min(on, every * HOUR), every * HOUR))
    delivered = len(stages) == 1 and draw(st.booleans())
    spreads = {}
    for number, stage in enumerate(stages, 1):
        for field, value in (("on", stage.on), ("every", stage.every)):
            if draw(st.sampled_from([False, False, False, True])):
                key = f"delivery.{field}" if delivered else f"cycle[{number}].{field}"
                varies = draw(st.booleans())
                spread = Spread(0.9 * value, value, 1.1 * value, varies=varies)
                spreads[f"sources.{name}.{key}"] = spread
    clock = draw(st.sampled_from(["free", "surveyed", "surveyed", "calendar"]))
    known = clock != "free"
    error = draw(st.sampled_from([0.0, MINUTE, HOUR, 4 * HOUR, 12 * HOUR])) if known else None
    pressed = draw(st.sampled_from([False, False, False, True]))
    found = Source(
        name,
        "farm",
        "gas",
        0.006,
        stages=tuple(stages) if draw(st.sampled_from([True] * 9 + [False])) else (),
        next_start=draw(st.sampled_from([None, 0.0, HOUR, 5 * HOUR])),
        clock=clock,
        error=error,
        drift=draw(st.sampled_from([0.0, 0.0, 0.01])),
        jitter=draw(st.sampled_from([0.0, 0.0, MINUTE])),
        delivered=delivered,
        pressure=120e3 if pressed else None,
        pump=Pump(0.0, chamber=Chamber(40.0, 101e3)) if pressed else None,
    )
    return found, spreads


@st.composite
def drawn_site(draw: st.DrawFn) -> Site:
    """A site with up to five such sources."""
    drawn = [draw(drawn_source(f"s{n}")) for n in range(draw(st.integers(1, 5)))]
    site = site_of(*(one for one, _ in drawn))
    gas = replace(site.fluids["gas"], constants={"molar_mass": 0.027})
    return replace(
        site,
        fluids={"gas": gas},
        spreads={key: spread for _, spreads in drawn for key, spread in spreads.items()},
        survey_ends=draw(st.sampled_from([None, None, 90 * 24 * HOUR])),
    )


@settings(max_examples=200, deadline=None)
@given(drawn_site())
def test_both_derive_the_same(site: Site) -> None:
    network = undivided(site)
    mine, theirs = sure_timings(network), timings_of(network)
    assert mine == theirs
    for name, timing in mine.items():
        one = network.sources[name]
        event(f"known {timing.start is not None}, merged {timing.merged}, {timing.varying}")
        assert is_exact(network, one) == exact_cycle(one, network.spreads)
        ranges = varying_ranges(one, network.spreads)
        assert bool(varied(network, one)) == (ranges is not None)
        assert ranges is None or ranges_of(network, one) == list(ranges)
        if shortest_burst(network, one) == 0.0:
            assert bursts_are_cut(one, network.spreads)


def ranged(site: Site, key: str, low: float, high: float) -> Site:
    return replace(site, spreads={key: Spread(low, 0.5 * (low + high), high, varies=True)})


VARIES = ranged(site_of(source("a", 0.0)), "sources.a.cycle[1].on", 6 * HOUR, 14 * HOUR)
WAITS = ranged(site_of(source("a", 0.0)), "sources.a.cycle[1].every", 16 * HOUR, 32 * HOUR)
DRIFTS = site_of(
    source("a", 0.0, clock="surveyed", error=0.0, drift=0.01),
    source("b", 12 * HOUR, clock="surveyed", error=0.0),
)
SHIFTS = site_of(source("a", 0.0, stages=(Stage(600.0, 3000.0),), jitter=900.0))
LATE = site_of(*(source(n, s, clock="calendar", error=HOUR) for n, s in (("a", 0.0), ("b", 4e4))))
ENDS = replace(
    site_of(*(source(n, s, clock="surveyed", error=60.0) for n, s in (("a", 0.0), ("b", 4e4)))),
    survey_ends=30 * 24 * HOUR,
)


def nothing_varies(found: Any) -> None:
    found.setattr(clocks, "varying", lambda source, spreads: {})


def as_stated(found: Any) -> None:
    found.setattr(clocks, "_at_worst", lambda stage, varies, number: stage)


def changed(**values: Any) -> Callable[[Any], None]:
    """The function of the engine forgets what a source says."""

    def change(found: Any) -> None:
        right = clocks._timing
        found.setattr(
            clocks, "_timing", lambda one, spreads: right(replace(one, **values), spreads)
        )

    return change


def starts_elsewhere(found: Any) -> None:
    """The second source as if it began when the first one ends."""
    right = clocks._timing

    def wrong(one: Source, spreads: Any) -> clocks.Timing:
        timing = right(one, spreads)
        return replace(timing, start=12 * HOUR) if timing.start else timing

    found.setattr(clocks, "_timing", wrong)


def survey_goes_on(found: Any) -> None:
    right = clocks.timings_of
    wrong = lambda site: right(replace(site, survey_ends=None))  # noqa: E731
    found.setattr("allocator.model.index_sets.timings_of", wrong)


@pytest.mark.parametrize(
    ("site", "mutation"),
    [
        (VARIES, as_stated),
        (VARIES, nothing_varies),
        (WAITS, as_stated),
        (DRIFTS, changed(drift=0.0)),
        (SHIFTS, changed(jitter=0.0)),
        (LATE, changed(error=0.0)),
        (LATE, starts_elsewhere),
        (ENDS, survey_goes_on),
    ],
)
def test_a_fault_in_the_engines_clocks_is_found(
    site: Site, mutation: Callable[[Any], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = Settings(node_limit=200, threads=1)
    right = make_plan(site, asked).plan
    assert right is not None
    assert audit(site, right).accepted
    with monkeypatch.context() as found:
        mutation(found)
        wrong = make_plan(site, asked).plan
        assert wrong is not None
        assert wrong.power.firm_clean > 1.001 * right.power.firm_clean or (
            wrong.stores[0].size < 0.999 * right.stores[0].size
        )
        assert not audit(site, wrong).accepted


def burning(stages: tuple[Stage, ...], **known: Any) -> Site:
    """Gas that is burnt as it comes, behind a battery, by units that run for 10 min or more."""
    site = site_of(source("a", 0.0, stages=stages, **known))
    engine = MachineType(
        "engine",
        {"gas": 0.0015},
        {},
        {"farm": 10},
        power_out=10e3,
        min_up_time=600.0,
        min_burst_time=600.0,
    )
    return replace(
        site,
        storage={"bank": StoreType("bank", POWER, ("farm",), max_size=1e9)},
        machines={"engine": engine},
    )


HALF_HOURS = (Stage(1800.0, 3600.0),)
SPELLS = (Stage(900.0, 1800.0), Stage(10 * HOUR, 24 * HOUR))
"""Quarters of an hour, twenty of them in each spell."""


@pytest.mark.parametrize(
    ("stages", "known", "spread", "shortest"),
    [
        (HALF_HOURS, {}, None, 1800.0),
        (HALF_HOURS, {"drift": 0.5}, None, 1200.0),
        (HALF_HOURS, {"jitter": 300.0}, None, 1800.0),
        ((Stage(1000.0, 3600.0),), {"drift": 0.7}, None, 1000.0 / 1.7),
        (HALF_HOURS, {}, ("cycle[1].on", 700.0, 2000.0), 700.0),
        (HALF_HOURS, {}, ("cycle[1].on", 500.0, 2000.0), 500.0),
        (HALF_HOURS, {"drift": 0.5}, ("cycle[1].on", 700.0, 2000.0), 700.0 / 1.5),
        (HALF_HOURS, {}, ("cycle[1].every", 2000.0, 9000.0), 1800.0),
        (SPELLS, {}, None, 900.0),
        (SPELLS, {}, ("cycle[1].on", 800.0, 1000.0), 800.0),
        (SPELLS, {}, ("cycle[1].every", 1700.0, 1900.0), 0.0),
        (SPELLS, {}, ("cycle[2].on", 9 * HOUR, 11 * HOUR), 0.0),
        (SPELLS, {}, ("cycle[2].every", 20 * HOUR, 28 * HOUR), 900.0),
    ],
)
def test_the_shortest_burst_is_burnt_or_none_is(
    stages: tuple[Stage, ...],
    known: dict[str, Any],
    spread: tuple[str, float, float] | None,
    shortest: float,
) -> None:
    """The engine and the audit agree on it; a plan for bursts as they are stated is refused."""
    stated = burning(stages)
    site = burning(stages, **known)
    if spread is not None:
        key, low, high = spread
        site = ranged(site, f"sources.a.{key}", low, high)
    network = network_of(site)
    assert shortest_burst(network, network.sources["a"]) == pytest.approx(shortest)
    burnt = shortest >= 600.0
    assert bool(index_sets_of(network).reach["a"]) == burnt
    plan = make_plan(stated, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    assert any(plan.sources[0].collect.values())
    assert audit(stated, plan).accepted
    assert ("burn_run" in audit(site, plan).rules) != burnt


def test_merged_bursts_are_burnt_one_by_one() -> None:
    """Spells of twelve days are planned at their mean, but units start for each burst in them."""
    day = 24 * HOUR
    for on, burnt in ((210.0, False), (610.0, True)):
        stages = (Stage(on, 2 * on), Stage(12 * day, 24 * day))
        network = network_of(burning(stages, clock="surveyed", error=HOUR))
        assert timings_of(network)["a"].merged == 1
        assert bool(index_sets_of(network).reach["a"]) == burnt
        assert (shortest_burst(network, network.sources["a"]) >= 600.0) == burnt


@pytest.mark.parametrize(
    ("hours", "known"), [((11, 13, 15), (True, True, False)), ((1, 168), (True, True))]
)
def test_known_clocks_repeat_together_soon(hours: tuple[int, ...], known: tuple[bool, ...]) -> None:
    """Within 64 turns of the longest of all, in whatever order they are given."""
    sources = [
        source(
            f"s{h}", 0.0, stages=(Stage(0.4 * h * HOUR, h * HOUR),), clock="surveyed", error=60.0
        )
        for h in hours
    ]
    network = network_of(site_of(*sources))
    assert tuple(t.start is not None for t in timings_of(network).values()) == known
    assert sure_timings(network) == timings_of(network)
    plan = make_plan(network, Settings(node_limit=50, threads=1)).plan
    assert plan is not None
    assert audit(network, plan).accepted
