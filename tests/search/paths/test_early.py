"""Whoever stops the search by paths has a plan: finds are landed while it goes on."""

from __future__ import annotations

from pathlib import Path

import pytest
from families import site_of

from allocator.base.clock import Clock
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search import Progress, Settings, make_plan, planner
from allocator.search.early import Early, Seldom, early_plan
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import ideas_of
from allocator.verify import audit


@pytest.mark.parametrize("basis", ["mean", "firm"])
def test_a_find_becomes_a_plan_that_holds(basis: str, tmp_path: Path) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    settings = Settings(basis=basis, node_limit=20)
    clock = Clock(None)
    ideas = ideas_of(offered(network_of(site), basis), settings, clock, None)
    assert ideas is not None
    told: list[float] = []
    early = Early(network_of(site), settings, clock, lambda value, note: told.append(value))
    ideas.search(None, lambda find, note: early.land(find))
    plan = early.plan
    assert plan is not None
    assert audit(site, plan).accepted
    assert told == sorted(set(told))
    assert plan.goals[0].value == pytest.approx(told[-1])
    assert all(goal.bound is None for goal in plan.goals)
    # what the moves count is what the program gives for their whole numbers
    assert plan.goals[0].value == pytest.approx(ideas.finds[0].value, rel=0.02)


def test_pipes_that_hold_nothing_are_no_plan(tmp_path: Path) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    clock = Clock(0.0)
    assert (
        early_plan(network_of(site), Settings(basis="mean"), clock, Candidate(1.0, {}, (), {}, ()))
        is None
    )


def test_a_search_without_end_leaves_the_plan_that_was_landed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    monkeypatch.setattr(planner, "MOST_COLUMNS", 10)
    # what comes after the search finds nothing in its time
    nothing = (None, (), False, "no time", {})
    monkeypatch.setattr(planner, "_planned_whole", lambda *given, **more: nothing)
    lines: list[Progress] = []
    settings = Settings(basis="mean", time_limit=3.0, effort="quick")
    plan = make_plan(site, settings, lines.append).plan
    assert plan is not None
    assert audit(site, plan).accepted
    landed = [line.value for line in lines if line.note == "paths"]
    assert plan.goals[0].value == pytest.approx(landed[-1])


def test_landing_again_waits_for_ten_times_what_it_took(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr("allocator.search.early.time.perf_counter", lambda: now[0])

    def act(find: Candidate) -> None:
        acted.append(find.value)
        now[0] += 2.0

    for once, expected in ((False, [0.0, 22.0]), (True, [0.0])):
        now[0], acted = 0.0, list[float]()
        seldom = Seldom(act, once)
        for when in (0.0, 10.0, 21.9, 22.0, 43.0):
            now[0] = max(now[0], when)
            seldom(Candidate(when, {}, (), {}, ()))
        assert acted == expected
