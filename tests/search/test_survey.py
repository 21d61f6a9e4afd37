"""Firm power until a survey ends, and for ever after it; what known clocks are worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import allocator as al
from allocator.cycles import KnownCurve, curve_of, curve_of_timing, worst_until
from allocator.engine import known_clocks
from allocator.engine.known_clocks import by_batteries, with_clock_worth
from allocator.engine.time_limit import TimeAfter
from allocator.network.deriving import network_of, studied
from allocator.network.records import Handover
from allocator.report.words import clock_words
from allocator.site.clocks import Timing, surveyed_until, timings_of
from allocator.verify import audit
from allocator.verify.cycle import sure_cycle
from allocator.verify.timetables import need_until
from tests.search.test_known_phases import HALF, HOUR, site_of, source

DAY = 24 * HOUR
ASSETS = al.Built(sources=("a", "b"), machines={("engine", "farm"): 5})


def surveyed(ends: float | None, clock: str = "surveyed", **known: float) -> al.Site:
    said = {"clock": clock, "error": 0.0, **known}
    site = site_of(*(source(n, s, **said) for n, s in (("a", 0.0), ("b", 12 * HOUR))))
    return replace(site, built=ASSETS, survey_ends=ends)


def told(site: al.Site) -> al.Plan:
    plan = with_clock_worth(site, al.plan(site, node_limit=1000, prove=0).plan, TimeAfter(), [])
    assert plan.clocks is not None
    assert al.audit(site, plan).accepted
    return plan


def test_two_halves_until_the_survey_ends_and_for_ever() -> None:
    """40 kW while the phases are known; after it the 100 kg of store give 15.4 kW."""
    plan = told(surveyed(3 * DAY))
    assert plan.power.firm_total == pytest.approx(15432.0987, rel=1e-6)
    assert plan.clocks.until == 3 * DAY
    assert plan.clocks.until_total == pytest.approx(40e3, rel=1e-6)
    assert plan.clocks.free_total == pytest.approx(15432.0987, rel=1e-6)
    # with both off for 12 h at any phase 40 kW need 12 h of 6 g/s, less what the tank holds
    assert plan.clocks.storage["holder@farm"] == pytest.approx(259.2 - 100.0, rel=1e-6)


def test_both_powers_until_the_survey_ends_are_had_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """An operation with more clean power and less of all states neither beside the plan's other."""
    site = surveyed(3 * DAY)
    plan = al.plan(site, node_limit=1000, prove=0).plan
    power = plan.power
    other = replace(power, firm_clean=power.firm_clean + 1e3, firm_total=power.firm_total - 1e3)
    monkeypatch.setattr(known_clocks, "_operated", lambda *_, **__: replace(plan, power=other))
    clocks = with_clock_worth(site, plan, TimeAfter(), []).clocks
    assert clocks is not None
    assert (clocks.until_clean, clocks.until_total) == (power.firm_clean, power.firm_total)


def test_without_an_end_the_known_phases_hold_for_ever() -> None:
    plan = told(surveyed(None))
    assert plan.power.firm_total == pytest.approx(40e3, rel=1e-6)
    assert plan.clocks.until is None
    assert plan.clocks.free_total == pytest.approx(0.0, abs=1.0)  # the plan builds no store
    assert plan.clocks.storage["holder@farm"] == pytest.approx(259.2, rel=1e-6)


def test_calendar_clocks_outlast_a_survey() -> None:
    site = surveyed(3 * DAY)
    fixed = replace(site.sources["a"], clock="calendar")
    assert timings_of(replace(site, sources={**site.sources, "a": fixed}))["a"].start == 0.0
    assert timings_of(site)["a"].start is None


def test_a_store_is_left_as_the_later_operation_needs_it() -> None:
    """With five minutes of error, and all 100 kg needed the moment the survey ends:

    no gap between two bursts may be open then, so nothing is gained where it ends at a switch.
    Six hours later a gap of 3.6 kg must have been filled up again: 6 g/s less 3.6 kg in 6 h.
    """
    at_switch, later = told(surveyed(3 * DAY, error=300.0)), told(surveyed(3.25 * DAY, error=300.0))
    assert at_switch.clocks.until_total == pytest.approx(15432.0987, rel=1e-6)
    gap = 600.0  # s, of both errors
    flow = 0.006 * (6 * HOUR - 300.0) / (6 * HOUR - 300.0 + gap)
    assert later.clocks.until_total == pytest.approx(flow / 0.0015 * 10e3, rel=1e-6)


def test_more_drift_never_gives_more_until_the_end() -> None:
    powers = [told(surveyed(3.25 * DAY, drift=d)).clocks.until_total for d in (0.0, 1e-4, 1e-3)]
    assert powers == sorted(powers, reverse=True)
    assert powers[-1] < powers[0]


def test_no_drifting_clock_gives_less_until_the_survey_ends() -> None:
    """True clocks drawn by hand against the surveyed one with its drift as jitter."""
    rng = np.random.default_rng(3)
    for stages in (HALF, (al.Stage(600.0, 3000.0), al.Stage(8 * HOUR, 24 * HOUR))):
        one = source("a", 5 * HOUR, stages=stages, clock="surveyed", error=60.0, drift=0.002)
        ends = 3 * DAY
        known = surveyed_until(one, ends)
        site = site_of(known)
        curve = curve_of_timing(timings_of(site)["a"])
        assert isinstance(curve, KnownCurve)
        pattern = curve_of(stages).pattern
        for _ in range(40):
            edges = np.sort(rng.uniform(0, 1.1 * ends, 60))
            paces = rng.choice([1 / 1.002, 1.002], 61)
            real = np.append(0.0, edges)
            clock = np.concatenate(([0.0], np.cumsum(np.diff(np.append(real, 2 * ends)) * paces)))
            times = np.linspace(0, ends, 200_001)
            at = np.interp(times, np.append(real, 2 * ends), clock)
            place = (at + rng.uniform(-60, 60) - 5 * HOUR) % pattern.period
            number = np.searchsorted(pattern.starts, place, side="right") - 1
            on = (number >= 0) & (place < pattern.ends[np.maximum(number, 0)])
            done = np.concatenate(([0.0], np.cumsum(on[:-1] * np.diff(times))))
            for _ in range(30):
                i, j = np.sort(rng.integers(0, len(times), 2))
                length = times[j] - times[i]
                sure = curve.between(np.array([times[i]]), np.array([length]))[0]
                assert done[j] - done[i] >= sure - 20.0  # a step of the grid at switches


