"""Keys of machines, demands and what stands already."""

from __future__ import annotations

from allocator.site.groups import ListOf, MapOf
from allocator.site.kinds import AsWritten, Name, Quantity, Text, Whole
from allocator.site.records import POWER
from allocator.site.shapes import ByShape
from allocator.site.table import Key, Table
from allocator.site.tables.common import (
    BUILD,
    FLOW,
    FLUID,
    PLACE,
    PLACES,
    SPAN,
    WATTS,
    materials,
    price,
)

MACHINES = Table(
    (
        Key(
            "takes",
            MapOf(
                FLUID,
                FLOW,
                {POWER: WATTS},
                {"heat": "leave the heat out: its use is not planned"},
                least=1,
            ),
            "What one unit takes at full load: fluids, or 'power'",
            required=True,
        ),
        Key(
            "gives",
            MapOf(FLUID, FLOW, {POWER: WATTS, "heat": WATTS}, least=1),
            "What one unit gives at full load: fluids, 'power', 'heat'",
            required=True,
        ),
        Key(
            "no_load",
            Quantity("share", least=0, below=1),
            "Share of the full-load takings that it takes at no load",
            default="0",
        ),
        Key(
            "least_load",
            Quantity("share", least=0, most=1),
            "Least share of full load at which it may run",
            default="0",
        ),
        Key(
            "least_run",
            Quantity("duration", least=0),
            "Shortest run when it is cycled on and off behind a battery",
            default="600 s",
        ),
        materials("mass", "Material for one unit"),
        price("money", "Money for one unit"),
        Key(
            "places",
            ByShape(PLACES, MapOf(PLACE, Whole(), least=1)),
            "Most units at each place, or a list of places without limit",
            required=True,
        ),
        Key("most", Whole(), "Most units in all; leave out for no limit"),
    ),
    reserved={
        "outages": "plan with fewer units, or leave the machine out",
    },
)

SERIES = Table((Key("csv", Text(), "Path of the CSV file, from the site file", required=True),))

DEMANDS = Table(
    (
        Key("power", ByShape(WATTS, SERIES), "Mean power, or a series"),
        Key("fluid", FLUID, "The fluid that is asked for"),
        Key("flow", ByShape(FLOW, SERIES), "Mean flow of the fluid, or a series"),
        Key("place", PLACE, "Where; a demand for power without a place is site-wide"),
        Key(
            "profile",
            ListOf(Quantity("number", least=0), least=1),
            "Shape of the demand in equal steps, at any scale",
        ),
        Key("period", SPAN, "Time after which the profile repeats; default: 1 d"),
        Key("priority", Whole(), "1 is served first", default="1"),
        Key(
            "least_share",
            Quantity("share", least=0, most=1),
            "Least share that any plan must serve, all of the time",
            default="0",
        ),
    ),
    either=(("power",), ("fluid", "flow")),
)

BUILT = Table(
    (
        Key(
            "taps",
            ListOf(Name("sources", "source"), distinct=True),
            "Sources that are tapped already",
        ),
        Key(
            "runs",
            ListOf(
                Table(
                    (
                        Key("route", Name("routes", "route"), "Where it lies", required=True),
                        Key("build", BUILD, "Which build it is", required=True),
                        Key("fluid", FLUID, "What it carries", required=True),
                    )
                )
            ),
            "Pipes that stand",
        ),
        Key("lines", ListOf(Name("lines", "line"), distinct=True), "Power lines that stand"),
        Key(
            "stores",
            MapOf(Name("stores", "store"), MapOf(PLACE, AsWritten())),
            "Store -> place -> size that stands",
        ),
        Key(
            "machines",
            MapOf(Name("machines", "machine"), MapOf(PLACE, Whole())),
            "Machine -> place -> units that stand",
        ),
    )
)
