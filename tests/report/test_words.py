"""Figures and names as people read them."""

from __future__ import annotations

import pytest

from allocator.model.limits import amount_shown
from allocator.plans.records import GoalResult
from allocator.report.words import (
    count,
    destination,
    gap,
    goal_title,
    goal_value,
    knee_words,
    money,
    percent,
    shape,
)


@pytest.mark.parametrize(
    ("share", "shown"),
    [
        (0.0, "0 %"),
        (-0.0, "0 %"),
        (-3e-17, "0 %"),
        (0.00123, "0.123 %"),
        (0.6881, "68.8 %"),
        (0.9993, "99.9 %"),
        (0.99985, "99.9 %"),  # rounding must not make a shortfall look whole
        (0.9999999, "100 %"),
        (1.0, "100 %"),
        (1.234, "123 %"),
    ],
)
def test_percent(share: float, shown: str) -> None:
    assert percent(share) == shown


def test_a_limit_that_rounding_left_is_none() -> None:
    assert amount_shown(5.5e-7, "share") == "0 %"
    assert amount_shown(5.5e-5, "share") == "0.0055 %"
    assert amount_shown(-0.0, "share") == "0 %"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, "-"),
        (0.0, "0 %"),
        (1e-16, "0 %"),
        (5e-5, "< 0.01 %"),
        (0.112, "11 %"),
        (0.0123, "1.2 %"),
        (0.996, "100 %"),
        (1.0, "100 %"),
        (0.0996, "10 %"),
        (15.0, "over 100 %"),
    ],
)
def test_gap(value: float | None, shown: str) -> None:
    assert gap(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "0"), (12.5, "12.5"), (1234567.4, "1\u00a0234\u00a0567"), (-2500.0, "-2500")],
)
def test_money(value: float, shown: str) -> None:
    assert money(value) == shown


def test_count() -> None:
    assert [count(3.0), count(0.76423), count(12.0)] == ["3", "0.764", "12"]


def test_destinations_and_shapes_in_words() -> None:
    assert destination("store:holder@works") == "holder at works"
    assert destination("burn:set@hub>bank@yard") == ("direct to set at hub, charging bank at yard")
    assert shape("flat") == "steady"
    assert shape("town") == "following town"


def test_goals_in_words_and_in_their_units() -> None:
    goal = GoalResult("clean_power to priority 1", "W", "max", 2400.0, None, None, "optimal")
    assert goal_title(goal) == "clean power to priority 1"
    assert [goal_value(goal, goal.value), goal_value(goal, goal.bound)] == ["2.4 kW", "-"]
    emissions = GoalResult("emissions", "kg/s", "min", 0.001, 0.0, 1.0, "optimal")
    assert goal_value(emissions, 0.001) == "31.6 t/a"  # 0.001 kg/s * 31 557 600 s


def test_a_knee_is_told_in_plain_numbers() -> None:
    assert "gains 3.5 times less than" in knee_words(3.5)
    assert "gains 250 times less than" in knee_words(251.0)
    assert "almost nothing" in knee_words(2e6)
