"""Walls of rooms: heat let out, temperatures of faces, the least material that keeps limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import ClassVar

from allocator.base.errors import AllocatorError, SiteFileError
from allocator.base.quantities import format_quantity, shown
from allocator.base.rendering import csv_of, section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph
from allocator.engine.paths import SiteOrPath, site_of
from allocator.site.by_hand import faults_of_site
from allocator.site.enclosures import Walls, walls_of
from allocator.site.records import Enclosure, Site
from allocator.studies.result import StudyResult, joined, study_json

FORMAT = "allocator.enclosure/1"
CAUTION = (
    "Steady heat by areas side by side with the surface resistances of ISO 6946, without heat "
    "bridges and draughts; machines heat a room unevenly. A closed room with pipe or machines "
    "needs ventilation: gas that burns or suffocates gathers in it, hydrogen under the roof, "
    "carbon dioxide at the floor. Air that is changed carries heat away as well, which is "
    "not counted here. Provide gas detection and ways out. Local codes and licensed "
    "practitioners decide."
)
_ROOMS = (
    Column("enclosure", "enclosure"),
    Column("inside", "inside", "temperature"),
    Column("heat_loss", "heat loss", "power", "Maximum; less than 0: heat comes in."),
    Column("limit", "limit", "power"),
    Column("conductance", "conductance", "conductance", "Minimum, of all areas."),
    Column("mass", "mass", "mass", "Of layers of known density."),
    Column("broken", "broken limits", "text"),
)
_AREAS = (
    Column("enclosure", "enclosure"),
    Column("name", "name"),
    Column("room_part", "part"),
    Column("area", "area", "area"),
    Column("outside", "outside", "temperature"),
    Column("resistance", "resistance", "thermal_resistance", "From air to air."),
    Column("heat_loss", "heat loss", "power"),
    Column("inner_face", "inner face", "temperature"),
    Column("outer_face", "outer face", "temperature"),
    Column("mass", "mass", "mass", "Of layers of known density."),
    Column("broken", "broken limits", "text"),
)
_LAYERS = (
    Column("enclosure", "enclosure"),
    Column("area", "area"),
    Column("layer", "layer"),
    Column("thickness", "thickness", "length"),
    Column("inner_face", "inner face", "temperature"),
    Column("outer_face", "outer face", "temperature"),
    Column("mass", "mass", "mass"),
)


@dataclass(frozen=True, slots=True, repr=False)
class EnclosureResult(StudyResult):
    """The rooms of a site.

    Attributes:
        rooms: heat let out of each, its conductance and mass.
        areas: every area: resistance, heat let out, faces.
        layers: every layer: the thickness taken and the temperatures on both sides.
    """

    command: ClassVar[str] = "enclosure"
    site: Site
    rooms: Table
    areas: Table
    layers: Table

    def summary(self) -> str:
        """Tables a room, what follows for the plan, and the cautions."""
        return joined(
            section_of(self.rooms),
            *(self._room(str(name)) for name in self.rooms.column("enclosure")),
            self._used(),
            ["", *paragraph(CAUTION, indent=0)],
        )

    def _room(self, name: str) -> Iterator[str]:
        for table, title in ((self.areas, f"Areas of {name}"), (self.layers, f"Layers of {name}")):
            rows = tuple(row[1:] for row in table.rows if row[0] == name)
            if rows:
                yield from section_of(Table(table.name, title, table.columns[1:], rows))

    def _used(self) -> Iterator[str]:
        """Where the plan takes a figure of these rooms."""
        for place in self.site.places.values():
            if place.enclosure in self.rooms.column("enclosure") and place.heat_limit is not None:
                limit = format_quantity(place.heat_limit, "power")
                yield f"heat limit of place {place.name}: {limit}"
        for sink in self.site.heat_sinks.values():
            if sink.enclosure in self.rooms.column("enclosure"):
                loss = format_quantity(sink.loss_conductance, "conductance")
                yield f"loss of heat sink {sink.name}: {loss}"

    def to_csv(self) -> str:
        """The areas as CSV, in SI."""
        return csv_of(self.areas)

    def to_json(self) -> str:
        """The same as JSON."""
        return study_json(
            FORMAT, self.site, {table.name: table.records() for table in self.tables()}
        )


def enclosure(site: SiteOrPath, name: str | None = None) -> EnclosureResult:
    """Heat that rooms let out through their walls, and the least material that keeps their limits.

    Parameters
    ----------
    site
        The site, or the path of its file.
    name
        One of its enclosures; by default all.

    Returns
    -------
    EnclosureResult
        ``rooms``, ``areas`` and ``layers``, with the thicknesses of least mass.

    Raises
    ------
    AllocatorError
        The site has no enclosures, or none of this name, or a faulty one.

    References
    ----------
    ISO 6946:2017, Building components and building elements: thermal resistance and transmittance.

    Examples
    --------
    >>> from dataclasses import replace
    >>> import allocator as al
    >>> hall = al.Enclosure("hall", 298.15, (al.WallArea("all walls", 20.0, resistance=2.0),))
    >>> site = replace(al.read_site("networks/near_furnace.yaml"), enclosures={"hall": hall})
    >>> [round(watts) for watts in al.enclosure(site)["rooms"].column("heat_loss")]
    [150]
    """
    site = site_of(site)
    if not site.enclosures:
        raise AllocatorError("the site lists no enclosures; add one under 'enclosures'")
    if name is not None and name not in site.enclosures:
        known = ", ".join(site.enclosures)
        raise AllocatorError(f"the site has no enclosure {shown(name)}; it has {known}")
    # a place built in Python may take its heat limit from here: only what walls need is checked
    faults = [f for f in faults_of_site(site) if f.subject.startswith(("enclosures", "materials"))]
    if faults:
        raise SiteFileError(faults)
    chosen = [one for one in site.enclosures.values() if name in (None, one.name)]
    walls = [(one, walls_of(one, site.materials, site.ambient)) for one in chosen]
    return EnclosureResult(
        site,
        Table("rooms", "Enclosures", _ROOMS, tuple(_room(*one) for one in walls)),
        Table("areas", "Areas", _AREAS, tuple(row for one in walls for row in _areas(*one))),
        Table("layers", "Layers", _LAYERS, tuple(row for one in walls for row in _layers(*one))),
    )


def _room(room: Enclosure, walls: Walls) -> tuple[object, ...]:
    limit = room.max_heat_loss
    broken = [f"{side.name}: {text}" for side, b in walls.pairs for text in b.broken]
    if limit is not None and walls.heat > limit * (1 + 1e-9):
        broken.insert(0, "lets too much heat out")
    return (
        *(room.name, room.inside_temperature, walls.heat, limit, walls.conductance, walls.mass),
        "; ".join(broken) or "none",
    )


def _areas(room: Enclosure, walls: Walls) -> Iterator[tuple[object, ...]]:
    for side, build in walls.pairs:
        resistance = build.resistance if isfinite(build.resistance) else None
        faces = (build.faces[0], build.faces[-1]) if build.faces else (None, None)
        yield (
            *(room.name, side.name, side.part, side.area, side.outside, resistance),
            *(build.heat, *faces, build.mass, "; ".join(build.broken) or "none"),
        )


def _layers(room: Enclosure, walls: Walls) -> Iterator[tuple[object, ...]]:
    for area, (side, build) in zip(room.areas, walls.pairs, strict=True):
        ends = pairwise(build.faces) if build.faces else [(None, None)] * len(side.slabs)
        for layer, slab, thick, (inner, outer) in zip(
            area.layers, side.slabs, build.thicknesses, ends, strict=False
        ):
            mass = None if slab.density is None else slab.density * thick * side.area
            yield (
                *(room.name, side.name, slab.kind.name),
                *(None if layer.material is None else thick, inner, outer, mass),
            )
