"""The site as a graph: against networkx on random sites, and by hand."""

from __future__ import annotations

import networkx
from hypothesis import given
from hypothesis import strategies as st

from allocator.site.graph import corridor_graph, reachable, spread, usable_places
from allocator.site.records import Built, BuiltPipe, Limits, PipeType, Place, Route, Site

PLACES = ("a", "b", "c", "d", "e")


def _site(routes: list[Route], excluded: tuple[str, ...] = (), built: Built | None = None) -> Site:
    return Site(
        name="graph",
        fluids={},
        materials={},
        places={name: Place(name, float(i)) for i, name in enumerate(PLACES)},
        sources={},
        storage={},
        pipes={"any": PipeType("any", 1.0), "gas": PipeType("gas", 1.0, fluids=("gas",))},
        routes={route.name: route for route in routes},
        machines={},
        demands={},
        limits=Limits(excluded_places=excluded),
        built=built or Built(),
    )


@st.composite
def _sites(draw: st.DrawFn) -> Site:
    ends = draw(st.lists(st.tuples(st.sampled_from(PLACES), st.sampled_from(PLACES)), max_size=9))
    routes = [
        Route(
            f"r{i}",
            start,
            end,
            draw(st.floats(1, 100)),
            draw(st.sampled_from([("any",), ("gas",), ("any", "gas")])),
            draw(st.booleans()),
        )
        for i, (start, end) in enumerate(ends)
        if start != end
    ]
    return _site(routes, tuple(draw(st.sets(st.sampled_from(PLACES), max_size=2))))


@given(_sites(), st.sampled_from(PLACES), st.sampled_from(["gas", "oil"]))
def test_reachable_agrees_with_networkx(site: Site, place: str, fluid: str) -> None:
    graph = networkx.DiGraph()
    graph.add_nodes_from(PLACES)
    for start, end, data in corridor_graph(site).edges(data=True):
        assert {start, end} == {data["start"], data["end"]}
    for _, _, name, data in corridor_graph(site).edges(keys=True, data=True):
        if fluid == "oil" and site.routes[name].pipes == ("gas",):
            continue
        graph.add_edge(data["start"], data["end"])
        if not data["one_way"]:
            graph.add_edge(data["end"], data["start"])
    assert reachable(site, place, fluid) == networkx.descendants(graph, place) | {place}
    assert spread(site, [place], fluid, backward=True) == (
        networkx.ancestors(graph, place) | {place}
    )


def test_graph_leaves_excluded_places_out() -> None:
    routes = [Route("ab", "a", "b", 7.0, ("any",), True), Route("bc", "b", "c", 5.0, ("any",))]
    graph = corridor_graph(_site(routes, excluded=("c",)))
    assert list(graph.nodes) == ["a", "b", "d", "e"]
    assert graph.nodes["b"] == {"x": 1.0, "y": 0.0, "elevation": 0.0}
    assert list(graph.edges(keys=True, data=True)) == [
        ("a", "b", "ab", {"length": 7.0, "one_way": True, "start": "a", "end": "b"})
    ]
    assert usable_places(_site(routes, excluded=("c",))) == ("a", "b", "d", "e")


def test_parallel_routes_stay_apart() -> None:
    routes = [Route("near", "a", "b", 1.0, ("any",)), Route("far", "b", "a", 2.0, ("any",))]
    assert sorted(corridor_graph(_site(routes)).edges(keys=True)) == [
        ("a", "b", "far"),
        ("a", "b", "near"),
    ]


def test_a_pipe_that_stands_carries_its_fluid() -> None:
    routes = [Route("ab", "a", "b", 1.0, ("gas",))]
    built = Built(pipes=(BuiltPipe("ab", "any", "oil"),))
    assert reachable(_site(routes), "a", "oil") == {"a"}
    assert reachable(_site(routes, built=built), "a", "oil") == {"a", "b"}
