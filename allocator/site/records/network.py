"""Records of the network: pipes, routes and power lines."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.catalogue_values import catalogue_key
from allocator.site.common_kinds import (
    BETWEEN,
    FLOW,
    FLUID,
    KELVIN,
    LENGTH,
    MATERIAL,
    PIPE,
    PRESSURE,
    SPAN,
    WATTS,
    amounts,
)
from allocator.site.groups import ListOf
from allocator.site.keys import key, part, record, table_of
from allocator.site.kinds import Flag, Quantity
from allocator.site.shared_values import kind_key
from allocator.site.spreads import Ranged
from allocator.site.table import Key


@record()
class Layer:
    """One layer of a pipe."""

    material: str = key(MATERIAL, "Of which it is made")
    mass: float = key(
        Quantity("mass_per_length", above=0),
        "Mass per length of run",
        required=False,
        left_out="by `bore`, `thickness` and the density of the material",
    )
    thickness: float | None = key(LENGTH, "Thickness", default=None)


@record(first=("capacity", "bore"), completing=(kind_key("pipes"), catalogue_key("pipes")))
class PipeType:
    """A kind of pipe.

    One ``by_bore`` has the capacity of its bore, which depends on the route and the fluid.
    """

    name: str
    capacity: float = key(
        FLOW,
        "Most that it carries. Either this or `bore` must be there; where both are, both hold",
        required=False,
        left_out="by `bore`",
    )
    layers: tuple[Layer, ...] = key(
        ListOf(table_of(Layer)),
        "Materials per length from the inside out, the wall first",
        default=(),
        left_out="none",
    )
    bore: float | None = key(
        LENGTH,
        "Inner diameter, by which pressure along lines is computed where it is known at an end",
        default=None,
    )
    price: float = key(Quantity("money_per_length", least=0), "Money per length", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")
    fluids: tuple[str, ...] | None = key(
        ListOf(FLUID, least=1, distinct=True), "What it may carry", default=None, left_out="any"
    )
    by_bore: bool = False
    inlet_pressure: float | None = key(
        PRESSURE,
        "Absolute, for the capacity by bore. Ignored where pressures along lines are computed",
        default=None,
        left_out="the lowest pressure of the fluid's sources",
    )
    outlet_pressure: float | None = key(
        PRESSURE,
        "Absolute, for the capacity by bore. Ignored where pressures along lines are computed",
        default=None,
        left_out="the ambient pressure",
    )
    max_velocity: float | None = key(
        Quantity("speed", above=0),
        "Highest, at the outlet, for the capacity by bore",
        default=None,
        left_out="20 m/s for gases, 2 m/s for liquids",
    )
    max_mach: float = key(
        Quantity("number", above=0, most=1), "Highest Mach number, at the outlet", default=0.3
    )
    roughness: float = key(LENGTH, "Of the inner wall", default=4.5e-5)
    max_temperature: float | None = key(
        KELVIN, "Hottest fluid that it may carry", default=None, left_out="no limit"
    )
    stock_length: float | None = key(
        Quantity("length", least=0.1),
        "Length of a piece as delivered, for the cut list",
        default=None,
        left_out="each run in one piece",
    )
    saw_cut: float = key(
        Quantity("length", least=0, below=0.1), "Length that each cut takes", default=0.0
    )
    pressure_rating: float | None = key(
        PRESSURE,
        "Highest pressure, absolute, that it bears, in any state and shut in",
        default=None,
        left_out="no limit",
    )

    def masses(self, length: float = 1.0) -> dict[str, float]:
        """kg of each material in some m of it."""
        metre: dict[str, float] = {}
        for layer in self.layers:
            metre[layer.material] = metre.get(layer.material, 0.0) + layer.mass
        return {material: kg * length for material, kg in metre.items()}


@record(
    reserved={"geometry": "give 'via'"},
    exclusive=(("length", "detour_factor"),),
    completing=(kind_key("routes"),),
)
class Route:
    """A corridor for pipe from ``start`` to ``end``; ``energy``: electric J/kg moved."""

    name: str
    start: str = key(BETWEEN, "The two places that it joins", at="between[1]")
    end: str = part("between[2]")
    length: float = key(
        LENGTH,
        "Length of the run",
        required=False,
        left_out="the line through `via`, elevation included, times `detour_factor`",
        also=(
            Key(
                "detour_factor",
                Quantity("number", least=1),
                "Length of the run per length of the line on the map",
                default=1.0,
            ),
        ),
    )
    pipes: tuple[str, ...] = key(
        ListOf(PIPE, least=1, distinct=True), "What may be laid", required=False, left_out="any"
    )
    one_way: bool = key(Flag(), "Only from the first place to the second", default=False)
    cost: float = key(Quantity("money_per_mass", least=0), "Money for each kg moved", default=0.0)
    energy: float = 0.0
    burial_depth: float | None = key(
        LENGTH,
        "Depth of the pipe's axis below the ground",
        default=None,
        left_out="above ground",
    )
    max_surface_temperature: float | None = key(
        KELVIN,
        "Hottest surface, where people may touch the pipe",
        default=None,
        left_out="no limit",
    )
    heat_limit: float | None = key(
        WATTS,
        "Most heat that one pipe may release along the route",
        default=None,
        left_out="no limit",
    )
    via: tuple[tuple[float, float], ...] = key(
        ListOf(ListOf(Quantity("length"), least=2, most=2)),
        "East and north coordinates of bends, in order, from the first place",
        default=(),
        left_out="a straight line",
    )
    ground_factor: float = key(
        Quantity("number", least=0),
        "Price of pipe along it per price of the same pipe on plain ground",
        default=1.0,
    )


@record(completing=(kind_key("power_lines"),))
class Line:
    """A power line from ``start`` to ``end``."""

    name: str
    start: str = key(BETWEEN, "The two places that it joins. Power goes both ways", at="between[1]")
    end: str = part("between[2]")
    capacity: float = key(WATTS, "Most power sent")
    length: float = key(LENGTH, "Length of the line", required=False, left_out="the straight line")
    loss: float = key(
        Ranged("share", least=0, below=1), "Share of what is sent that is lost", default=0.0
    )
    materials: Mapping[str, float] = key(
        amounts("mass_per_length"), "Material per length", default={}
    )
    price: float = key(Quantity("money_per_length", least=0), "Money per length", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")
