"""Ambient conditions, limits, fluids, materials and places."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.physics.faults import PhysicsError
from allocator.physics.library_names import check_name
from allocator.site.records import Ambient, Fluid, Limits, Material, Place
from allocator.site.table import Values


def read_ambient(values: Values | None) -> Ambient:
    """The conditions around; what is not given has its default."""
    return Ambient(**values.found) if values and values.whole else Ambient()


def read_limits(values: Values | None) -> Limits:
    """The limits of the whole site."""
    return Limits(**values.found) if values and values.whole else Limits()


def read_fluids(section: Mapping[str, Values]) -> dict[str, Fluid]:
    """Every fluid that is whole."""
    fluids = {}
    for name, values in section.items():
        if substance := values.get("substance"):
            try:
                check_name(substance)
            except PhysicsError as error:
                values.fault_here("substance", error.problem, error.remedy)
        if values.whole:
            constants: Values | None = values.get("constants")
            found = {**values.found, "constants": constants.found if constants else {}}
            fluids[name] = Fluid(name, **found)
    return fluids


def read_materials(section: Mapping[str, Values]) -> dict[str, Material]:
    """Every material that is whole."""
    materials = {}
    for name, values in section.items():
        if values.get("vacuum") and values.has("conductivity"):
            values.fault("conductivity", "is given for a vacuum", "keep one of the two")
        if values.whole:
            materials[name] = Material(name, **values.found)
    return materials


def read_places(section: Mapping[str, Values]) -> dict[str, Place]:
    """Every place that is whole; one without coordinates stands at the origin."""
    places = {}
    for name, values in section.items():
        if values.whole:
            x, y = values.get("at", (0.0, 0.0))
            limit = values.get("heat_limit")
            places[name] = Place(name, x, y, values.get("elevation"), heat_limit=limit)
    return places
