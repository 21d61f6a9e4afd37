"""The site as a graph: places, corridors, and where a fluid can get to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from allocator.site.records import Route, Site


def usable_places(site: Site) -> tuple[str, ...]:
    """Places that are not excluded, in file order."""
    return tuple(name for name in site.places if name not in site.limits.excluded_places)


def usable_routes(site: Site) -> tuple[Route, ...]:
    """Routes that touch no excluded place, in file order."""
    excluded = frozenset(site.limits.excluded_places)
    return tuple(
        route
        for route in site.routes.values()
        if route.start not in excluded and route.end not in excluded
    )


def reachable(site: Site, place: str, fluid: str) -> frozenset[str]:
    """Places that ``fluid`` can get to from ``place``, itself included.

    It moves along routes that touch no excluded place and where a pipe that may carry it may
    be laid, or stands; one-way routes only from their start.
    """
    return spread(site, (place,), fluid)


def spread(site: Site, starts: Iterable[str], fluid: str, backward: bool = False) -> frozenset[str]:
    """Places that ``fluid`` can get to from any of ``starts``, or (backward) from which it

    can get to any of them; ``starts`` included."""
    return walked(starts, _neighbours(site, fluid, backward))


def walked(starts: Iterable[str], following: Mapping[str, Iterable[str]]) -> frozenset[str]:
    """All that is come to from ``starts``, themselves included, by steps to what follows."""
    seen = set(starts)
    waiting = list(seen)
    while waiting:
        for place in following.get(waiting.pop(), ()):
            if place not in seen:
                seen.add(place)
                waiting.append(place)
    return frozenset(seen)


def _neighbours(site: Site, fluid: str, backward: bool) -> Mapping[str, list[str]]:
    existing = {run.route for run in site.built.pipes if run.fluid == fluid}
    following: dict[str, list[str]] = {}
    for route in usable_routes(site):
        able = any(site.may_carry(route.name, build, fluid) for build in route.pipes)
        if route.name not in existing and not able:
            continue
        start, end = (route.end, route.start) if backward else (route.start, route.end)
        following.setdefault(start, []).append(end)
        if not route.one_way:
            following.setdefault(end, []).append(start)
    return following
