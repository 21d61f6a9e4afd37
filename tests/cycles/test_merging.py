"""Known clocks with many bursts: what is sure of merged ones against the bursts one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import allocator as al
from allocator.cycles import KnownCurve, attained_curve, curve_of_timing
from allocator.site.clocks import MOST_MARKS, Timing, timings_of
from allocator.site.records import Site, Stage
from allocator.verify.cycle import sure_cycle
from allocator.verify.timetables import least_in

HOUR, DAY = 3600.0, 86400.0


@st.composite
def timings(draw: st.DrawFn) -> Timing:
    """Two or three nested stages, of which the innermost one or two are merged."""
    every = float(draw(st.integers(2, 12)))
    stages = [Stage(float(draw(st.integers(1, int(every)))), every)]
    for _ in range(draw(st.integers(1, 2))):
        on = float(draw(st.integers(int(every), 9 * int(every)))) + draw(st.sampled_from([0, 0.5]))
        every = on + 2.0 * every + draw(st.integers(0, 40))
        stages.append(Stage(on, every))
    return Timing(
        tuple(stages),
        jitter=draw(st.sampled_from([0.0, 0.25])),
        start=float(draw(st.integers(-50, 50))),
        error=draw(st.sampled_from([0.0, 0.5, 4.0])),
        merged=draw(st.integers(1, len(stages) - 1)),
    )


@settings(max_examples=120, deadline=None)
@given(timings(), st.integers(0, 10_000))
def test_merged_bursts_are_less_than_what_is_sure(timing: Timing, seed: int) -> None:
    """And no less than that by more than what one turn of the merged stages is early and late."""
    merged, whole = curve_of_timing(timing), curve_of_timing(replace(timing, merged=0))
    attained = attained_curve(timing)
    assert isinstance(merged, KnownCurve)
    assert isinstance(whole, KnownCurve)
    assert isinstance(attained, KnownCurve)
    period = timing.stages[-1].every
    rng = np.random.default_rng(seed)
    begins, lengths = rng.uniform(0.0, period, 400), rng.uniform(0.0, 3.0 * period, 400)
    low, sure, high = (c.between(begins, lengths) for c in (merged, whole, attained))
    assert merged.duty == pytest.approx(whole.duty, rel=1e-12)
    assert (low <= sure + 1e-9).all()
    assert (sure <= high + 1e-9).all()
    turn = timing.stages[timing.merged - 1].every
    assert (high - low <= 4.0 * turn * merged.rate + 1e-9).all()
    for curve, bound in ((merged, whole), (whole, attained)):
        assert (curve.guaranteed(lengths) <= bound.guaranteed(lengths) + 1e-9).all()
    assert (merged.guaranteed(lengths) <= low + 1e-9).all()


@settings(max_examples=80, deadline=None)
@given(timings(), st.integers(0, 10_000))
def test_the_audit_derives_the_same(timing: Timing, seed: int) -> None:
    curve, cycle = curve_of_timing(timing), sure_cycle(timing)
    assert isinstance(curve, KnownCurve)
    rng = np.random.default_rng(seed)
    period = timing.stages[-1].every
    begins, lengths = rng.uniform(0.0, period, 200), rng.uniform(0.0, 3.0 * period, 200)
    assert least_in(cycle, begins, lengths) == pytest.approx(
        curve.between(begins, lengths), abs=1e-7
    )
    anyhow = replace(cycle, start=None, error=0.0)
    assert least_in(anyhow, begins, lengths) == pytest.approx(curve.guaranteed(lengths), abs=1e-7)


def two_wells(**known: object) -> Site:
    """Bursts of minutes in spells of twelve days, one well on while the other rests."""
    stages = (Stage(210.0, 430.0), Stage(12 * DAY, 24 * DAY))
    wells = [
        al.Source(name, "tip", "gas", flow=0.012, stages=stages, next_start=at, **known)  # type: ignore[arg-type]
        for name, at in (("a", 0.0), ("b", 12 * DAY))
    ]
    return al.Site(
        name="Two wells",
        starts_at="2027-03-01T06:00",
        fluids={"gas": al.Fluid("gas", heating_value=20e6)},
        materials={"steel": al.Material("steel", stock=3000.0)},
        places={"tip": al.Place("tip")},
        sources={well.name: well for well in wells},
        storage={
            "holder": al.StoreType(
                "holder", "gas", ("tip",), max_size=1000.0, materials={"steel": 20.0}
            )
        },
        pipes={},
        routes={},
        machines={
            "engine": al.MachineType("engine", {"gas": 0.0015}, {}, {"tip": 10}, power_out=10e3)
        },
        demands={"all": al.Demand("all", "power", mean=100e3)},
    )


def test_spells_of_weeks_count_where_their_bursts_are_too_many() -> None:
    """By hand: bursts give 12 g/s * 210 / 430 on the mean, and nothing for two hours of error.

    They counted as free: 964 W. The store bridges 2 h, a rest of 220 s and the end of a spell.
    """
    site = two_wells(clock="surveyed", error=HOUR)
    timing = timings_of(site)["a"]
    assert MOST_MARKS < 2411**2  # bursts of a spell
    assert (timing.start, timing.merged) == (0.0, 1)
    result = al.plan(site, node_limit=1000)
    plan, draw = result.plan, 0.012 * 210.0 / 430.0
    on = 12 * DAY // 430.0 * 210.0 + 12 * DAY % 430.0
    mean = 2 * 0.012 * on / (24 * DAY)
    assert plan.power.firm_clean == pytest.approx(mean / 0.0015 * 10e3, rel=1e-5)
    assert sum(store.size for store in plan.stores) == pytest.approx(
        mean * (2 * HOUR + 220.0), rel=0.02
    )
    assert mean == pytest.approx(draw, rel=1e-3)
    assert result.audit.accepted
    assert plan.power.firm_clean <= plan.ceiling.clean * (1 + 1e-9)
    assert al.simulate(site, plan, draws=3).kept
    free = al.plan(two_wells(), node_limit=1000).plan
    assert free.power.firm_clean < 0.03 * plan.power.firm_clean


def test_what_must_rest_long_around_merged_stages() -> None:
    """A rest shorter than two turns of the bursts: they count as free, as before."""
    stages = (Stage(210.0, 430.0), Stage(12 * DAY, 12 * DAY + 800.0))
    site = two_wells(clock="calendar", error=0.0)
    short = {n: replace(s, clock="surveyed", stages=stages) for n, s in site.sources.items()}
    assert timings_of(replace(site, sources=short))["a"].start is None


def test_all_rests_around_merged_stages_must_be_long() -> None:
    """Half days in spells that rest 100 s only: a half day cut short would reach the next spell."""
    spell = 10 * DAY + 20_000.0
    stages = (Stage(210.0, 430.0), Stage(0.5 * DAY, DAY), Stage(spell, spell + 100.0))
    site = two_wells(clock="surveyed", error=0.0)
    short = {n: replace(s, stages=stages) for n, s in site.sources.items()}
    found = timings_of(replace(site, sources=short))["a"]
    assert found.start is None
    assert curve_of_timing(found).duty == pytest.approx(curve_of_timing(Timing(stages)).duty)
