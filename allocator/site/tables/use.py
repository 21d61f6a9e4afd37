"""Keys of machines, demands and what stands already."""

from __future__ import annotations

from allocator.site.groups import ListOf, MapOf
from allocator.site.kinds import AsWritten, Choice, Name, Quantity, Text, Whole
from allocator.site.records import POWER
from allocator.site.shapes import ByShape
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable
from allocator.site.tables.common import (
    FLOW,
    FLUID,
    HOT,
    MAX_INLET_TEMPERATURE,
    PIPE,
    PLACE,
    PLACES,
    RANGED_FLOW,
    RANGED_WATTS,
    SPAN,
    WATTS,
    materials,
    price,
)

MACHINES = KeyTable(
    (
        Key(
            "inputs",
            MapOf(
                FLUID,
                RANGED_FLOW,
                {POWER: RANGED_WATTS},
                {"heat": "leave the heat out: its use is not planned"},
                least=1,
            ),
            "What one unit takes at full load: fluids, or 'power'",
            required=True,
        ),
        Key(
            "outputs",
            MapOf(
                FLUID,
                RANGED_FLOW,
                {POWER: RANGED_WATTS, "heat": RANGED_WATTS},
                least=1,
            ),
            "What one unit gives at full load: fluids, 'power', 'heat'",
            required=True,
        ),
        Key(
            "no_load",
            Ranged("share", least=0, below=1),
            "Share of the full-load takings that it takes at no load, where it gives exhaust alone",
            default="0",
        ),
        Key(
            "min_load",
            Quantity("share", least=0, most=1),
            "Least share of full load at which it may run",
            default="0",
        ),
        Key(
            "min_up_time",
            Quantity("duration", least=0),
            "Shortest run: behind a battery, and on bursts where it is given",
            default="600 s",
        ),
        Key(
            "min_down_time",
            Quantity("duration", least=0),
            "Shortest rest between two runs",
            default="0 s",
        ),
        materials("mass", "Material for one unit"),
        price("money", "Money for one unit"),
        Key(
            "places",
            ByShape(PLACES, MapOf(PLACE, Whole(), least=1)),
            "Most units at each place, or a list of places without limit",
            required=True,
        ),
        Key("max_units", Whole(), "Most units in all; leave out for no limit"),
        MAX_INLET_TEMPERATURE,
        Key("outlet_temperature", HOT, "Of the fluids that it gives"),
    ),
    reserved={
        "outages": "plan with fewer units, or leave the machine out",
    },
)

SERIES = KeyTable((Key("csv", Text(), "Path of the CSV file, from the site file", required=True),))

DEMANDS = KeyTable(
    (
        Key("power", ByShape(RANGED_WATTS, SERIES), "Mean power, or a series"),
        Key("fluid", FLUID, "The fluid that is asked for"),
        Key("flow", ByShape(RANGED_FLOW, SERIES), "Mean flow of the fluid, or a series"),
        Key("place", PLACE, "Where; a demand for power without a place is site-wide"),
        Key(
            "profile",
            ListOf(Quantity("number", least=0), least=1),
            "Shape of the demand in equal steps, at any scale",
        ),
        Key("period", SPAN, "Time after which the profile repeats; default: 1 d"),
        MAX_INLET_TEMPERATURE,
        Key("priority", Whole(), "1 is served first", default="1"),
        Key(
            "min_share",
            Quantity("share", least=0, most=1),
            "Least share that any plan must serve, all of the time",
            default="0",
        ),
    ),
    either=(("power",), ("fluid", "flow")),
)

COOLERS = KeyTable(
    (
        Key("fluid", FLUID, "The fluid that it cools", required=True),
        Key(
            "set_point",
            Quantity("temperature", above=0),
            "To which it cools",
            required=True,
        ),
        Key(
            "places",
            ByShape(PLACES, MapOf(PLACE, Whole(), least=1)),
            "Most units for one stream at each place, or a list of places (4 units)",
            required=True,
        ),
        Key("rate", FLOW, "Most that one unit takes"),
        Key("duty", WATTS, "Most heat that one unit takes away"),
        Key("conductance", Quantity("conductance", above=0), "UA of one unit"),
        Key(
            "arrangement",
            Choice(("counter", "parallel", "shell", "condenser")),
            "How the streams pass each other; condenser: the coolant boils",
            default="counter",
        ),
        Key(
            "coolant",
            KeyTable(
                (
                    Key(
                        "temperature",
                        Quantity("temperature", above=0),
                        "At which it comes",
                        required=True,
                    ),
                    Key(
                        "capacity",
                        Quantity("conductance", above=0),
                        "Mass rate times specific heat of the loop; leave out for plenty",
                    ),
                )
            ),
            "The coolant loop of one unit",
        ),
        Key(
            "power_share",
            Quantity("share", least=0, below=1),
            "Power of its pumps and fans per heat taken away",
            default="0",
        ),
        Key("rejects_at", PLACE, "Into which its heat goes; default: where it stands"),
        Key(
            "recovery",
            KeyTable(
                (
                    Key(
                        "efficiency",
                        Quantity("share", above=0, below=1),
                        "Power per heat taken away",
                        required=True,
                    ),
                    Key(
                        "threshold",
                        Quantity("temperature", above=0),
                        "Inlet below which there is none",
                        required=True,
                    ),
                )
            ),
            "Power from the heat: mean power, no part of a promise",
        ),
        materials("mass", "Material for one unit"),
        price("money", "Money for one unit"),
    )
)

BUILT = KeyTable(
    (
        Key(
            "sources",
            ListOf(Name("sources", "source"), distinct=True),
            "Sources that are tapped already",
        ),
        Key(
            "pipes",
            ListOf(
                KeyTable(
                    (
                        Key("route", Name("routes", "route"), "Where it lies", required=True),
                        Key("pipe", PIPE, "Which pipe it is", required=True),
                        Key("fluid", FLUID, "What it carries", required=True),
                    )
                )
            ),
            "Pipes that stand",
        ),
        Key(
            "power_lines",
            ListOf(Name("power_lines", "power line"), distinct=True),
            "Power lines that stand",
        ),
        Key(
            "storage",
            MapOf(Name("storage", "store"), MapOf(PLACE, AsWritten())),
            "Store -> place -> size that stands",
        ),
        Key(
            "machines",
            MapOf(Name("machines", "machine"), MapOf(PLACE, Whole())),
            "Machine -> place -> units that stand",
        ),
    )
)
