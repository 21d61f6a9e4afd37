"""Leaves out routes on which nothing can come or from which nothing can be used."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from allocator.network.records import Arc
from allocator.site.graph import walked
from allocator.site.records import Route


def useful(
    routes: Mapping[str, Arc],
    starts: Collection[tuple[str, str]],
    ends: Collection[str],
    planned: Collection[str],
) -> dict[str, Arc]:
    """Routes of planned fluids between a source and equipment; all routes of other fluids.

    ``starts``: (fluid, place) of sources and of machines that give the fluid. ``ends``: places of
    equipment; a store gives what came to it.
    """
    kept = {}
    for fluid in planned:
        mine = [r for r in routes.values() if r.stream is not None and r.stream.fluid == fluid]
        ahead = _steps(mine, backward=False)
        back = _steps(mine, backward=True)
        first = {node for f, node in starts if f == fluid}
        come, go = walked(first, ahead), walked(ends, back)
        for route in mine:
            ways = [(route.start, route.end)]
            if not route.one_way:
                ways.append((route.end, route.start))
            if any(a in come and b in go for a, b in ways):
                kept[route.name] = route
    return {
        name: route
        for name, route in routes.items()
        if name in kept or route.stream is None or route.stream.fluid not in planned
    }


def _steps(routes: Iterable[Route], backward: bool) -> dict[str, list[str]]:
    steps: dict[str, list[str]] = {}
    for route in routes:
        ways = [(route.start, route.end)]
        if not route.one_way:
            ways.append((route.end, route.start))
        for a, b in ways:
            first, second = (b, a) if backward else (a, b)
            steps.setdefault(first, []).append(second)
    return steps
