"""Gas that runs in circles has a temperature, and a plan with it passes its audit on that count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import PipeFlow, Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.thermal import heat_of
from allocator.verify import audit

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
CASES = Path(__file__).resolve().parents[1] / "cases"


@pytest.fixture(scope="module")
def planned() -> tuple[Site, Plan]:
    site = network_of(read_site(NETWORKS / "cool_first.yaml"))
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    return site, plan


@pytest.mark.parametrize("times", [1.0, 1e3, 1e6])
def test_temperatures_settle_however_much_runs_in_a_circle(
    planned: tuple[Site, Plan], times: float
) -> None:
    """To and fro in one pipe, which no goal forbids: so many times what comes out of the ground."""
    site, plan = planned
    hottest = max(plan.heat.flows, key=lambda f: f.inlet)  # type: ignore[union-attr]
    run = next(r for r in plan.runs if (r.route, r.build) == (hottest.route, hottest.build))
    (flow, *_) = run.flows
    more = tuple(
        PipeFlow(start, end, flow.layer, flow.carries, times * flow.rate)
        for start, end in ((flow.start, flow.end), (flow.end, flow.start))
    )
    circling = replace(run, flows=(*run.flows, *more))
    turned = replace(plan, runs=tuple(circling if r is run else r for r in plan.runs))
    turned = replace(turned, heat=heat_of(network_of(site), turned))
    told = [b for b in audit(site, turned).breaches if b.rule in ("heat_given", "heat_mixing")]
    assert told == []


def test_a_fluid_that_flows_in_no_pipe_needs_no_temperatures() -> None:
    """Its heat capacity is not known, and nothing that is planned depends on it."""
    site = network_of(read_site(CASES / "temperature_no_routes.yaml"))
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    assert plan.heat is None
    assert audit(site, plan).accepted


def test_what_comes_hotter_than_equipment_bears_is_found_without_a_heat_capacity() -> None:
    site = network_of(read_site(CASES / "temperature_no_routes.yaml"))
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    hot = {n: replace(s, temperature=350.0) for n, s in site.sources.items()}
    found = audit(replace(site, sources=hot), plan)
    assert "max_inlet_temperature" in found.rules
