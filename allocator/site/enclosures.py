"""Walls of a site as the physics of enclosures takes them; limits and losses that follow."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import cast

from allocator.base.quantities import format_quantity
from allocator.physics.conductivity import Conductivity
from allocator.physics.enclosures import Part, Side, SideBuild, Slab, lightest_sides
from allocator.physics.faults import PhysicsError
from allocator.site.records import Ambient, Enclosure, Material, Place, WallArea
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values

EMISSIVITY = 0.3
"""Of a surface of unknown emissivity: low, so that its temperature is on the safe side."""
DULL = 0.95
"""The same where heat is to be on the safe side: that of paint, scale and most coverings."""


@dataclass(frozen=True, slots=True)
class Walls:
    """An enclosure with the thicknesses taken. ``heat``: W let out at the most.

    At the least: ``least_heat``, W; ``conductance``, W/K to ``around``, K: the mean of what is
    outside of its areas, weighted by their conductances.
    """

    sides: tuple[Side, ...]
    builds: tuple[SideBuild, ...]
    heat: float
    least_heat: float
    conductance: float
    around: float
    mass: float

    @property
    def pairs(self) -> Iterator[tuple[Side, SideBuild]]:
        """Each area with what is built of it."""
        return zip(self.sides, self.builds, strict=True)


def conductivity_of(material: Material, unknown: float = EMISSIVITY) -> Conductivity | None:
    """A material's conductivity by temperature, or None where it is not given.

    ``unknown``: the emissivity of a surface for which none is given.
    """
    emissivity = unknown if material.emissivity is None else material.emissivity
    if material.vacuum:
        return Conductivity(material.name, (), vacuum=True, emissivity=emissivity)
    if not material.conductivity:
        return None
    kelvin, values = zip(*material.conductivity, strict=True)
    return Conductivity(material.name, values, kelvin if len(values) > 1 else ())


def walls_of(enclosure: Enclosure, materials: Mapping[str, Material], ambient: Ambient) -> Walls:
    """The lightest build of an enclosure that keeps its limits; where none does, of least heat.

    Raises
    ------
    PhysicsError
        A conductivity or a resistance is not given, or there are too many combinations.
    """
    sides = tuple(_side(enclosure, area, materials, ambient) for area in enclosure.areas)
    inside = enclosure.inside_temperature
    builds = lightest_sides(
        sides, inside, enclosure.max_heat_loss, enclosure.max_surface_temperature
    )
    conductance = sum(build.conductance for build in builds)
    outside = sum(b.conductance * side.outside for side, b in zip(sides, builds, strict=True))
    return Walls(
        sides,
        builds,
        sum(build.heat for build in builds),
        sum(build.least_heat for build in builds),
        conductance,
        outside / conductance if conductance else ambient.temperature,
        sum(build.mass for build in builds),
    )


def _side(
    enclosure: Enclosure, area: WallArea, materials: Mapping[str, Material], ambient: Ambient
) -> Side:
    if area.passes_heat and bool(area.layers) == (area.resistance is not None):
        problem = f"has an area {area.name!r} that needs either 'layers' or 'resistance'"
        raise PhysicsError(problem, "give one of them")
    slabs = []
    for number, layer in enumerate(area.layers, 1):
        if (layer.material is None) == (layer.resistance is None) or (
            (layer.material is None) == bool(layer.thickness)
        ):
            problem = f"has a layer {number} of {area.name!r} that is not known"
            raise PhysicsError(problem, "give 'material' and 'thickness', or 'resistance'")
        if layer.material is None:
            assert layer.resistance is not None
            plain = Conductivity(f"layer {number}", (1.0,))  # as thick as it resists
            slabs.append(Slab(plain, (layer.resistance,)))
            continue
        material = materials[layer.material]
        kind, bright = (conductivity_of(material, grey) for grey in (DULL, EMISSIVITY))
        if kind is None:
            raise PhysicsError(
                f"has a layer of {material.name!r}, whose conductivity is not given",
                f"add 'conductivity: 0.04 W/(m*K)' to the material {material.name!r}",
            )
        facts = (layer.thickness, material.density, material.max_temperature)
        slabs.append(Slab(kind, *facts, bright if bright != kind else None))
    outside = area.outside_temperature
    return Side(
        area.name,
        area.area,
        cast("Part", area.part),
        ambient.temperature if outside is None else outside,
        tuple(slabs),
        area.resistance,
        not area.passes_heat,
        enclosure.inside_resistance,
        enclosure.outside_resistance,
    )


def check_enclosure(values: Values, whole: SiteValues) -> Filled | None:
    """Notes areas without a resistance, names given twice, thicknesses that cannot be compared."""
    if not values.whole:
        return None
    names: set[str] = set()
    for area in values.get("areas"):
        name = area.get("name")
        if name in names:
            area.fault("name", f"{name!r} is the name of another area", "use another name")
        names.add(name)
        given = area.has("layers") or area.has("resistance")
        if not given and area.get("passes_heat"):
            area.fault_here("area", "has neither 'layers' nor 'resistance'", "add one of them")
        for layer in area.get("layers", ()):
            material = whole.made["materials"].get(layer.get("material"))
            if material and len(layer.get("thickness")) > 1 and material.density is None:
                problem = f"offers several, and the density of {material.name!r} is not given"
                layer.fault("thickness", problem, "add 'density' to the material")
    if not values.whole:
        return None
    made: Enclosure = values.table.made(values, name="")
    if any(
        layer.material not in {*whole.made["materials"], None}
        for area in made.areas
        for layer in area.layers
    ):
        return None  # the fault is noted at the material
    try:
        walls = walls_of(made, whole.made["materials"], whole.made["ambient"])
    except PhysicsError as error:
        values.fault_here("areas", error.problem, error.remedy)
        return None
    most = made.max_heat_loss
    if most is not None and walls.heat > most * (1 + 1e-9):
        values.warn(
            "max_heat_loss",
            f"is {format_quantity(most, 'power')}, and the walls that are offered let out at least "
            f"{format_quantity(walls.heat, 'power')}",
            "offer thicker layers, or raise it",
        )
    return {}


def walls_named(values: Values, whole: SiteValues) -> Walls | None:
    """The enclosure that a record names; None where it names none or a faulty one."""
    made: Enclosure | None = whole.made["enclosures"].get(values.get("enclosure"))
    if made is None:
        return None
    return walls_of(made, whole.made["materials"], whole.made["ambient"])


def limit_heat_of_places(whole: SiteValues) -> dict[str, Place]:
    """The places; those in an enclosure without a heat limit of their own get what it lets out."""
    made: dict[str, Place] = dict(whole.made["places"])
    for name, values in whole.section("places").items():
        if name not in made or values.has("heat_limit"):
            continue
        walls = walls_named(values, whole)
        if walls is None:
            continue
        if walls.least_heat > 0:
            made[name] = replace(made[name], heat_limit=walls.least_heat)
        else:
            values.fault(
                "enclosure", "lets no heat out", "raise its 'inside_temperature' or add areas"
            )
    return made
