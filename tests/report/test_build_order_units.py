"""A build order lists units one by one: no plan file may make it list a thousand million."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.base.errors import PlanFileError
from allocator.network.deriving import network_of
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.report.handover.build_order import build_order


def test_loads_beyond_all_units_list_no_more_than_there_are() -> None:
    """Found by benchmarks/faults.py: a damaged share of time took 24 GB."""
    machines = tuple(replace(machine, cycled=1e9) for machine in RIDGE_PLAN.machines)
    steps = build_order(network_of(RIDGE), replace(RIDGE_PLAN, machines=machines), None)
    assert 0 < len(steps) < 100


def test_more_units_than_can_be_listed_are_refused() -> None:
    data = json.loads(plan_to_json(RIDGE_PLAN))
    data["machines"][0]["count"] = 10_001
    with pytest.raises(PlanFileError, match="too large a whole number"):
        plan_from_json(json.dumps(data), "plan.json")
