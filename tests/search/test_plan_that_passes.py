"""Where the best plan fails its audit, the user gets the best one before it that passes."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.cli.entry import main
from allocator.engine import planning
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.search.outcome import REFUSED
from allocator.site.records import Site
from allocator.verify import AuditReport, audit
from allocator.verify.report import Breach

CASE = Path(__file__).parents[1] / "cases" / "pipe_just_enough.yaml"


class Judge:
    """Finds fault with the first plans that it sees, whatever they are."""

    def __init__(self, faults: int) -> None:
        self.faults = faults
        self.seen: list[Plan] = []

    def __call__(self, site: Site, plan: Plan) -> tuple[str, ...]:
        self.seen.append(plan)
        return ("too dear",) if len(self.seen) <= self.faults else ()


def test_the_best_plan_before_it_that_passes_is_taken() -> None:
    judge = Judge(1)
    site = read_site(CASE)
    outcome = make_plan(site, Settings(node_limit=500, breaches=judge))
    assert outcome.plan is not None
    assert len(judge.seen) == 2
    assert outcome.plan.runs == judge.seen[1].runs
    assert audit(site, outcome.plan).accepted
    told = [line.note for line in outcome.search if line.note.startswith(REFUSED)]
    assert told == [f"{REFUSED}too dear"]


def test_goals_of_an_earlier_plan_are_told_as_it_has_them() -> None:
    """The point of the first goal knew nothing of steel and money."""
    judge = Judge(4)
    site = read_site(CASE)
    outcome = make_plan(site, Settings(node_limit=500, breaches=judge))
    assert outcome.plan is not None
    assert len(judge.seen) == 5
    assert audit(site, outcome.plan).accepted
    assert outcome.plan.status != "optimal"


def test_a_plan_that_fails_is_kept_where_none_passes() -> None:
    judge = Judge(100)
    outcome = make_plan(read_site(CASE), Settings(node_limit=500, breaches=judge))
    assert outcome.plan is not None
    assert outcome.plan.runs == judge.seen[0].runs
    assert len(judge.seen) == 1 + len(outcome.plan.goals)


def test_the_user_is_told_what_failed_and_what_to_do(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = []

    def strict(site: Site, plan: Plan) -> AuditReport:
        calls.append(plan)
        if len(calls) == 1:
            return AuditReport((Breach("money_limit", "money", 1.0, "", "is too much"),))
        return audit(site, plan)

    monkeypatch.setattr(planning, "audit", strict)
    code = main(["plan", str(CASE), "-o", str(tmp_path / "plan"), "--node-limit", "500"])
    told = capsys.readouterr().err
    assert code == 0
    assert "a plan fails its audit: money: is too much" in told
    assert "--seed" in told
