"""Worst windows: of one plan they are searched once, and few of their lengths are looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import allocator as al
from allocator.network.deriving import network_of
from allocator.site.clocks import Timing
from allocator.site.records import Profile, Stage
from allocator.verify import timetables, windows
from allocator.verify.case import case_of
from allocator.verify.cycle import demand_cycle, sure_cycle
from allocator.verify.tanks.assembly import assembly_of
from allocator.verify.tanks.phases import worst_windows
from allocator.verify.tanks.present import (
    MOST_WORK,
    SourceState,
    _falls,
    present_tank,
    reserve_of,
)
from tests.search.test_known_phases import HOUR, site_of, source


def test_the_windows_of_one_plan_are_searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Audited, simulated, audited again: only a size or a draw not seen before is searched."""
    known = {"clock": "calendar", "error": 300.0}
    site = site_of(source("a", 0.0, **known), source("b", 12 * HOUR, **known))
    plan = al.plan(site, node_limit=1000, prove=0).plan
    walks: list[float] = []
    walked = timetables.worst_known

    def counted(parts: timetables.Parts, draw: float, end: float) -> tuple[float, float, float]:
        walks.append(draw)
        found = walked(parts, draw, end)
        assert found is not None
        return found

    monkeypatch.setattr(windows, "_WALKED", {})
    monkeypatch.setattr(timetables, "worst_known", counted)
    for _ in range(3):
        assert al.audit(site, plan).accepted
    assert len(walks) == 1  # of the one store
    case = case_of(network_of(site), plan)
    for _ in range(2):
        circuit = assembly_of(case).circuit
        worst_windows(case, circuit)
        for tank in circuit.kept:
            present_tank(case, tank)
    assert len(walks) == 2  # what it must hold, to the last digits
    al.simulate(site, plan, days=2, draws=1)
    assert len(walks) == 2


def test_another_cycle_size_or_draw_is_searched_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(windows, "_WALKED", {})
    cycle = sure_cycle(Timing((Stage(6.0, 24.0),)))
    late = replace(cycle, start=3.0)
    asked = [
        ([(cycle, 1.0)], 0.2, 0.0),
        ([(cycle, 1.0)], 0.2, 1.0),
        ([(cycle, 1.0)], 0.1, 0.0),
        ([(cycle, 2.0)], 0.2, 0.0),
        ([(late, 1.0)], 0.2, 0.0),
        ([(replace(late, error=1.0), 1.0)], 0.2, 0.0),
        ([(replace(cycle, delay=1.0), 1.0)], 0.2, 0.0),
        ([(cycle, 1.0), (late, 1.0)], 0.2, 0.0),
    ]
    for number, (parts, draw, size) in enumerate(asked, 1):
        windows.shortfall(parts, draw, size)
        windows.shortfall(list(parts), draw, size)
        assert len(windows._WALKED) == number


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_no_length_that_needs_more_is_passed_over(seed: int) -> None:
    """Against the needs of all lengths, with drift, jitter, varying durations and a demand."""
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(3):
        every = float(rng.choice([20.0, 30.0, 60.0]))
        on = float(rng.integers(1, int(every)))
        kind = rng.integers(0, 4)
        timing = Timing((Stage(on, every),))
        if kind == 1:
            timing = replace(timing, drift=0.02)
        elif kind == 2 and on < every - 4.0:
            timing = replace(timing, jitter=1.0)
        parts.append((sure_cycle(timing), float(rng.uniform(0.5, 2.0))))
    draw = 0.97 * sum(weight * cycle.mean for cycle, weight in parts)
    parts.append((demand_cycle(Profile(24.0, (0.0, 8.0), (0.5, 1.25))), 0.2 * draw))
    draw *= 0.8
    end = 2000.0
    lengths = timetables.turning_lengths([cycle for cycle, _ in parts], end)
    most = timetables.most_at_any_phase(parts, draw, lengths)
    spans = np.unique(np.concatenate((rng.uniform(0.0, end, 2000), lengths)))
    need = draw * spans
    for cycle, weight in parts:
        need = need - weight * timetables.least_in(cycle, np.zeros(len(spans)), spans)
    for share in (0.5, 0.9, 0.99, 1.0 - 1e-9):
        value = share * float(need.max())
        assert not np.any(~most.passes(spans, value) & (need > value))
    assert len(most.likeliest(5)) == 5


@pytest.mark.parametrize("at", [None, 0.0, 5 * HOUR, 14 * HOUR])
def test_a_reserve_is_that_of_all_lengths(at: float | None) -> None:
    known = {"clock": "surveyed", "error": 300.0}
    free = replace(source("c", 0.0), clock="free", stages=(al.Stage(3 * HOUR, 11 * HOUR),))
    site = site_of(source("a", 0.0, **known), free, steel=1000.0)
    plan = al.plan(site, node_limit=1000, prove=0).plan
    case = case_of(network_of(site), plan)
    (tank,) = assembly_of(case).circuit.kept
    present = present_tank(case, tank)
    assert len(present.parts) == 2
    for states in ({}, {"c": SourceState(True, 0.0)}, {"c": SourceState(False, HOUR)}):
        found = _falls(case, present, states, at, MOST_WORK)
        assert found is not None
        whole = min(present.need, float(found[1].max()) * (1.0 + 1e-6))
        seen = at is not None or states
        assert reserve_of(case, present, states, at) == (whole if seen else present.need)
