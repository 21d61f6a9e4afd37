"""Pipe builds, routes and power lines."""

from __future__ import annotations

import math
from collections.abc import Mapping

from allocator.site.records import Build, Layer, Line, Place, Route
from allocator.site.table import Values


def read_builds(section: Mapping[str, Values]) -> dict[str, Build]:
    """Every pipe build that is whole."""
    builds = {}
    for name, values in section.items():
        if not values.has("capacity"):
            if values.has("bore"):
                values.fault_here(
                    "bore",
                    "has 'bore' without 'capacity': capacity from the bore is not yet computed",
                    "add 'capacity: 12 g/s' with your own figure",
                )
            else:
                values.fault("capacity", "needs the key 'capacity'", "add 'capacity: 12 g/s'")
        if values.whole:
            layers = tuple(Layer(**layer.found) for layer in values.get("layers", ()))
            builds[name] = Build(name, **{**values.found, "layers": layers})
    return builds


def read_routes(
    section: Mapping[str, Values], places: Mapping[str, Values], builds: tuple[str, ...]
) -> dict[str, Route]:
    """Every route that is whole. Without 'builds' all of the site's may be laid."""
    routes = {}
    for name, values in section.items():
        length = _length(values, places)
        if not values.has("builds") and not builds:
            values.fault("builds", "has no build that may be laid", "list pipes under 'builds'")
        if values.whole and length is not None:
            start, end = values.get("between")
            routes[name] = Route(
                name,
                start,
                end,
                length,
                values.get("builds", builds),
                values.get("one_way"),
                values.get("cost"),
            )
    return routes


def read_lines(section: Mapping[str, Values], places: Mapping[str, Values]) -> dict[str, Line]:
    """Every power line that is whole."""
    lines = {}
    for name, values in section.items():
        length = _length(values, places)
        if values.whole and length is not None:
            start, end = values.get("between")
            lines[name] = Line(
                name,
                start,
                end,
                values.get("capacity"),
                length,
                values.get("loss"),
                dict(values.get("materials", {})),
                values.get("price"),
            )
    return lines


def _length(values: Values, places: Mapping[str, Values]) -> float | None:
    """The length given, or the straight line times the winding; None where that is faulty."""
    between: tuple[str, str] | None = values.get("between")
    if between is None:
        return None
    if between[0] == between[1]:
        values.fault("between", f"joins '{between[0]}' to itself", "name two places")
        return None
    length: float | None = values.get("length")
    if length is not None or values.has("length"):
        return length
    if any(not (place in places and places[place].whole) for place in between):
        return None  # the fault is noted at the place
    for place in between:
        if not places[place].has("at"):
            values.fault_here(
                "between",
                f"needs 'length', as the place '{place}' has no coordinates",
                f"add 'length: 900 m', or 'at' to the place '{place}'",
            )
            return None
    straight = straight_line(places[between[0]], places[between[1]])
    if straight <= 0:
        values.fault_here(
            "between",
            f"has no length: '{between[0]}' and '{between[1]}' stand at the same point",
            "add 'length: 900 m'",
        )
        return None
    return straight * float(values.get("winding", 1.0))


def straight_line(start: Values | Place, end: Values | Place) -> float:
    """Distance in space, m."""
    return math.dist(_point(start), _point(end))


def _point(place: Values | Place) -> tuple[float, float, float]:
    if isinstance(place, Place):
        return (place.x, place.y, place.elevation)
    x, y = place.get("at", (0.0, 0.0))
    return (x, y, place.get("elevation"))
