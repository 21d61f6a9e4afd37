"""Keys of heat sinks."""

from __future__ import annotations

from allocator.site.groups import ListOf
from allocator.site.kinds import Choice, Name, Quantity
from allocator.site.shapes import OneOrList
from allocator.site.table import Key, KeyTable
from allocator.site.tables.common import FLUID, WATTS, materials, price

KELVIN = Quantity("temperature", above=0)
KILOGRAMS = Quantity("mass", above=0)

RECOVERY = KeyTable(
    (
        Key("duty", WATTS, "Most heat that it takes", required=True),
        Key("threshold", KELVIN, "Of the heat sink, below which it stands still", required=True),
        Key(
            "efficiency",
            Quantity("share", above=0, below=1),
            "Power per heat that it takes",
            required=True,
        ),
        Key("cold_temperature", KELVIN, "To which it rejects heat; default: the air"),
    )
)

COOLER = KeyTable(
    (
        Key("duty", WATTS, "Most heat that it takes away", required=True),
        Key(
            "set_point", KELVIN, "Of the heat sink, above which it runs; default: 'max_temperature'"
        ),
        Key(
            "power_share",
            Quantity("share", least=0),
            "Power of its pumps and fans per heat taken away",
            default="0",
        ),
    )
)

HEAT_SINKS = KeyTable(
    (
        Key("source", Name("sources", "source"), "Beside which it stands", required=True),
        Key(
            "mass",
            OneOrList(ListOf(KILOGRAMS, least=1, distinct=True)),
            "What it holds, or a list of what it may hold: a plan chooses",
            required=True,
        ),
        Key("max_mass", KILOGRAMS, "Most that may stand there; default: ten times 'mass'"),
        materials("mass_per_mass", "Material per mass"),
        Key(
            "base",
            KeyTable(
                (
                    materials("mass", "Material once, whatever its mass"),
                    price("money", "Money once, whatever its mass"),
                )
            ),
            "What it takes whatever its mass",
        ),
        price("money_per_mass", "Money per mass"),
        Key("fluid", FLUID, "What fills it"),
        Key("specific_heat", Quantity("specific_heat", above=0), "Of what fills it"),
        Key("initial_temperature", KELVIN, "Before the first burst; default: of the air"),
        Key(
            "loss_conductance",
            Quantity("conductance", least=0),
            "Heat lost per kelvin (UA)",
            required=True,
        ),
        Key("pressure", Quantity("pressure", above=0), "In it; default: of the air"),
        Key(
            "effectiveness",
            Quantity("share", above=0, most=1),
            "Share of the way to the heat sink's temperature that the gas comes",
            default="1",
        ),
        Key(
            "heat_while_on", WATTS, "Heat while the source is on; default: by the gas's temperature"
        ),
        Key("max_temperature", KELVIN, "That what stands in it bears", required=True),
        Key("max_outlet_temperature", KELVIN, "Of the gas that leaves it"),
        Key(
            "steam",
            Choice(("vented", "recovered")),
            "What becomes of steam: vented and made up, or condensed and led back",
            default="vented",
        ),
        Key("recovery", RECOVERY, "Power from its heat"),
        Key("cooler", COOLER, "A cooler that could be added"),
    ),
    either=(("fluid",), ("specific_heat",)),
)
