"""What is possible by the last digit is planned, and its plan passes the audit.

Each site in ``tests/cases`` says at its head what is right, and why.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.verify import audit

CASES = Path(__file__).parents[1] / "cases"


def planned(name: str, basis: str = "firm") -> Plan:
    site = read_site(CASES / f"{name}.yaml")
    outcome = make_plan(site, Settings(basis=basis, node_limit=2000))
    assert outcome.plan is not None, outcome.reason
    assert audit(site, outcome.plan).breaches == ()
    return outcome.plan


def goal(plan: Plan, name: str) -> float:
    return next(g.value for g in plan.goals if g.name == name)


def test_two_engines_at_full_load_serve_all_of_a_demand() -> None:
    plan = planned("two_engines_full")
    assert plan.machines[0].count == 2
    assert plan.power.served_share == pytest.approx(1.0, rel=1e-12)


def test_a_balance_without_any_room_is_planned() -> None:
    # 150 kg/s to d2 at 10, 25 from s1 to d0 and 150 to d2 at 7 and 11, 175 and 100 from s2 at 4, 5
    plan = planned("exact_balance")
    by_hand = 150 * 10 + 25 * 7 + 150 * 11 + 175 * 4 + 100 * 5
    assert goal(plan, "money") == pytest.approx(by_hand, rel=1e-12)


def test_a_pipe_that_carries_just_enough_is_enough() -> None:
    plan = planned("pipe_just_enough")
    assert [m.count for m in plan.machines] == [2]
    assert [run.build for run in plan.runs] == ["thin"]
    assert goal(plan, "scarce_material") == pytest.approx(700.0, rel=1e-9)
    assert goal(plan, "clean_power") == pytest.approx(20e3, rel=2e-9)


def test_no_engine_is_bought_for_milliwatts() -> None:
    plan = planned("engines_five_allowed")
    assert [m.count for m in plan.machines] == [2]
    assert goal(plan, "money") == pytest.approx(18_000.0, rel=1e-9)


@pytest.mark.parametrize("name", ["units_most", "audit_fail_rand094", "audit_fail_tiny020"])
def test_all_units_that_may_stand_may_be_built(name: str) -> None:
    plan = planned(name)
    assert any(store.units == 3 or store.units == 6 for store in plan.stores)


@pytest.mark.parametrize("number", ["013", "022", "067", "210"])
def test_a_plan_and_its_goals_leave_out_the_same_amounts(number: str) -> None:
    planned(f"audit_fail_rand{number}")


def test_what_a_solver_lets_pass_is_worth_nothing() -> None:
    plan = planned("dear_last_digits")
    assert {g.status for g in plan.goals} == {"optimal"}
    assert goal(plan, "money") == pytest.approx(3991.48034, rel=1e-7)


def test_a_cut_of_little_is_kept_to_its_last_digits() -> None:
    plan = planned("small_battery_part")
    assert goal(plan, "clean_power") == pytest.approx(6664.07, abs=0.01)
    assert plan.status == "optimal"


def test_no_pipe_is_laid_for_what_an_earlier_goal_may_give_up() -> None:
    plan = planned("pipe_for_nothing", "mean")
    assert plan.runs == ()
    assert goal(plan, "scarce_material") == pytest.approx(20.0)
