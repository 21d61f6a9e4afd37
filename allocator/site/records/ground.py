"""Records of what a site starts from: surroundings, limits, fluids, materials, places."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from allocator.site.catalogue_values import catalogue_key
from allocator.site.common_kinds import (
    EMISSION,
    ENCLOSURE,
    KELVIN,
    MONEY,
    PLACE,
    POSITIVE_PART,
    PRESSURE,
    WATTS,
)
from allocator.site.groups import ListOf
from allocator.site.keys import KeyGroup, key, part, record
from allocator.site.kinds import ByTemperature, Choice, Flag, Quantity, Text
from allocator.site.shapes import OneOrList
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable

Emission = Literal["none", "counted", "biogenic"]
Phase = Literal["gas", "liquid", "solid"]
HARMFUL = ("carbon monoxide", "hydrogen sulphide", "carbon dioxide")
"""What gas may hold beside what it is named for, each with a caution of its own."""

CONSTANTS = KeyTable(
    tuple(
        Key(name, Quantity(dimension, above=0), about)
        for name, dimension, about in (
            ("density", "density", "Density; of a gas: at the site's ambient conditions"),
            ("viscosity", "viscosity", "Dynamic viscosity"),
            ("specific_heat", "specific_heat", "Specific heat at constant pressure"),
            ("conductivity", "conductivity", "Thermal conductivity"),
            ("molar_mass", "molar_mass", "Molar mass"),
            ("latent_heat", "energy_per_mass", "Heat of evaporation"),
        )
    ),
    "fluid_constants",
)


@record()
class Ambient:
    """Conditions around the site."""

    temperature: float = key(KELVIN, "Of the air", default=288.15)
    pressure: float = key(PRESSURE, "Of the air", default=101325.0)
    wind: float = key(Quantity("speed", least=0), "Mean wind speed", default=0.0)
    ground_conductivity: float | None = key(
        Ranged("conductivity", above=0),
        "Of the ground around buried pipes. Of a range the least counts for temperatures, the "
        "greatest for heat",
        default=None,
        left_out="0.5 W/(m K) for temperatures, 2 W/(m K) for heat that limits hold",
    )


@record()
class MapOrigin:
    """Where the origin of the site's coordinates lies on a map of the world."""

    crs: str = key(Text(), "Projected coordinate system in metres, such as `EPSG:25832`")
    east: float = key(Quantity("length"), "East coordinate of `at: [0, 0]` in it")
    north: float = key(Quantity("length"), "North coordinate of `at: [0, 0]` in it")


@record()
class Limits:
    """Limits of the whole site."""

    emission: float | None = key(
        EMISSION,
        "Most counted emission, mean over time, by `emission_weight`",
        default=None,
        left_out="no limit",
    )
    money: float | None = key(
        MONEY, "Most money for all that is new and runs", default=None, left_out="no limit"
    )
    excluded_places: tuple[str, ...] = key(
        ListOf(PLACE, distinct=True),
        "Where nothing may be built. No route or line that touches them is used",
        default=(),
        left_out="none",
    )


@record(completing=(catalogue_key("fluids"),))
class Fluid:
    """A fluid; ``constants`` are in SI, by name."""

    name: str
    phase: Phase = key(Choice(("gas", "liquid", "solid")), "State of matter", default="gas")
    heating_value: float | None = key(
        Quantity("energy_per_mass", above=0),
        "**Lower** heating value",
        default=None,
        left_out="it does not burn",
    )
    emission: Emission = key(
        Choice(("none", "counted", "biogenic")),
        "What its release means: nothing, a counted emission, or a biogenic memo",
        default="none",
    )
    emission_weight: float = key(
        Quantity("number", least=0),
        "kg of CO2-equivalent that one kg released counts for",
        default=1.0,
    )
    vented_weight: float = key(
        Quantity("number", least=0),
        "kg of CO2-equivalent that one kg counts for when it is vented unburnt, see below",
        default=0.0,
    )
    may_hold: tuple[str, ...] = key(
        OneOrList(ListOf(Choice(HARMFUL), distinct=True)),
        "What harms people and may be in it, whatever its name says; for the cautions",
        default=(),
    )
    constants: Mapping[str, float] = key(CONSTANTS, "Properties of your own", default={})
    substance: str | None = key(
        Text(),
        "Name of the fluid in the property library, which gives what no constant says",
        default=None,
    )

    @property
    def exhaust(self) -> bool:
        """True for what burning leaves: an emission with no heating value of its own.

        Machines give exhaust in step with what they take, all else in step with their load.
        """
        return self.emission != "none" and not self.heating_value


@record()
class Material:
    """A material; ``conductivity`` as (K, W/(m K)) from cold to hot, one value at 0 K for all."""

    name: str
    stock: float | None = key(
        Quantity("mass", least=0), "What is in stock", default=None, left_out="no limit"
    )
    price: float = key(Quantity("money_per_mass", least=0), "Money per mass", default=0.0)
    scarcity: float = key(
        Quantity("number", least=0),
        "Weight of a kg of it in the goal `scarce_material`",
        default=1.0,
    )
    density: float | None = key(
        Quantity("density", above=0), "For the mass of layers of given thickness", default=None
    )
    conductivity: tuple[tuple[float, float], ...] = key(
        ByTemperature("conductivity"),
        "Thermal conductivity: one value, or [temperature, value] pairs from cold to hot, trusted "
        "to 25 K beyond their ends",
        default=(),
    )
    vacuum: bool = key(Flag(), "Heat crosses it by radiation only", default=False)
    emissivity: float | None = key(
        POSITIVE_PART,
        "Share of black-body radiation that its surface gives off",
        default=None,
        left_out="30 % for temperatures, 95 % for heat that limits hold",
    )
    max_temperature: float | None = key(
        KELVIN, "Hottest that it bears", default=None, left_out="no limit"
    )


@record(groups={"heat_demand": KeyGroup("Heat that it must be given at all times; see below")})
class Place:
    """A place: ``x`` east, ``y`` north and ``elevation`` in m.

    ``heat_demand``: W at ``heat_temperature`` or hotter, always; None for none.
    """

    name: str
    x: float = key(
        ListOf(Quantity("length"), least=2, most=2),
        "East and north coordinates. Needed where a route takes its length from them",
        at="at[1]",
        default=0.0,
    )
    y: float = part("at[2]", default=0.0)
    elevation: float = key(Quantity("length"), "Height", default=0.0)
    heat_limit: float | None = key(
        WATTS,
        "Most heat that pipes, coolers, machines and storage together may release into it, such "
        "as a closed chamber",
        default=None,
        left_out="what its `enclosure` lets out, else no limit",
    )
    enclosure: str | None = key(
        ENCLOSURE, "The closed room that it is, one of `enclosures`", default=None, left_out="none"
    )
    heat_demand: float | None = key(
        WATTS, "Heat asked for", at="heat_demand.power", required=True, default=None
    )
    heat_temperature: float = key(
        KELVIN,
        "Temperature that the heat must reach",
        at="heat_demand.min_temperature",
        required=True,
        default=0.0,
    )
