"""The strategy as data: sane shares, each phase once, none outside it, and the guide."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import allocator.search
from allocator.search import Settings
from allocator.search.strategy import budgets, goal, model, question_budgets
from allocator.search.strategy.phase import Budget, Phase, run_phases
from allocator.search.strategy.plan import has_firm_plan, is_firm, plan_phases

SEARCH = Path(allocator.search.__file__).parent
GUIDE = Path(__file__).parents[3] / "DEVELOPERS.md"

LISTS: dict[str, tuple[Phase[object], ...]] = {
    **{
        f"{module.__name__.split('.')[-1]}.{name}": phases
        for module in (goal, model)
        for name, phases in vars(module).items()
        if name.isupper() and not name.startswith("_")
        if isinstance(phases, tuple) and all(isinstance(one, Phase) for one in phases)
    },
    **{
        f"plan({basis}, prices={prices}, alternatives={count})": plan_phases(
            Settings(basis=basis, prices=prices, alternatives=count)
        )
        for basis in ("firm", "mean")
        for prices in (False, True)
        for count in (1, 3)
    },
}


def test_all_lists_are_looked_at() -> None:
    assert len(LISTS) == 10 + 3 + 8


@pytest.mark.parametrize("name", LISTS)
def test_each_phase_is_named_once(name: str) -> None:
    names = [phase.name for phase in LISTS[name]]
    assert len(set(names)) == len(names)
    assert all(names)


@pytest.mark.parametrize("name", LISTS)
def test_shares_are_of_one_whole(name: str) -> None:
    for phase in LISTS[name]:
        budget = phase.budget
        assert 0.0 < budget.share <= 1.0, phase.name
        assert 0.0 < budget.until <= 1.0, phase.name
        assert 0.0 <= budget.least < budget.share, phase.name
        assert budget.rounds >= 1, phase.name
    # what steps have however late it is leaves most of the run to others
    assert sum(phase.budget.least for phase in LISTS[name]) <= 0.25


@pytest.mark.parametrize("name", [n for n in LISTS if n.startswith("plan(")])
def test_the_parts_of_a_plan_leave_time_for_its_end(name: str) -> None:
    """Each share is of what those before it leave; later phases must have some of it."""
    left, firm = 1.0, "firm" in name
    for phase in LISTS[name]:
        runs = firm or phase.condition not in (is_firm, has_firm_plan)
        if runs and phase.budget.share < 1.0:
            left *= 1.0 - phase.budget.share
    assert 0.005 < left < 0.6


def test_the_parts_of_a_point_of_a_frontier_are_of_one_whole() -> None:
    parts = question_budgets.QUESTIONS
    point = (parts.frontier_search, parts.frontier_power, parts.frontier_least)
    assert 0.9 <= sum(point) <= 1.0
    assert parts.frontier_top + parts.frontier_top_least <= 0.5


@pytest.mark.parametrize("name", [n for n in LISTS if n.startswith("goal.") and "GOAL" not in n])
def test_a_goal_uses_its_time_to_the_end(name: str) -> None:
    assert LISTS[name][-1].budget == Budget(rounds=LISTS[name][-1].budget.rounds)


def test_phases_run_in_order_where_their_condition_holds_until_the_end() -> None:
    def added(state: tuple[float, ...], budget: Budget) -> tuple[float, ...]:
        return (*state, budget.share)

    phases = (
        Phase("one", added, Budget(0.1)),
        Phase("never", added, Budget(0.2), lambda state: len(state) != 1),
        Phase("two", added, Budget(0.3), lambda state: state == (0.1,)),
        Phase("after the end", added, Budget(0.4)),
    )
    assert run_phases(phases, (), lambda state: len(state) == 2) == (0.1, 0.3)


@pytest.mark.parametrize("record", ["PLAN", "NARROWED", "GOAL", "CANDIDATES", "BOUND", "QUESTIONS"])
def test_every_budget_says_what_it_is(record: str) -> None:
    """Each field is followed by its docstring, and shares are shares."""
    room = question_budgets if record == "QUESTIONS" else budgets
    kind = type(getattr(room, record))
    tree = ast.parse(Path(room.__file__).read_text(encoding="utf-8"))
    (body,) = (n.body for n in tree.body if isinstance(n, ast.ClassDef) and n.name == kind.__name__)
    for field, words in zip(body[1::2], body[2::2], strict=True):
        assert isinstance(field, ast.AnnAssign)
        assert isinstance(words, ast.Expr)
        assert isinstance(words.value, ast.Constant)
        assert isinstance(words.value.value, str)
        name = ast.unparse(field.target)
        value = getattr(getattr(room, record), name)
        if isinstance(value, float) and not re.search("seconds|again|crowded", name):
            assert 0.0 < value < 1.0, name


TIMED = re.compile(r"\b(limit|time_limit|seconds|left|spent|share|until|ends)\b")


def shares_of_time(source: str) -> list[str]:
    """Expressions that take a literal part of some time, or compare its spent share with one.

    >>> shares_of_time("run(clock.left(0.3))")
    ['clock.left(0.3)']
    """
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func).split(".")[-1]
            given = [
                *(node.args if called in ("left", "min", "max") else ()),
                *(word.value for word in node.keywords if TIMED.fullmatch(word.arg or "")),
            ]
            timed = called == "left" or TIMED.search(ast.unparse(node)) is not None
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult | ast.Div):
            given, timed = [node.left, node.right], TIMED.search(ast.unparse(node)) is not None
        elif isinstance(node, ast.Compare):
            given, timed = node.comparators, "spent()" in ast.unparse(node)
        else:
            continue
        if timed and any(_is_part(one) for one in given):
            found.append(ast.unparse(node))
    return found


def _is_part(node: ast.expr) -> bool:
    """Whether an expression is, or chooses between, literal parts of something, of 1 % or more."""
    if isinstance(node, ast.IfExp):
        return _is_part(node.body) or _is_part(node.orelse)
    literal = isinstance(node, ast.Constant) and isinstance(node.value, float)
    return literal and node.value >= 0.01 and node.value % 1.0 > 0.0


def test_the_walk_sees_shares_of_time() -> None:
    assert shares_of_time("x = run(clock.left(0.3 if priced else 0.9))")
    assert shares_of_time("x = 0.45 * limit")
    assert shares_of_time("x = run(time_limit=0.5)")
    assert shares_of_time("x = steps.deadline.spent() < 0.9")
    assert shares_of_time("x = max(0.1, limit - began)")
    assert not shares_of_time("x = run(clock.left(GOAL.repair), gap=1e-3)")
    assert not shares_of_time("x = max(0.0, limit - began)")


def test_no_share_of_time_stands_outside_the_strategy() -> None:
    files = [path for path in SEARCH.rglob("*.py") if path.parent.name != "strategy"]
    assert len(files) > 40
    found = {path.name: shares_of_time(path.read_text(encoding="utf-8")) for path in files}
    assert {name: shares for name, shares in found.items() if shares} == {}


def test_the_guide_names_all_phases() -> None:
    """Its section on how a plan is made has the name of each phase, and no other as one."""
    guide = GUIDE.read_text(encoding="utf-8")
    section = guide.split("## How a plan is made")[1].split("\n## ")[0]
    named = set(re.findall(r"`([a-z][a-z -]+)`", " ".join(section.split())))
    phases = {phase.name for phases in LISTS.values() for phase in phases}
    assert phases - named == set()
