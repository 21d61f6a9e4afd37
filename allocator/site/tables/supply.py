"""Keys of sources and stores."""

from __future__ import annotations

from allocator.site.groups import ListOf
from allocator.site.kinds import Flag, Name, Quantity
from allocator.site.records import POWER
from allocator.site.shapes import Variants
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable
from allocator.site.tables.common import (
    FLOW,
    FLUID,
    HOT,
    MAX_INLET_TEMPERATURE,
    PLACE,
    PLACES,
    RANGED_FLOW,
    RANGED_SPAN,
    materials,
    price,
)

STAGE = KeyTable(
    (
        Key("on", RANGED_SPAN, "How long it is on", required=True),
        Key("every", RANGED_SPAN, "How often it turns on: the period of the stage", required=True),
    )
)

SOURCES = KeyTable(
    (
        Key("place", PLACE, "The place where it stands", required=True),
        Key("fluid", FLUID, "The fluid that it gives", required=True),
        Key("flow", RANGED_FLOW, "Flow while it is on", required=True),
        Key(
            "cycle",
            ListOf(STAGE),
            "Stages of the duty cycle, innermost first; leave out for always on",
        ),
        Key(
            "delivery",
            KeyTable(
                (
                    Key("every", RANGED_SPAN, "Time from one delivery to the next", required=True),
                    Key("batch", Ranged("mass", above=0), "What comes at once", required=True),
                )
            ),
            "Bought in batches, unloaded at the rate 'flow'",
        ),
        Key(
            "next_start",
            Quantity("duration", least=0),
            "Time until the outermost stage next turns on, or the next delivery comes",
        ),
        Key("temperature", HOT, "At the mouth"),
        Key("pressure", Quantity("pressure", above=0), "At the mouth"),
        Key("reliable", Flag(), "It cannot be lost, whatever a plan withstands", default="false"),
        Key("water", Quantity("share", above=0, below=1), "Vapour in the gas, by volume"),
        Key(
            "connection",
            KeyTable((materials("mass", "Material to tap it"), price("money", "Money to tap it"))),
            "What tapping it takes",
        ),
        price("money_per_mass", "Money per kg that is taken"),
        Key(
            "pump",
            KeyTable(
                (
                    Key(
                        "energy",
                        Quantity("energy_per_mass", least=0),
                        "Electric energy per mass moved (power per mass rate)",
                        required=True,
                    ),
                    Key("rate", FLOW, "Highest rate; leave out for no limit"),
                    MAX_INLET_TEMPERATURE,
                    Key(
                        "chamber",
                        KeyTable(
                            (
                                Key(
                                    "volume",
                                    Quantity("volume", above=0),
                                    "Of the closed space at the source",
                                    required=True,
                                ),
                                Key(
                                    "min_pressure",
                                    Quantity("pressure", above=0),
                                    "Pressure that the pump keeps in it",
                                    required=True,
                                ),
                            )
                        ),
                        "What the pump draws from between bursts",
                    ),
                )
            ),
            "The pump that the source needs",
        ),
    ),
    reserved={
        "series": "describe the source by 'flow' and 'cycle'",
    },
    exclusive=(("cycle", "delivery"),),
)


def _store(size: str, cost: str, mass: str, rate: str, *more: Key) -> KeyTable:
    amount = Quantity(size, above=0)
    return KeyTable(
        (
            *more,
            Key("holds", Name("fluids", "fluid", (POWER,)), "A fluid, or 'power'", required=True),
            Key("places", PLACES, "Where it may stand", required=True),
            Key(
                "size",
                KeyTable(
                    (
                        Key("max", amount, "Largest size at one place", required=True),
                        Key("min", Quantity(size, least=0), "Smallest size", default="0"),
                        Key("unit", amount, "Size of one whole unit; leave out for any size"),
                    )
                ),
                "Sizes it may have at one place, in mass of the fluid or in energy",
                required=True,
            ),
            materials(mass, "Material per size"),
            Key(
                "base",
                KeyTable(
                    (
                        materials("mass", "Material once for each place"),
                        price("money", "Money once for each place"),
                    )
                ),
                "What it takes at each place whatever its size",
            ),
            price(cost, "Money per size"),
            Key("fill_rate", Quantity(rate, above=0), "Most that it takes in at one place"),
            Key("release_rate", Quantity(rate, above=0), "Most that it gives at one place"),
            Key(
                "loss",
                Ranged("share_rate", least=0),
                "Share of its size lost per time",
                default="0",
            ),
            Key(
                "charge_efficiency",
                Ranged("share", above=0, most=1),
                "Share of what enters that can be released (stores of power)",
                default="1",
            ),
        )
    )


STORE_OF_FLUID = _store(
    "mass", "money_per_mass", "mass_per_mass", "mass_rate", MAX_INLET_TEMPERATURE
)
STORE_OF_POWER = _store("energy", "money_per_energy", "mass_per_energy", "power")


STORES = Variants("holds", POWER, STORE_OF_POWER, STORE_OF_FLUID)
"""Sizes are energy where a store holds power, and mass elsewhere."""
