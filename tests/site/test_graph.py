"""The site as a graph: against networkx on random sites, and by hand."""

from __future__ import annotations

import networkx
from hypothesis import given
from hypothesis import strategies as st

from allocator.site.graph import reachable, spread, usable_places, usable_routes
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
    for route in site.routes.values():
        closed = {route.start, route.end} & set(site.limits.excluded_places)
        if closed or (fluid == "oil" and route.pipes == ("gas",)):
            continue
        graph.add_edge(route.start, route.end)
        if not route.one_way:
            graph.add_edge(route.end, route.start)
    assert reachable(site, place, fluid) == networkx.descendants(graph, place) | {place}
    assert spread(site, [place], fluid, backward=True) == (
        networkx.ancestors(graph, place) | {place}
    )


def test_excluded_places_and_their_routes_are_left_out() -> None:
    routes = [Route("ab", "a", "b", 7.0, ("any",), True), Route("bc", "b", "c", 5.0, ("any",))]
    site = _site(routes, excluded=("c",))
    assert usable_places(site) == ("a", "b", "d", "e")
    assert usable_routes(site) == (routes[0],)


def test_a_pipe_that_stands_carries_its_fluid() -> None:
    routes = [Route("ab", "a", "b", 1.0, ("gas",))]
    built = Built(pipes=(BuiltPipe("ab", "any", "oil"),))
    assert reachable(_site(routes), "a", "oil") == {"a"}
    assert reachable(_site(routes, built=built), "a", "oil") == {"a", "b"}
