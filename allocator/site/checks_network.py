"""Checks of pipes, routes and power lines that need more than one value: masses and lengths."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

from allocator.base.quantities import format_quantity, shown
from allocator.site.records import Layer, Material, PipeType, Place
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values


def layers_of(values: Values, whole: SiteValues) -> Filled:
    """The layers of a pipe with their masses; one without capacity has that of its bore."""
    by_bore = not values.has("capacity")
    if by_bore and not values.has("bore"):
        values.fault(
            "capacity",
            "needs the key 'capacity', or 'bore' to find it",
            "add 'capacity: 12 g/s' or 'bore: 52.5 mm'",
        )
    bore, rough = (values.get(key) if values.has(key) else None for key in ("bore", "roughness"))
    if bore is not None and rough is not None and rough >= bore:
        values.fault(
            "roughness",
            "is not below the bore",
            "give that of the inner wall, such as '0.05 mm'",
        )
    layers = _layers(values, whole.made["materials"])
    return {"capacity": values.get("capacity", 0.0), "layers": layers, "by_bore": by_bore}


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


def length_of_route(values: Values, whole: SiteValues) -> Filled | None:
    """The length of a route. Without 'pipes' all of the site's may be laid."""
    length = _length(values, whole.section("places"))
    _check_cover(values, whole.made["pipes"])
    builds = tuple(whole.section("pipes"))
    if not values.has("pipes") and not builds:
        values.fault("pipes", "has no pipe that may be laid", "list pipes under 'pipes'")
    if length is None:
        return None
    return {"length": length, "pipes": values.get("pipes", builds)}


def _check_cover(values: Values, pipes: Mapping[str, PipeType]) -> None:
    depth: float | None = values.get("burial_depth")
    names: Sequence[str] = values.get("pipes") or tuple(pipes)
    if depth is None:
        return
    for pipe in (pipes[name] for name in names if name in pipes):
        if (problem := not_covered(depth, pipe)) is not None:
            values.fault("burial_depth", problem, "bury it deeper, or list other 'pipes'")
            return


def not_covered(depth: float, pipe: PipeType) -> str | None:
    """What is wrong with an axis that lies ``depth`` m deep, of a pipe as thick as is known."""
    thick = math.fsum(layer.thickness or 0.0 for layer in pipe.layers)
    radius = None if pipe.bore is None else pipe.bore / 2 + thick
    if radius is None or depth > radius:
        return None
    axis, outer = (format_quantity(one, "length") for one in (depth, radius))
    return f"is {axis}, and pipe {shown(pipe.name)} is not covered there: its radius is {outer}"


def length_of_line(values: Values, whole: SiteValues) -> Filled | None:
    """The length of a power line."""
    length = _length(values, whole.section("places"))
    return None if length is None else {"length": length}


def _length(values: Values, places: Mapping[str, Values]) -> float | None:
    """The length given, or that of the line times the detour; None where that is faulty."""
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
    straight = line_length(places[between[0]], places[between[1]], values.get("via", ()))
    if straight <= 0:
        values.fault_here(
            "between",
            f"has no length: '{between[0]}' and '{between[1]}' have the same coordinates",
            "add 'length: 900 m'",
        )
        return None
    return straight * float(values.get("detour_factor", 1.0))


def line_length(
    start: Values | Place, end: Values | Place, via: Sequence[tuple[float, float]] = ()
) -> float:
    """Length in space of a line with bends, m; it climbs evenly."""
    if not via:
        return math.dist(_point(start), _point(end))
    (x1, y1, z1), (x2, y2, z2) = _point(start), _point(end)
    flat = math.fsum(math.dist(a, b) for a, b in pairwise([(x1, y1), *via, (x2, y2)]))
    return math.hypot(flat, z2 - z1)


def _point(place: Values | Place) -> tuple[float, float, float]:
    if isinstance(place, Place):
        return (place.x, place.y, place.elevation)
    x, y = place.get("at", (0.0, 0.0))
    return (x, y, place.get("elevation"))
