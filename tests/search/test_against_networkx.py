"""Cheapest and greatest flows on 200 random networks against networkx.

The reference is ``networkx.network_simplex`` and ``networkx.maximum_flow_value`` (Hagberg, Schult
& Swart, Proc. SciPy 2008), which work on whole numbers and are exact on them.
"""

from __future__ import annotations

import random

import networkx as nx
import pytest
from transport_sites import Arc, flow_site, goal, planned

NETWORKS = 100
"""Of each kind."""

BATCH = 10


def _network(chance: random.Random) -> nx.DiGraph:
    """Four to eight nodes on a ring with chords; whole capacities and costs."""
    nodes = chance.randint(4, 8)
    graph = nx.DiGraph()
    pairs = [(number, (number + 1) % nodes) for number in range(nodes)]
    pairs += [tuple(chance.sample(range(nodes), 2)) for _ in range(chance.randint(2, 2 * nodes))]
    for start, end in pairs:
        graph.add_edge(
            start, end, capacity=chance.randint(1, 20), weight=chance.choice([0, 1, 2, 3, 5, 8])
        )
    return graph


def _arcs(graph: nx.DiGraph) -> list[Arc]:
    return [
        Arc(str(start), str(end), float(data["capacity"]), float(data["weight"]))
        for start, end, data in graph.edges(data=True)
    ]


@pytest.mark.parametrize("batch", range(NETWORKS // BATCH))
def test_greatest_flows(batch: int) -> None:
    for seed in range(batch * BATCH, (batch + 1) * BATCH):
        chance = random.Random(f"greatest {seed}")
        graph = _network(chance)
        start, end = chance.sample(sorted(graph), 2)
        expected = nx.maximum_flow_value(graph, start, end)
        plenty = float(sum(data["capacity"] for _, _, data in graph.edges(data=True)))
        site = flow_site(_arcs(graph), {str(start): plenty}, {str(end): plenty}, ("served_fluid",))
        found = goal(planned(site), "served_fluid")
        assert found == pytest.approx(expected, rel=1e-6), f"network {seed}"


@pytest.mark.parametrize("batch", range(NETWORKS // BATCH))
def test_cheapest_flows(batch: int) -> None:
    for seed in range(batch * BATCH, (batch + 1) * BATCH):
        chance = random.Random(f"cheapest {seed}")
        graph = _network(chance)
        nodes = sorted(graph)
        chance.shuffle(nodes)
        givers, takers = nodes[:2], nodes[2:4]
        moved = [chance.randint(1, 12) for _ in givers]
        first = chance.randint(1, sum(moved) - 1)
        wanted = [first, sum(moved) - first]
        for giver, taker in zip(givers, takers, strict=True):
            # A dear road with room for all, so that there is always a flow.
            graph.add_edge(giver, taker, capacity=100, weight=30)
            graph.add_edge(taker, takers[0], capacity=100, weight=30)
            graph.add_edge(taker, takers[1], capacity=100, weight=30)
        graph.remove_edges_from(list(nx.selfloop_edges(graph)))
        for giver, amount in zip(givers, moved, strict=True):
            graph.nodes[giver]["demand"] = -amount
        for taker, amount in zip(takers, wanted, strict=True):
            graph.nodes[taker]["demand"] = amount
        expected, _ = nx.network_simplex(graph)
        site = flow_site(
            _arcs(graph),
            {str(node): float(amount) for node, amount in zip(givers, moved, strict=True)},
            {str(node): float(amount) for node, amount in zip(takers, wanted, strict=True)},
            ("money",),
            min_share=1.0,
        )
        found = goal(planned(site), "money")
        assert found == pytest.approx(expected, rel=1e-5), f"network {seed}"
