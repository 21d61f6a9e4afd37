"""Records of enclosures: closed rooms whose walls let heat out."""

from __future__ import annotations

from allocator.site.common_kinds import KELVIN, LENGTH, MATERIAL, WATTS
from allocator.site.groups import ListOf
from allocator.site.keys import key, record, table_of
from allocator.site.kinds import Choice, Flag, Quantity, Text
from allocator.site.shapes import OneOrList

RESISTANCE = Quantity("thermal_resistance", above=0)


@record(first=("material", "thickness"), either=(("material", "thickness"), ("resistance",)))
class WallLayer:
    """One layer of a wall. ``thickness``: one of those offered."""

    material: str | None = key(MATERIAL, "Of which it is made", default=None)
    thickness: tuple[float, ...] = key(
        OneOrList(ListOf(LENGTH, least=1, distinct=True)),
        "Thickness, or a list of possible ones, of which the lightest build that keeps the limits "
        "is taken",
        default=(),
    )
    resistance: float | None = key(
        RESISTANCE, "Thermal resistance in place of both, as of an air gap", default=None
    )


@record(first=("name", "area", "part"), exclusive=(("layers", "resistance"),))
class WallArea:
    """An area of an enclosure: a wall, a roof, a floor, a door or the opening of a machine."""

    name: str = key(Text(60), "What it is, such as `north wall`")
    area: float = key(Quantity("area", above=0), "Its area")
    part: str = key(
        Choice(("wall", "roof", "floor")),
        "Which part: a wall, a roof (heat goes upwards) or a floor (downwards)",
        default="wall",
    )
    layers: tuple[WallLayer, ...] = key(
        ListOf(table_of(WallLayer), least=1), "From the inside out", default=(), left_out="none"
    )
    resistance: float | None = key(
        RESISTANCE, "From air to air in place of layers, as of a door or an opening", default=None
    )
    passes_heat: bool = key(Flag(), "Whether heat passes at all", default=True)
    outside_temperature: float | None = key(
        KELVIN, "Behind it, such as of the ground", default=None, left_out="that of the air"
    )


@record()
class Enclosure:
    """A closed room or a casing, of areas that let heat out."""

    name: str
    inside_temperature: float = key(KELVIN, "Of the air or the content in it")
    areas: tuple[WallArea, ...] = key(ListOf(table_of(WallArea), least=1), "All around it")
    max_heat_loss: float | None = key(
        WATTS, "Most heat that it may let out", default=None, left_out="no limit"
    )
    max_surface_temperature: float | None = key(
        KELVIN, "Hottest that its outer surfaces may be", default=None, left_out="no limit"
    )
    inside_resistance: float | None = key(
        RESISTANCE,
        "Of inner surfaces",
        default=None,
        left_out="that of ISO 6946: 0.13 m2 K/W, roofs 0.10, floors 0.17",
    )
    outside_resistance: float | None = key(
        RESISTANCE, "Of outer surfaces", default=None, left_out="that of ISO 6946: 0.04 m2 K/W"
    )
