"""What weights say of single ways and builds, against a general library and slow code."""

from pathlib import Path

import networkx
import numpy as np
import pytest
from families import site_of

from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search.bounds.arrays import Floats, network_arrays_of
from allocator.search.bounds.path_columns import path_formulation
from allocator.search.bounds.reducing import costs_beyond, detours, excesses
from allocator.search.bounds.regions import Regions, packed_regions, regions_of

EXIT = "exit"


@pytest.fixture(name="made", params=[6, 160])
def _made(tmp_path: Path, request: pytest.FixtureRequest) -> tuple[Regions, Floats, Floats]:
    """Regions of a small site, small or whole; weights by slot, and an extra of each end."""
    full, sets = state(network_of(site_of(tmp_path, 8, 10, 2)), "firm")
    net, ends = network_arrays_of(path_formulation(full, sets), sets)
    chance = np.random.default_rng(1)
    length = chance.exponential(1.0, len(net.pipe))
    regions = regions_of(net, ends, length, most=request.param)
    weight = chance.exponential(1.0, len(regions.slot_link))
    weight[chance.random(len(weight)) < 0.1] = np.inf  # not laid
    return regions, weight, chance.normal(0.0, 2.0, len(ends.node))


def arcs_of(regions: Regions, origin: int) -> list[tuple[int, int, int | str]]:
    """Number, start and end of the arcs of an origin's region."""
    first = int(regions.node_first[origin])
    found: list[tuple[int, int, int | str]] = []
    for node in range(first, int(regions.node_first[origin + 1])):
        for arc in range(int(regions.arc_first[node]), int(regions.arc_first[node + 1])):
            end = int(regions.arc_end[arc])
            found.append((arc, node - first, end if end >= 0 else EXIT))
    return found


def graph_of(regions: Regions, weight: Floats, origin: int) -> networkx.DiGraph:
    """A region; beyond its exit nothing weighs anything, and any node is reached again."""
    graph = networkx.DiGraph()
    for node in range(int(regions.node_first[origin + 1] - regions.node_first[origin])):
        graph.add_edge(EXIT, node, weight=0.0)
    for arc, start, end in arcs_of(regions, origin):
        length = float(weight[regions.arc_slot[arc]])
        if length < np.inf:
            known = graph.get_edge_data(start, end, {"weight": np.inf})["weight"]
            graph.add_edge(start, end, weight=min(known, length))
    return graph


def ends_of(regions: Regions, origin: int) -> list[tuple[int, int | str]]:
    low, high = int(regions.end_first[origin]), int(regions.end_first[origin + 1])
    nodes = ((n, int(regions.end_node[n])) for n in range(low, high))
    return [(n, node if node >= 0 else EXIT) for n, node in nodes]


def test_excesses_are_those_of_the_cheapest_ways_through_each_arc(
    made: tuple[Regions, Floats, Floats],
) -> None:
    regions, weight, extra = made
    found, leaving = excesses(packed_regions(regions), weight, extra)
    for origin in range(len(regions.most)):
        graph = graph_of(regions, weight, origin)
        far = networkx.single_source_dijkstra_path_length(graph, 0)
        onward = {}
        for node in graph:
            ahead = networkx.single_source_dijkstra_path_length(graph, node)
            listed = ends_of(regions, origin)
            onward[node] = min(
                (ahead.get(at, np.inf) + float(extra[n]) for n, at in listed), default=np.inf
            )
        assert leaving[origin] == pytest.approx(far.get(EXIT, np.inf) + onward[EXIT])
        for arc, start, end in arcs_of(regions, origin):
            way = far.get(start, np.inf) + float(weight[regions.arc_slot[arc]]) + onward[end]
            assert found[arc] == pytest.approx(way)


def test_detours_use_an_arc_that_is_not_kept(made: tuple[Regions, Floats, Floats]) -> None:
    regions, weight, _ = made
    kept = np.random.default_rng(2).random(len(regions.arc_end)) < 0.7
    found = detours(packed_regions(regions), weight, kept)
    for origin in range(len(regions.most)):
        graph = graph_of(regions, weight, origin)
        far = networkx.single_source_dijkstra_path_length(graph, 0)
        after = dict.fromkeys(graph, np.inf)
        after[EXIT] = far.get(EXIT, np.inf)
        whole = networkx.DiGraph(graph)
        for arc, start, end in arcs_of(regions, origin):
            length = float(weight[regions.arc_slot[arc]])
            if length < np.inf and not kept[arc]:
                after[end] = min(after[end], far.get(start, np.inf) + length)
        for node, begins in after.items():
            if begins < np.inf:
                whole.add_edge("begin", node, weight=begins)
        around: dict[object, float] = {}
        if "begin" in whole:
            around = networkx.single_source_dijkstra_path_length(whole, "begin")
        for n, at in ends_of(regions, origin):
            assert found[n] == pytest.approx(around.get(at, np.inf))


def test_builds_collect_from_those_with_most_weight_first(
    made: tuple[Regions, Floats, Floats],
) -> None:
    regions, weight, _ = made
    needed = np.where(np.isfinite(weight), weight, 0.0)
    cost = np.random.default_rng(3).exponential(1.0, len(regions.capacity))
    found = costs_beyond(packed_regions(regions), needed, cost)
    for link in range(len(regions.pipe)):
        slots = regions.link_slot[regions.link_first[link] : regions.link_first[link + 1]]
        for k in range(int(regions.build[link]), int(regions.build[link + 1])):
            left, total = float(regions.capacity[k]), 0.0
            for slot in sorted(slots.tolist(), key=lambda one: -needed[one]):
                part = min(left, float(regions.most[regions.slot_origin[slot]]))
                total, left = total + part * float(needed[slot]), left - part
            assert found[k] == pytest.approx(cost[k] - total)
