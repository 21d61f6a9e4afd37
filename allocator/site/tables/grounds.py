"""Keys of the grounds: ambient conditions, limits, fluids, materials, places."""

from __future__ import annotations

from allocator.site.groups import ListOf
from allocator.site.kinds import ByTemperature, Choice, Flag, Quantity, Text
from allocator.site.table import Key, KeyTable
from allocator.site.tables.common import (
    PLACE,
    price,
)

AMBIENT = KeyTable(
    (
        Key("temperature", Quantity("temperature", above=0), "Of the air", default="288.15"),
        Key("pressure", Quantity("pressure", above=0), "Of the air", default="101325"),
        Key("wind", Quantity("speed", least=0), "Mean wind speed", default="0"),
        Key(
            "ground_conductivity",
            Quantity("conductivity", above=0),
            "Of the ground around buried runs",
            default="2",
        ),
    )
)

LIMITS = KeyTable(
    (
        Key("emission", Quantity("mass_rate", least=0), "Most counted emission, mean over time"),
        Key("money", Quantity("money", least=0), "Most money for all that is new and runs"),
        Key("excluded_places", ListOf(PLACE, distinct=True), "Where nothing may be built"),
    )
)

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
    )
)

FLUIDS = KeyTable(
    (
        Key("phase", Choice(("gas", "liquid", "solid")), "State of matter", default="gas"),
        Key(
            "heating_value",
            Quantity("energy_per_mass", above=0),
            "Lower heating value; leave out for a fluid that does not burn",
        ),
        Key(
            "emission",
            Choice(("none", "counted", "biogenic")),
            "What its release means: nothing, a counted emission, or a biogenic memo",
            default="none",
        ),
        Key(
            "emission_weight",
            Quantity("number", least=0),
            "kg of CO2-equivalent that one kg released counts for",
            default="1",
        ),
        Key("constants", CONSTANTS, "The user's own property constants"),
        Key("substance", Text(), "Name of the fluid in the property library"),
    )
)

MATERIALS = KeyTable(
    (
        Key("stock", Quantity("mass", least=0), "What there is; leave out for no limit"),
        price("money_per_mass", "Money per kg"),
        Key("scarcity", Quantity("number", least=0), "Weight of a kg in the goal", default="1"),
        Key("density", Quantity("density", above=0), "For the mass of layers of given thickness"),
        Key(
            "conductivity",
            ByTemperature("conductivity"),
            "Thermal conductivity: one value, or [temperature, value] pairs from cold to hot",
        ),
        Key("vacuum", Flag(), "Heat crosses it by radiation only", default="false"),
        Key(
            "emissivity",
            Quantity("share", above=0, most=1),
            "Share of black-body radiation that its surface gives off",
        ),
        Key("max_temperature", Quantity("temperature", above=0), "Hottest that it bears"),
    )
)

PLACES_TABLE = KeyTable(
    (
        Key("at", ListOf(Quantity("length"), least=2, most=2), "East and north coordinates"),
        Key("elevation", Quantity("length"), "Height", default="0"),
        Key(
            "heat_limit",
            Quantity("power", above=0),
            "Most heat that pipes, coolers, machines and stores may let into it",
        ),
    )
)
