"""Goals whose values are rounding are told as 0, on the page and in the text alike."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.base.status import Status
from allocator.network.deriving import network_of
from allocator.plans.records import Emissions, GoalResult, Plan
from allocator.report.bill import bill_of_materials, running_money
from allocator.report.page import page_html
from allocator.report.summary import full_summary
from allocator.report.words import without_dust


def with_emissions(value: float, bound: float | None) -> Plan:
    gap = None if bound is None else abs(value - bound) / max(abs(value), abs(bound), 1e-15)
    goal = GoalResult("emissions", "kg/s", "min", value, bound, gap, Status.OPTIMAL, "solver")
    kept = tuple(one for one in COVE_PLAN.goals if one.name != "emissions")
    counted = replace(COVE_PLAN.emissions, counted=max(0.0, value))
    assert isinstance(counted, Emissions)
    return replace(COVE_PLAN, goals=(*kept, goal), emissions=counted)


@pytest.mark.parametrize(("value", "bound"), [(-6.9e-18, -6.9e-18), (7.8e-13, 0.0)])
def test_dust_is_nothing(value: float, bound: float) -> None:
    plan = with_emissions(value, bound)
    text = full_summary(network_of(COVE), plan)
    (line,) = [line for line in text.splitlines() if "minimum emissions" in line]
    assert re.search(r"emissions +0 kg/a +0 kg/a +0 %", line), line
    page = " ".join(page_html(network_of(COVE), plan).split())
    assert "e-1" not in re.sub(r'data-x="[^"]*"', "", page[page.index("minimum emissions") :][:400])
    assert "limit 0 kg/a" in page


def test_small_amounts_that_are_there_stay() -> None:
    told = without_dust(with_emissions(1e-6, 9e-7)).goals[-1]
    assert (told.value, told.bound) == (1e-6, 9e-7)


def test_rounding_is_no_running_cost() -> None:
    built = sum(line.counted for line in bill_of_materials(network_of(COVE), COVE_PLAN))
    plan = replace(COVE_PLAN, money=built + 1.8e-12 * built)
    assert running_money(network_of(COVE), plan) == 0.0
    page = " ".join(page_html(network_of(COVE), plan).split())
    assert "to build" in page
    assert "to run for" not in page
