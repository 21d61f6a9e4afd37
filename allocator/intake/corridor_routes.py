"""Corridors as routes and places of a site file, beside what its user wrote.

A route that states its length or its bends stays as it is, and a corridor between the same places
is one more route. One that states neither gets those of the corridor, and keeps all else. One that
states neither where no corridor joins its places is left out: its straight line may cross any
ground. A stated elevation stays. A note tells of each.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from allocator.base.quantities import exact_text
from allocator.intake.corridors import Found, ground_factor, told_length
from allocator.intake.former_corridors import Former, named_elsewhere, states_course
from allocator.intake.least_cost import GroundWay
from allocator.site.records import Route, Site

Tree = dict[str, Any]
NEAR = 0.05
"""m: lengths and coordinates that are written alike."""
NAMED = 10
"""Names in a note."""


def with_corridors(
    tree: Mapping[str, Any], site: Site, found: Found, former: Former
) -> tuple[Tree, tuple[str, ...]]:
    """The tree of a site file with the corridors, and notes of what else changed or did not.

    Parameters
    ----------
    tree, site
        The file as it is written, and what it says.
    found
        The corridors, found without the former junctions.
    former
        What an earlier search wrote, which the corridors replace.
    """
    notes: list[str] = []
    places = _places(tree, site, found, former, notes)
    routes = _routes(tree, site, found, former, notes)
    return {**tree, "places": places, "routes": routes}, tuple(notes)


def _places(
    tree: Mapping[str, Any], site: Site, found: Found, former: Former, notes: list[str]
) -> Tree:
    places = {
        name: dict(value or {})
        for name, value in (tree.get("places") or {}).items()
        if name not in former.junctions
    }
    for name, (east, north) in found.junctions.items():
        places[name] = {"at": [exact_text(east, "length"), exact_text(north, "length")]}
    for name, height in found.heights.items():
        if "elevation" not in places[name]:
            places[name]["elevation"] = exact_text(round(height, 2), "length")
        elif abs(site.places[name].elevation - height) > NEAR:
            notes.append(
                f"place {name!r} keeps its elevation of {site.places[name].elevation:g} m; "
                f"the grid has {height:.2f} m there"
            )
    return places


def _routes(
    tree: Mapping[str, Any], site: Site, found: Found, former: Former, notes: list[str]
) -> Tree:
    ways = {frozenset((way.start, way.end)): way for way in found.ways}
    elsewhere = named_elsewhere(tree)
    routes: Tree = {}
    joined: set[frozenset[str]] = set()
    beside: dict[frozenset[str], str] = {}
    for name, keys in (tree.get("routes") or {}).items():
        if name in former.routes:
            continue
        route = site.routes[name]
        ends = frozenset((route.start, route.end))
        way, stated = ways.get(ends), states_course(tree, name)
        if way is not None and (not stated or _same(route, way, found)):
            joined.add(ends)
            routes[name] = _with_course(keys, route, way, found)
            if "detour_factor" in keys:
                notes.append(f"route {name!r}: the length found replaces its detour_factor")
            if "ground_factor" in keys and route.ground_factor != ground_factor(way):
                notes.append(
                    f"route {name!r}: its ground_factor of {route.ground_factor:g} is now "
                    f"{ground_factor(way):g}"
                )
        elif stated or name in elsewhere:
            routes[name] = dict(keys)
            if way is None:
                notes.append(f"route {name!r} stays as it is; no corridor joins its places alone")
            else:
                beside[ends] = name
        else:
            notes.append(
                f"route {name!r} is left out: no corridor joins {route.start!r} and {route.end!r} "
                "alone, and a straight line may cross any ground; give its length to keep it"
            )
    taken = {*(tree.get("routes") or {})} - former.routes
    for ends, way in ways.items():
        if ends in joined:
            continue
        name = _free(f"{way.start}_{way.end}", taken)
        taken.add(name)
        routes[name] = _course(way, found)
        if ends in beside:
            kept = site.routes[beside[ends]]
            notes.append(
                f"route {kept.name!r} stays as it is, {kept.length:.1f} m; the corridor beside it "
                f"is {name!r}, {way.length:.1f} m"
            )
    if former.routes:
        notes.append(_found_again(sorted(former.routes), site, routes))
    return routes


def _found_again(names: list[str], site: Site, routes: Tree) -> str:
    """What became of routes of an earlier search."""
    gone = [name for name in names if name not in routes]
    other = [
        f"{name!r} ({site.routes[name].length:.1f} m before)"
        for name in names
        if name in routes
        and routes[name]["length"] != exact_text(round(site.routes[name].length, 1), "length")
    ]
    told = [f"{len(names)} routes of an earlier search, by their names, were found again"]
    for words, some in (("of another length", other), ("not any more", [repr(n) for n in gone])):
        if some:
            more = f" and {len(some) - NAMED} more" if len(some) > NAMED else ""
            told.append(f"{words}: {', '.join(some[:NAMED])}{more}")
    return "; ".join(told)


def _free(name: str, taken: set[str]) -> str:
    """The name, or the first one after it that is free."""
    others = (f"{name}_{number}" for number in itertools.count(2))
    return next(one for one in itertools.chain([name], others) if one not in taken)


def _same(route: Route, way: GroundWay, found: Found) -> bool:
    """Whether a route has the length and bends of a corridor."""
    points = found.points(way)[1:-1]
    if route.start != way.start:
        points = points[::-1]
    return (
        abs(route.length - way.length) <= 0.1 + NEAR  # rounded up, and once to the nearest
        and len(points) == len(route.via)
        and all(
            abs(value - other) <= NEAR
            for point, bend in zip(points, route.via, strict=True)
            for value, other in zip(point, bend, strict=True)
        )
    )


def _with_course(keys: Mapping[str, Any], route: Route, way: GroundWay, found: Found) -> Tree:
    """A route of the user's with the course of a corridor, its bends from its first place."""
    rest = {k: v for k, v in keys.items() if k not in ("detour_factor", "via", "ground_factor")}
    return {**rest, **_course(way, found, route.start != way.start), "between": keys["between"]}


def _course(way: GroundWay, found: Found, turned: bool = False) -> Tree:
    """A route along a corridor."""
    bends = [[exact_text(value, "length") for value in point] for point in found.points(way)]
    bends = (bends[::-1] if turned else bends)[1:-1]
    factor = ground_factor(way)
    return {
        "between": [way.start, way.end],
        **({"via": bends} if bends else {}),
        "length": exact_text(told_length(way), "length"),
        **({} if factor == 1.0 else {"ground_factor": repr(factor)}),
    }
