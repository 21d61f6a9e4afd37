"""Cover cuts: held by the most that any laid builds carry, which a maximum flow gives."""

from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from drawn_flows import drawn_flows
from families import site_of
from proven_fields import carrying_of

from allocator.search.bounds.arrays import NetworkArrays
from allocator.search.bounds.cover_cuts import CoverCut, CoverFinder
from allocator.search.bounds.regions import Regions


def _laid(regions: Regions, chance: np.random.Generator, chosen: set[int]) -> dict[int, float]:
    """Capacities of links as some plan may lay them: at most one build a pipe, in one way."""
    links: dict[int, list[int]] = {}
    for link, pipe in enumerate(regions.pipe.tolist()):
        links.setdefault(pipe, []).append(link)
    found = {}
    for some in links.values():
        link = int(chance.choice([one for one in some if one in chosen] or some))
        if chance.random() < 0.6:
            builds = range(int(regions.build[link]), int(regions.build[link + 1]))
            found[link] = float(regions.capacity[int(chance.choice(list(builds)))])
    return found


def _most(net: NetworkArrays, regions: Regions, cut: CoverCut, laid: dict[int, float]) -> float:
    """The most that the origins of a cut can bring through its link."""
    link = int(regions.slot_link[cut.slots[0]])
    if link not in laid:
        return 0.0
    graph = nx.DiGraph()
    graph.add_nodes_from(["all", "there"])
    for node in range(len(net.first) - 1):
        for arc in range(int(net.first[node]), int(net.first[node + 1])):
            other = int(net.link[arc])
            if other == link:
                graph.add_edge(node, "there")
            elif other in laid:
                graph.add_edge(node, int(net.end[arc]), capacity=laid[other])
    for slot in cut.slots.tolist():
        origin = int(regions.slot_origin[slot])
        home, most = int(net.home[origin]), float(regions.most[origin])
        before = graph.edges["all", home]["capacity"] if graph.has_edge("all", home) else 0.0
        graph.add_edge("all", home, capacity=before + most)
    return min(laid[link], float(nx.maximum_flow_value(graph, "all", "there")))


@pytest.mark.parametrize("basis", ["mean", "firm"])
@pytest.mark.parametrize("seed", range(6))
def test_nothing_that_can_be_laid_carries_more(tmp_path: Path, basis: str, seed: int) -> None:
    made = carrying_of(site_of(tmp_path, 8, 10, 2), basis)
    net, regions = made._net, made._regions
    chance = np.random.default_rng(seed)
    link_of = np.repeat(np.arange(len(regions.pipe)), np.diff(regions.build))
    found, near = 0, 0.0
    for _ in range(16):
        flow, laid, main = drawn_flows(net, regions, chance)
        for cut in CoverFinder(net, regions).broken(flow, laid, main, 0.0):
            share = dict(zip(cut.builds.tolist(), cut.shares.tolist(), strict=True))
            spoken = sum(flow[slot] for slot in cut.slots.tolist())
            assert spoken > sum(value * laid[k] for k, value in share.items())
            found += 1
            chosen = {int(link) for link in link_of[cut.builds]}
            for _ in range(10):
                plan = _laid(regions, chance, chosen)
                allowed = sum(
                    value
                    for k, value in share.items()
                    if plan.get(int(link_of[k])) == regions.capacity[k]
                )
                carried = _most(net, regions, cut, plan)
                assert carried <= allowed + 1e-9
                near = max(near, carried / allowed if carried > 0.0 else 0.0)
    assert found > 3
    assert near > 0.99  # some are as low as they may be
