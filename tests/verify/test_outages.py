"""Pressures with units out of order: in no direction of a pipe flows more than in the plan."""

from __future__ import annotations

from dataclasses import replace

import pytest
from pressed_sites import LINE

from allocator.engine.planning import plan_site
from allocator.network.reading import read_site
from allocator.plans.records import Plan, Robustness, Run
from allocator.search import Settings
from allocator.site.records import Site
from allocator.verify import audit


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Plan]:
    """Engines at both ends of a line, any one of which may be out of order."""
    path = tmp_path_factory.mktemp("line") / "site.yaml"
    path.write_text(LINE.replace("{works: 30}", "{works: 3, yard: 3}"), encoding="utf-8")
    site = read_site(path)
    settings = Settings(node_limit=100, threads=1, robustness=Robustness(machines=1))
    found = plan_site(site, settings)
    assert [str(breach) for breach in found.audit.breaches] == []
    return site, found.plan


def test_a_plan_whose_pressures_are_computed_holds_with_units_out(made: tuple[Site, Plan]) -> None:
    site, plan = made
    assert plan.power.firm_clean > 0
    assert len(plan.outages) == sum(machine.count > 0 for machine in plan.machines)
    assert audit(site, plan).checks["outage_flow"] > 0


def test_more_flow_than_in_the_plan_is_a_breach(made: tuple[Site, Plan]) -> None:
    site, plan = made

    def more(run: Run) -> Run:
        flows = tuple(replace(flow, rate=3.0 * flow.rate + 0.01) for flow in run.flows)
        return replace(run, flows=flows)

    outage = next(one for one in plan.outages if one.runs)
    bad = replace(outage, runs=tuple(more(run) for run in outage.runs))
    others = tuple(bad if one is outage else one for one in plan.outages)
    assert "outage_flow" in audit(site, replace(plan, outages=others)).rules
