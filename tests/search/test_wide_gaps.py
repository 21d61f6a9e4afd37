"""Where the relaxation by origin leaves much, the plain program has its turn."""

from __future__ import annotations

from pathlib import Path

import pytest
from families import site_of

from allocator.search import Settings, make_plan
from allocator.search.goal_steps import WIDE, GoalSteps


@pytest.mark.parametrize(("times", "tried"), [(1.0 + 2 * WIDE, True), (1.0 + WIDE / 2, False)])
def test_a_wide_gap_brings_the_plain_program_in(
    times: float, tried: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shares: list[float] = []

    def relaxed(self: GoalSteps, share: float) -> None:
        assert self.best is not None
        self.bound = times * self.best

    def tightened(self: GoalSteps, share: float) -> None:
        """What the relaxation left stays."""

    def whole(self: GoalSteps, share: float, most_rounds: int) -> None:
        shares.append(share)

    def by_origin(self: GoalSteps, share: float) -> None:
        """Nothing more comes of it here."""

    def relaxation(self: GoalSteps) -> bool:
        relaxed(self, 1.0)
        return True

    monkeypatch.setattr(GoalSteps, "relaxed", relaxation)
    monkeypatch.setattr(GoalSteps, "tightened", tightened)
    monkeypatch.setattr(GoalSteps, "whole_program", whole)
    monkeypatch.setattr(GoalSteps, "by_origin", by_origin)
    outcome = make_plan(site_of(tmp_path, 20, 30, 4), Settings(basis="mean", node_limit=60))
    assert outcome.plan is not None
    assert (0.7 in shares) is tried
