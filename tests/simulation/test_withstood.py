"""Promises that must hold without some sources: simulated without those that are needed most."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.engine import plan_site, prove_plan
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan, Robustness
from allocator.search import Settings
from allocator.simulation import SimulationSettings, simulate
from allocator.simulation.broken import broken_json, read_broken
from allocator.site.records import Site
from allocator.verify import audit

NETWORKS = Path(__file__).parents[2] / "networks"
ASKED = SimulationSettings(days=30.0, phases=2)


def three_digesters() -> Site:
    """The first example with three digesters side by side, the third twice as strong."""
    site = read_site(NETWORKS / "first.yaml")
    one = site.sources["digester"]
    two = replace(one, name="second")
    three = replace(one, name="third", flow=2 * one.flow)
    return replace(site, sources={"digester": one, "second": two, "third": three})


def planned(robustness: Robustness) -> tuple[Site, Plan]:
    site = three_digesters()
    result = plan_site(site, Settings(node_limit=500, robustness=robustness))
    plan, found = result.plan, result.audit
    assert found.accepted
    assert plan.power.firm_total > 0
    return site, plan


def test_a_promise_that_withstands_a_lost_source_holds_without_the_worst_one() -> None:
    site, plan = planned(Robustness(lost=1))
    trace = simulate(site, plan, ASKED)
    (without,) = (draw for draw in trace.draws if " without " in draw.name)
    # The largest sender to the store is the one that is needed most.
    sent = {s.name: s.collect.get("store:gas_holder@mill", 0.0) for s in plan.sources}
    (gone,) = without.shares
    assert sent[gone] == pytest.approx(max(sent.values()))
    assert without.kept
    (tank,) = without.tanks
    assert tank.need is not None
    assert tank.size - tank.lowest == pytest.approx(tank.need, rel=1e-6)


def test_a_plan_that_only_says_so_is_found_broken(tmp_path: Path) -> None:
    site, plan = planned(Robustness())
    boasting = replace(plan, robustness=Robustness(lost=1))
    trace = simulate(site, boasting, ASKED)
    (broken,) = trace.broken
    assert " without " in broken.name
    file = tmp_path / "broken.json"
    file.write_text(broken_json(trace))
    again = read_broken(file, network_of(site))
    (once_more,) = simulate(site, boasting, again.settings, again.reserves, given=again.runs).draws
    assert once_more.unserved_j == broken.unserved_j
    assert once_more.shares == broken.shares


def test_nothing_is_free_to_burn_where_sources_may_be_lost() -> None:
    """What the worst window of all sources leaves over stands in for the lost ones."""
    site, plan = planned(Robustness(lost=1))
    eager = simulate(site, plan, replace(ASKED, hold="need"))
    assert eager.kept
    (point,) = eager.set_points
    assert point.reserve == point.size
    proven, trace = prove_plan(site, replace(plan, verified=True), 1)
    assert trace.kept
    assert proven.verified
    assert proven.set_points is not None
    assert audit(site, proven).accepted
    (hold,) = proven.set_points.stores
    low = replace(hold, reserve=0.9 * hold.reserve)
    lower = replace(proven, set_points=replace(proven.set_points, stores=(low,)))
    assert "reserve_need" in audit(site, lower).rules
