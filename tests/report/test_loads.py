"""Loads of machines by hand: gas that is taken direct from a source, over all time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.report.brief import brief_summary
from allocator.report.loads import burst_load, mean_load


def test_the_load_of_bursts_is_the_mean_of_what_is_taken_direct() -> None:
    """Puff gives 8 g/s for 1 h in 4, a set takes 4 g/s: 2 units for a quarter of the time."""
    (group,) = RIDGE_PLAN.machines
    assert burst_load(RIDGE, RIDGE_PLAN, group) == pytest.approx(2 * 0.25)
    assert mean_load(group) == pytest.approx(0.36)
    # 10 kW each: 0.86 units on average
    line = next(x for x in brief_summary(RIDGE, RIDGE_PLAN).splitlines() if x.startswith("  set "))
    assert "8.6 kW" in line


def test_two_sources_of_one_group_are_summed_and_those_of_another_left_out() -> None:
    """Slow with 2 g/s for 12 h in 48 adds 0.5 units for a quarter of the time."""
    puff, slow = RIDGE_PLAN.sources
    shared = replace(slow, collect={"burn:set@hub>bank@hub": 0.002})
    (group,) = RIDGE_PLAN.machines
    plan = replace(RIDGE_PLAN, sources=(puff, shared))
    assert burst_load(RIDGE, plan, group) == pytest.approx(0.5 + 0.125)
    other = replace(slow, collect={"burn:set@hub2>bank@hub": 0.002})
    plan = replace(RIDGE_PLAN, sources=(puff, other))
    assert burst_load(RIDGE, plan, group) == pytest.approx(0.5)


def test_a_group_that_takes_nothing_direct_has_none() -> None:
    assert [burst_load(COVE, COVE_PLAN, use) for use in COVE_PLAN.machines] == [0.0] * 3
