"""The summary against stored text, and the facts that it must not get wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.base.text import WIDTH
from allocator.network.cautions import cautions_for
from allocator.plans.records import Ceiling, Plan
from allocator.report.summary import summary
from allocator.site.records import Site

HERE = Path(__file__).parent
COVE_WHOLE = replace(
    COVE_PLAN,
    verified=True,
    cautions=cautions_for(COVE),
    limits=("stock: 860 kg of 900 kg of 'steel' is used",),
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


def test_the_three_figures_that_come_first() -> None:
    lines = summary(COVE, COVE_WHOLE, COVE_MEAN_PLAN).splitlines()
    assert lines[2] == (
        "Promised 6.75 kW clean at all times; "
        "a mean-basis sum would say 11.2 kW; no plan can pass 8 kW."
    )


def test_absent_facts_are_left_out() -> None:
    text = summary(COVE, replace(COVE_WHOLE, ceiling=Ceiling(None, None)), None)
    assert "no plan can pass" not in text
    assert "mean-basis" not in text
    assert "Power lines" not in text
    assert "-" in text.splitlines()[1]


def test_a_plan_on_averages_says_that_it_is_no_promise() -> None:
    text = summary(COVE, replace(COVE_MEAN_PLAN, verified=True))
    assert "no promise" in text
    assert "at all times;" not in text


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
