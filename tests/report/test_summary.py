"""The summary against stored text, and the facts that it must not get wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.base.status import Status
from allocator.base.text import WIDTH
from allocator.network.cautions import cautions_for
from allocator.network.reading import read_site
from allocator.plans.file import read_plan
from allocator.plans.records import Ceiling, GoalResult, Plan
from allocator.report.brief import brief_summary as summary
from allocator.report.brief import cautions_text
from allocator.report.page.first_screen import said_of
from allocator.report.summary import full_summary
from allocator.site.records import Site

HERE = Path(__file__).parent
COVE_WHOLE = replace(
    COVE_PLAN,
    verified=True,
    cautions=cautions_for(COVE),
    limits=("stock.steel: 860 kg of 900 kg used",),
)


@pytest.mark.parametrize(
    ("name", "site", "plan", "mean"),
    [
        ("cove", COVE, COVE_WHOLE, COVE_MEAN_PLAN),
        ("cove_mean", COVE, replace(COVE_MEAN_PLAN, verified=True), None),
        ("ridge", RIDGE, RIDGE_PLAN, None),
    ],
)
def test_summary_as_stored(name: str, site: Site, plan: Plan, mean: Plan | None) -> None:
    stored = (HERE / "summaries" / f"{name}.txt").read_text(encoding="utf-8")
    assert summary(site, plan, mean) == stored
    whole = (HERE / "summaries" / f"{name}_full.txt").read_text(encoding="utf-8")
    assert full_summary(site, plan, mean) == whole


def test_the_three_figures_that_come_first() -> None:
    lines = summary(COVE, COVE_WHOLE, COVE_MEAN_PLAN).splitlines()
    assert lines[2].startswith("Firm clean power 6.75 kW (56.2 % of demand)")
    assert lines[4] == (
        "Average-flow estimate: clean 11.2 kW, all 11.2 kW. "
        "Limit, profiles kept: clean 8 kW, all 9 kW."
    )


def test_absent_facts_are_left_out() -> None:
    text = summary(COVE, replace(COVE_WHOLE, ceiling=Ceiling(None, None)), None)
    assert "under any control" not in text
    assert "Average-flow" not in text
    assert "Power lines" not in text
    assert "-" in text.splitlines()[1]


def test_a_plan_on_averages_says_that_it_is_no_promise() -> None:
    text = summary(COVE, replace(COVE_MEAN_PLAN, verified=True))
    assert "not firm" in text
    assert "Firm clean" not in text


def test_a_plan_that_failed_its_audit_says_so_loudly() -> None:
    text = summary(COVE, replace(COVE_WHOLE, verified=False))
    first = text.splitlines()[0]
    assert first.endswith("NOT VERIFIED")
    assert "THIS PLAN FAILED ITS AUDIT" in text
    assert "NOT VERIFIED" not in summary(COVE, COVE_WHOLE)


def test_nothing_is_wider_than_a_terminal() -> None:
    long = "a very long name of a store that nobody would type " * 3
    plan = replace(COVE_WHOLE, site_name=long, limits=(long,))
    lines = summary(COVE, plan, COVE_MEAN_PLAN).splitlines()
    assert max(map(len, lines)) <= WIDTH


def test_thirty_things_to_build_fit_one_screen() -> None:
    site = read_site(HERE.parents[1] / "networks" / "harbour_capacities.yaml")
    plan = read_plan(HERE / "summaries" / "harbour.json")
    lines = summary(site, replace(plan, ceiling=Ceiling(5e5, 6e5)), plan).splitlines()
    assert len(plan.sources) + len(plan.machines) + len(plan.stores) >= 25
    assert len(lines) <= 45
    assert max(map(len, lines)) <= 100


def test_the_last_lines_stand_apart_where_there_is_room() -> None:
    lines = summary(COVE, COVE_WHOLE, COVE_MEAN_PLAN).splitlines()
    (last,) = (number for number, line in enumerate(lines) if line.startswith("Next: "))
    assert lines[last - 1] == ""
    site = read_site(HERE.parents[1] / "networks" / "harbour_capacities.yaml")
    plan = read_plan(HERE / "summaries" / "harbour.json")
    reasons = ("limit one " * 25, "limit two " * 25, "limit three " * 25)
    full = summary(site, replace(plan, limits=reasons, ceiling=Ceiling(5e5, 6e5)), plan)
    assert "\n\nNext: " not in full


def test_a_gap_behind_an_open_goal_is_no_failure() -> None:
    first = GoalResult("clean_power", "W", "max", 6750.0, 8000.0, 0.16, Status.TIME_LIMIT)
    later = GoalResult("served_power", "W", "max", 7750.0, 15500.0, 0.5, Status.TIME_LIMIT)
    text = summary(COVE, replace(COVE_WHOLE, goals=(first, later)))
    assert "no firm plan can have more than 8 kW (gap 16 %)" in text
    assert "50 %" not in text


def test_a_limit_that_earlier_goals_hold_down_says_so() -> None:
    """Its plans keep the earlier goals: no limit of all plans, unless nothing could pass it."""
    first = GoalResult("clean_power", "W", "max", 6000.0, 6000.0, 0.0, Status.OPTIMAL)
    later = GoalResult("served_power", "W", "max", 7750.0, 7750.0, 0.0, Status.OPTIMAL)
    plan = replace(COVE_WHOLE, goals=(first, later), ceiling=Ceiling(6000.0, 9000.0))
    text = " ".join(summary(COVE, plan).split())
    assert "no firm plan can have more than 6 kW (gap 0 %)." in text
    held = "no firm plan can have more than 7.75 kW with the goals before it as planned (gap 0 %)."
    assert held in text
    said = "Proven limits of later goals are those with the goals before it as planned."
    assert said in " ".join(full_summary(COVE, plan).split())
    free = replace(plan, ceiling=Ceiling(6000.0, 7750.0))
    assert "no firm plan can have more than 7.75 kW (gap 0 %)." in " ".join(
        summary(COVE, free).split()
    )
    assert said not in " ".join(full_summary(COVE, free).split())


def test_a_limit_that_a_priority_holds_down_says_so() -> None:
    names = ("clean_power to priority 1", "clean_power")
    goals = (GoalResult(n, "W", "max", 6750.0, 6750.0, 0.0, Status.OPTIMAL) for n in names)
    plan = replace(COVE_WHOLE, goals=tuple(goals), ceiling=Ceiling(8e3, 9e3))
    text = " ".join(summary(COVE, plan).split())
    assert "can have more than 6.75 kW with the goals before it as planned (gap 0 %)" in text
    (clean, *_) = said_of(plan)
    assert "proven limit 6.75 kW with the goals before it as planned" in clean.words


def test_cautions_are_whole_in_their_file_and_full_text_and_counted_on_the_screen() -> None:
    for caution in COVE_WHOLE.cautions:
        start = caution[:30]
        assert start in cautions_text(COVE_WHOLE)
        assert start in full_summary(COVE, COVE_WHOLE)
    assert f"{len(COVE_WHOLE.cautions)} cautions in cautions.txt" in summary(COVE, COVE_WHOLE)
