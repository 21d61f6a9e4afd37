"""Laws of planning again: what is served comes first, and no known plan changes less."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tiny_sites import tiny_site

import allocator as al
from allocator.model.least_change import LIGHT
from allocator.network.deriving import network_of
from allocator.site.records import Site

SETTINGS = al.Settings(node_limit=2000, gap=1e-6)


def changed_mass(site: Site, former: al.Plan, plan: al.Plan) -> float:
    """kg in what only one of two plans builds, worked out from the plans alone."""
    network = network_of(site)

    def mass(materials: dict[str, float]) -> float:
        return max(LIGHT, sum(materials.values()))

    total = 0.0
    taps = [{s.name for s in p.sources if s.tapped} for p in (former, plan)]
    for name in taps[0] ^ taps[1]:
        total += mass(dict(site.sources[name].connection_materials))
    laid = [{(r.route, r.build, r.fluid) for r in p.runs} for p in (former, plan)]
    for route, build, _ in laid[0] ^ laid[1]:
        metre = sum(layer.mass for layer in network.pipes[build].layers)
        total += max(LIGHT, metre * network.routes[route].length)
    counts = [{m.name: m.count for m in p.machines} for p in (former, plan)]
    for name in counts[0].keys() | counts[1].keys():
        units = abs(counts[0].get(name, 0) - counts[1].get(name, 0))
        total += units * mass(dict(network.machines[name.partition("@")[0]].materials))
    sizes = [{u.name: u.size for u in (*p.stores, *p.batteries)} for p in (former, plan)]
    for name in sizes[0].keys() | sizes[1].keys():
        kind = network.storage[name.partition("@")[0]]
        each = sum(kind.materials.values()) or LIGHT / kind.max_size
        total += each * abs(sizes[0].get(name, 0.0) - sizes[1].get(name, 0.0))
    return total


@pytest.mark.parametrize("seed", range(1, 6))
def test_no_plan_that_serves_as_much_changes_less(seed: int) -> None:
    site = tiny_site(seed, battery=seed % 2 == 1, stores=True)
    former = al.plan(site, node_limit=2000, gap=1e-6, prove=0).plan
    steel = site.materials["steel"]
    assert steel.stock is not None
    less = replace(
        site, materials={**site.materials, "steel": replace(steel, stock=0.8 * steel.stock)}
    )
    plain = al.plan(less, node_limit=2000, gap=1e-6, prove=0).plan
    kept = al.replan(less, former, keep_weight=0.0, settings=SETTINGS)
    assert kept.audit.accepted
    value = plain.goals[0].value
    assert kept.plan.goals[0].value == pytest.approx(value, rel=1e-5, abs=1e-6)
    room = 1e-4 * max(LIGHT, steel.stock)
    assert changed_mass(less, former, kept.plan) <= changed_mass(less, former, plain) + room
    # weighed: never more changed than without weight, never less served than may be given up
    weighed = al.replan(less, former, keep_weight=0.2, settings=SETTINGS).plan
    assert changed_mass(less, former, weighed) <= changed_mass(less, former, kept.plan) + room
    assert weighed.goals[0].value >= value - 0.2 * abs(former.goals[0].value) - 1e-6
