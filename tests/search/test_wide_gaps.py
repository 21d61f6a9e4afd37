"""Where the multicommodity relaxation leaves a wide gap, the integer model has its turn."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from families import site_of

from allocator.search import Settings, lexicographic, make_plan
from allocator.search.goal_search import GoalSearch
from allocator.search.strategy.budgets import GOAL
from allocator.search.strategy.goal import FIRST_GOAL, LARGE, LATER_GOAL, GoalPhases
from allocator.search.strategy.phase import Budget

WIDE = GOAL.wide_gap


@pytest.mark.parametrize(("times", "tried"), [(1.0 + 2 * WIDE, True), (1.0 + WIDE / 2, False)])
def test_a_wide_gap_brings_the_integer_model_in(
    times: float, tried: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []

    def relaxed(search: GoalSearch, budget: Budget) -> GoalSearch:
        assert search.best is not None
        search.bound = times * search.best
        return search

    def named(phases: GoalPhases) -> GoalPhases:
        """Phases that do nothing but say that they ran."""

        def run(search: GoalSearch, budget: Budget, name: str = "") -> GoalSearch:
            ran.append(name)
            return search

        return tuple(replace(phase, run=partial(run, name=phase.name)) for phase in phases)

    def opening(search: GoalSearch) -> GoalPhases:
        first = FIRST_GOAL if search.start is None else LATER_GOAL
        return (*first[:-1], replace(first[-1], run=relaxed))

    monkeypatch.setattr(lexicographic, "opening_phases", opening)
    monkeypatch.setattr(lexicographic, "main_phases", lambda search: named(LARGE))
    outcome = make_plan(site_of(tmp_path, 20, 30, 4), Settings(basis="mean", node_limit=60))
    assert outcome.plan is not None
    assert "multicommodity relaxation" in ran
    assert ("integer model of a wide gap" in ran) is tried
