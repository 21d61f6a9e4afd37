"""Whoever stops the path search has a plan: candidates are accepted while it goes on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from families import site_of

from allocator.base.clock import Clock
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search import Progress, Settings, best_plan, make_plan, narrow
from allocator.search.first_plans import FirstPlans, first_plan
from allocator.search.paths.network import Candidate
from allocator.search.paths.repair import candidate_pool_of
from allocator.search.seldom import Seldom
from allocator.search.strategy.budgets import NARROWED
from allocator.search.task import SearchResult
from allocator.site.records import Site
from allocator.verify import audit


@pytest.mark.parametrize("basis", ["mean", "firm"])
def test_a_candidate_becomes_a_plan_that_holds(basis: str, tmp_path: Path) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    settings = Settings(basis=basis, node_limit=20)
    clock = Clock(None)
    pool = candidate_pool_of(offered(network_of(site), basis), settings, clock, None)
    assert pool is not None
    values: list[float] = []
    first = FirstPlans(network_of(site), settings, clock, lambda value, note: values.append(value))
    pool.search(None, lambda candidate, note: first.accept(candidate))
    plan = first.plan
    assert plan is not None
    assert audit(site, plan).accepted
    assert values == sorted(set(values))
    assert plan.goals[0].value == pytest.approx(values[-1])
    assert all(goal.bound is None for goal in plan.goals)
    # what the moves count is what the program gives for their whole numbers
    assert plan.goals[0].value == pytest.approx(pool.candidates[0].value, rel=0.02)


def test_pipes_that_hold_nothing_are_no_plan(tmp_path: Path) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    clock = Clock(0.0)
    assert (
        first_plan(network_of(site), Settings(basis="mean"), clock, Candidate(1.0, {}, (), {}, ()))
        is None
    )


def compile_first(site: Site, settings: Settings) -> None:
    """Compile the search, whatever time that takes: with a node limit no time counts."""
    make_plan(site, replace(settings, node_limit=1))


def test_a_search_without_end_leaves_the_plan_that_was_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    monkeypatch.setattr(best_plan, "NARROWED", replace(NARROWED, pipe_columns=10))
    # what comes after the search finds nothing in its time
    nothing = SearchResult(reason="no time")
    monkeypatch.setattr(narrow, "plan_model", lambda *given, **more: nothing)
    lines: list[Progress] = []
    settings = Settings(basis="mean", time_limit=3.0, effort="quick")
    compile_first(site, settings)
    plan = make_plan(site, settings, lines.append).plan
    assert plan is not None
    assert audit(site, plan).accepted
    accepted = [line.value for line in lines if line.note == "candidate"]
    assert plan.goals[0].value == pytest.approx(accepted[-1])


@pytest.mark.parametrize("nodes", [None, 20])
def test_the_best_candidate_is_accepted_once_the_search_has_ended(
    nodes: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    monkeypatch.setattr(best_plan, "NARROWED", replace(NARROWED, pipe_columns=10))
    nothing = SearchResult(reason="no time")
    monkeypatch.setattr(narrow, "plan_model", lambda *given, **more: nothing)
    # a busy machine: nothing was accepted on the way
    monkeypatch.setattr(Seldom, "__call__", lambda self, candidate, note="": None)
    settings = Settings(basis="mean", time_limit=3.0, effort="quick", node_limit=nodes)
    compile_first(site, settings)
    plan = make_plan(site, settings).plan
    # with a node limit that would be a plan of its own
    assert (plan is None) == (nodes is not None)


def test_accepting_again_waits_for_ten_times_what_it_took(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr("allocator.search.seldom.time.perf_counter", lambda: now[0])

    def act(candidate: Candidate) -> None:
        acted.append(candidate.value)
        now[0] += 2.0

    for once, expected in ((False, [0.0, 22.0]), (True, [0.0])):
        now[0], acted = 0.0, list[float]()
        seldom = Seldom(act, once)
        for when in (0.0, 10.0, 21.9, 22.0, 43.0):
            now[0] = max(now[0], when)
            seldom(Candidate(when, {}, (), {}, ()))
        assert acted == expected
