"""Pipes, routes and power lines."""

from __future__ import annotations

import math
from collections.abc import Mapping

from allocator.site.records import Layer, Line, Material, PipeType, Place, Route
from allocator.site.table import Values


def read_builds(
    section: Mapping[str, Values], materials: Mapping[str, Material]
) -> dict[str, PipeType]:
    """Every pipe that is whole; one without capacity has that of its bore (found later)."""
    builds = {}
    for name, values in section.items():
        by_bore = not values.has("capacity")
        if by_bore and not values.has("bore"):
            values.fault(
                "capacity",
                "needs the key 'capacity', or 'bore' to find it",
                "add 'capacity: 12 g/s' or 'bore: 52.5 mm'",
            )
        layers = _layers(values, materials)
        if values.whole:
            found = {"capacity": 0.0, **values.found, "layers": layers, "by_bore": by_bore}
            builds[name] = PipeType(name, **found)
    return builds


def _layers(values: Values, materials: Mapping[str, Material]) -> tuple[Layer, ...]:
    """Layers from the inside out, with the mass of those that have thickness and density alone."""
    layers = []
    across: float | None = values.get("bore")
    for layer in values.get("layers", ()):
        material, mass, thick = (layer.get(key) for key in ("material", "mass", "thickness"))
        if mass is None and not layer.has("mass"):
            density = materials[material].density if material in materials else None
            if thick is None or across is None or density is None:
                if material is not None and material not in materials:
                    values.sound = False  # the fault is noted at the material
                elif layer.whole:
                    layer.fault_here(
                        "mass",
                        "needs 'mass', or 'thickness', the pipe's 'bore' and the density of "
                        f"'{material}' to find it",
                        "add 'mass: 5.44 kg/m'",
                    )
            else:
                mass = math.pi * density * thick * (across + thick)  # a shell around the bore
        across = None if across is None or thick is None else across + 2 * thick
        if mass is not None:
            layers.append(Layer(material, mass, thick))
    return tuple(layers)


def read_routes(
    section: Mapping[str, Values], places: Mapping[str, Values], builds: tuple[str, ...]
) -> dict[str, Route]:
    """Every route that is whole. Without 'pipes' all of the site's may be laid."""
    routes = {}
    for name, values in section.items():
        length = _length(values, places)
        if not values.has("pipes") and not builds:
            values.fault("pipes", "has no pipe that may be laid", "list pipes under 'pipes'")
        if values.whole and length is not None:
            start, end = values.get("between")
            routes[name] = Route(
                name,
                start,
                end,
                length,
                values.get("pipes", builds),
                values.get("one_way"),
                values.get("cost"),
                burial_depth=values.get("burial_depth"),
                max_surface_temperature=values.get("max_surface_temperature"),
                heat_limit=values.get("heat_limit"),
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
    return straight * float(values.get("detour_factor", 1.0))


def straight_line(start: Values | Place, end: Values | Place) -> float:
    """Distance in space, m."""
    return math.dist(_point(start), _point(end))


def _point(place: Values | Place) -> tuple[float, float, float]:
    if isinstance(place, Place):
        return (place.x, place.y, place.elevation)
    x, y = place.get("at", (0.0, 0.0))
    return (x, y, place.get("elevation"))