def test_both_have_the_same_last_windows() -> None:
    """The engine's worst window up to a time, the audit's, and all windows on a grid."""
    rng = np.random.default_rng(4)
    for _ in range(40):
        timings, rates = [], rng.uniform(0.5, 2.0, 3)
        for _ in range(3):
            every = int(rng.choice([30, 60, 40]))
            stages = (al.Stage(float(rng.integers(1, every)), float(every)),)
            jitter = float(rng.integers(0, 3))
            if rng.random() < 0.3:
                timings.append(Timing(stages, jitter=jitter))
            else:
                start, error = float(rng.integers(0, every)), float(rng.integers(0, every // 4))
                timings.append(Timing(stages, 0.0, jitter, start, error))
        curves = [curve_of_timing(timing) for timing in timings]
        flat = sum(r * c.duty for r, c in zip(rates, curves, strict=True)) * rng.uniform(0.6, 1.2)
        end = float(rng.integers(20, 200))
        inflows = [(curve, float(rate)) for curve, rate in zip(curves, rates, strict=True)]
        found = worst_until(inflows, flat, (), 0.0, end)
        parts = [(sure_cycle(t), float(r)) for t, r in zip(timings, rates, strict=True)]
        assert need_until(parts, flat, end) == pytest.approx(found.shortfall, abs=1e-9)
        lengths = np.arange(0.0, end + 0.5)
        need = flat * lengths
        for curve, rate in inflows:
            if isinstance(curve, KnownCurve):
                need = need - rate * curve.between(end - lengths, lengths)
            else:
                need = need - rate * curve.guaranteed(lengths)
        assert found.shortfall == pytest.approx(max(0.0, need.max()), abs=1e-9)


def test_the_summary_says_why_nothing_is_stated_until_the_survey_ends() -> None:
    plan = told(surveyed(3 * DAY))
    assert plan.clocks is not None
    bare = replace(plan.clocks, until_clean=None, until_total=None)
    assert "no operation was found that gains by the surveyed clocks" in clock_words(
        replace(plan, clocks=bare)
    )
    none = replace(bare, free_total=plan.power.firm_total, storage={})
    assert clock_words(replace(plan, clocks=none)) == (
        "Gain from known clocks: none found, until the survey ends (3 d) or after."
    )
    assert "Gain from known clocks: 24.6 kW of all" in clock_words(plan)
    unproven = replace(plan.clocks, free_proven=False)
    assert "Gain from known clocks: up to 24.6 kW" in clock_words(replace(plan, clocks=unproven))


CELLS = 6750.0 * HOUR
"""J: what bursts of 13.5 kW for half of two hours need to give their mean."""


def with_bursts() -> al.Site:
    """The two halves of a day, and bursts at any phase that charge a battery."""
    site = surveyed(3 * DAY)
    burst = al.Source("c", "farm", "hot", flow=0.003, stages=(al.Stage(HOUR, 2 * HOUR),))
    cells = al.StoreType("cells", "power", ("farm",), max_size=CELLS, charge_efficiency=0.9)
    turbine = al.MachineType("turbine", {"hot": 0.001}, {}, {"farm": 4}, power_out=5e3)
    return replace(
        site,
        fluids={**site.fluids, "hot": al.Fluid("hot", heating_value=20e6)},
        sources={**site.sources, "c": burst},
        storage={**site.storage, "cells": cells},
        machines={**site.machines, "turbine": turbine},
        built=replace(
            ASSETS,
            sources=("a", "b", "c"),
            machines={("engine", "farm"): 5, ("turbine", "farm"): 3},
            storage={("cells", "farm"): CELLS},
        ),
    )


def test_batteries_do_until_the_survey_ends_what_they_do_later() -> None:
    """Bursts give 15 kW for half the time at 90 %, before as after: 6.75 kW more than without."""
    plan = told(with_bursts())
    assert plan.power.firm_total == pytest.approx(15432.0987 + 6750.0, rel=1e-6)
    assert plan.clocks is not None
    assert plan.clocks.until_total == pytest.approx(40e3 + 6750.0, rel=1e-6)


def test_the_audit_holds_batteries_to_what_they_do_later() -> None:
    site, plan = with_bursts(), told(with_bursts())
    same = by_batteries(plan)
    handover = Handover(3 * DAY, {})
    kept = {key: value for key, value in same.items() if "@farm@farm" not in "".join(key)}
    network = studied(network_of(site), handover=replace(handover, batteries=kept))
    assert "battery_handover" in audit(network, plan).rules
    named = {
        tuple(part.replace("@farm@farm", "@farm") for part in key): v for key, v in same.items()
    }
    network = studied(network, handover=replace(handover, batteries=named))
    report = audit(network, plan)
    assert "battery_handover" not in report.rules
    assert report.checks["battery_handover"] == len(named)
    more = {key: 1.01 * v if key[0] == "burst_part" else v for key, v in named.items()}
    network = studied(network, handover=replace(handover, batteries=more))
    assert "battery_handover" in audit(network, plan).rules
