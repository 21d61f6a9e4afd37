"""The chart of the search over time: its marks, units and words."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from handmade_cove import COVE_PLAN

from allocator.plans.records import GoalResult
from allocator.report.page.axes import axis_of
from allocator.report.page.charts import Chart, search_chart

GOALS = {goal.name: goal for goal in COVE_PLAN.goals}
TICK = re.compile(r'<text x="([\d.]+)"[^>]*class="tick"[^>]*>([^<]*)</text>')


def chart_of(
    goal: GoalResult, *lines: tuple[float, float | None, float | None], currency: str = ""
) -> Chart:
    """``lines``: seconds, value and bound."""
    keys = ("seconds", "value", "bound")
    trail = [{"goal": goal.name, **dict(zip(keys, line, strict=True))} for line in lines]
    (chart,) = search_chart({"search": trail}, replace(COVE_PLAN, goals=(goal,)), currency)
    return chart


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.0, 9.0, ["0 s", "5 s"]),
        (0.0, 154.5, ["0 s", "50 s", "100 s", "150 s"]),
        (200.0, 245.0, ["200 s", "220 s", "240 s"]),
        (0.0, 1500.0, ["0 min", "10 min", "20 min"]),
        (0.0, 40_000.0, ["0 h", "5 h", "10 h"]),
    ],
)
def test_marks_of_time_are_round_in_one_unit(low: float, high: float, words: list[str]) -> None:
    axis = axis_of("duration", low, high, "")
    assert [axis.shown(mark) for mark in axis.marks(4)] == words


def test_time_counts_from_the_start_of_the_search() -> None:
    """The left end is 0 s, not the first plan, and the last step is within the drawing."""
    chart = chart_of(GOALS["clean_power"], (4.0, 1e3, 9e3), (8.0, 6e3, 9e3), (10.0, 6750.0, 7500.0))
    assert ("70", "0 s") in TICK.findall(chart.drawing)
    ends = re.findall(r'points="([^"]*)"', chart.drawing)
    assert [line.split()[-1].split(",")[0] for line in ends] == ["308", "308"]
    assert all(float(line.split()[-3].split(",")[0]) < 305.0 for line in ends)
    assert ends[1].startswith("162.43,")  # the first plan, at 4 s of 10.3 s
    assert chart.said == "plan 6.75 kW, proven limit 7.5 kW (dashed)"


def test_sums_of_money_have_room_and_their_currency_above() -> None:
    goal = replace(GOALS["money"], value=2.1e7)
    chart = chart_of(goal, (10.0, 2.4e7, None), (90.0, 2.1e7, None), currency="EUR")
    marks = [words for _, words in TICK.findall(chart.drawing) if not words.endswith(" s")]
    assert marks == ["0", "10\u00a0000\u00a0000", "20\u00a0000\u00a0000"]
    assert '<text x="4" y="19" class="axis">EUR</text>' in chart.drawing
    assert chart.said == "plan 21\u00a0000\u00a0000\u00a0EUR, no proven limit"


def test_a_plan_that_later_goals_changed_is_told_apart_from_the_line() -> None:
    chart = chart_of(GOALS["clean_power"], (1.0, 5e3, 9e3), (2.0, 6e3, 7500.0))
    assert chart.said == (
        "plan 6.75 kW (6 kW when the search for this goal ended), proven limit 7.5 kW (dashed)"
    )


def test_a_limit_without_a_plan_of_the_goal_is_drawn() -> None:
    chart = chart_of(GOALS["clean_power"], (1.0, None, 9e3), (2.0, None, 7500.0))
    assert chart.drawing.count("<polyline") == 1
    assert chart.said.startswith("plan 6.75 kW, proven limit")
