"""The top level of the site file."""

from __future__ import annotations

from allocator.site.formats import FORMAT
from allocator.site.groups import ListOf, OwnUnits
from allocator.site.kinds import Choice, Flag, Quantity, Text
from allocator.site.records import GOALS, POWER
from allocator.site.shapes import Named
from allocator.site.table import Key, KeyTable
from allocator.site.tables.common import (
    SPAN,
)
from allocator.site.tables.grounds import AMBIENT, FLUIDS, LIMITS, MATERIALS, PLACES_TABLE
from allocator.site.tables.heat_sinks import HEAT_SINKS
from allocator.site.tables.mixes import MIXES
from allocator.site.tables.network import LINES, PIPES, ROUTES
from allocator.site.tables.supply import SOURCES, STORES
from allocator.site.tables.use import BUILT, COOLERS, DEMANDS, MACHINES

_STREAMS = "list each fluid once: streams follow from temperatures, limits and coolers"
SITE = KeyTable(
    (
        Key("format", Choice((FORMAT,)), f"The format of the file: {FORMAT}", required=True),
        Key("name", Text(), "Name of the site; default: the name of the file"),
        Key("about", Text(), "Anything that a reader should know"),
        Key("units", OwnUnits(), "Time units of the user's own: name and duration"),
        Key("horizon", SPAN, "Time over which running costs are summed", default="1 a"),
        Key(
            "load_factor",
            Quantity("share", above=0, most=1),
            "Mean share of full load at which the machines run; default: from the demand",
        ),
        Key("count_biogenic", Flag(), "Count biogenic releases as well", default="false"),
        Key("ambient", AMBIENT, "Conditions around"),
        Key("goals", ListOf(Choice(GOALS), least=1, distinct=True), "What matters, most first"),
        Key(
            "goal_slack",
            Quantity("share", least=0, below=1),
            "Share of its value that each goal may give up for the goals after it",
            default="0",
        ),
        Key("limits", LIMITS, "Limits of the whole site"),
        Key(
            "fluids",
            Named("fluid", FLUIDS, (POWER, "heat"), 1),
            "What flows here, by name",
            required=True,
        ),
        Key("materials", Named("material", MATERIALS), "Materials to build with"),
        Key(
            "places",
            Named("place", PLACES_TABLE, (), 1),
            "Where things stand, by name",
            required=True,
        ),
        Key(
            "sources", Named("source", SOURCES, (), 1), "What gives fluids, by name", required=True
        ),
        Key("storage", Named("store", STORES), "Kinds of store and where they may stand"),
        Key("pipes", Named("pipe", PIPES), "Kinds of pipe"),
        Key("routes", Named("route", ROUTES), "Corridors where pipe may be laid"),
        Key("power_lines", Named("power line", LINES), "Power lines that may be built"),
        Key("machines", Named("machine", MACHINES), "Kinds of machine and where they may stand"),
        Key("coolers", Named("cooler", COOLERS), "Kinds of cooler and where they may stand"),
        Key(
            "demands",
            Named("demand", DEMANDS, ("flat",), 1),
            "What is asked for, by name",
            required=True,
        ),
        Key("built", BUILT, "What stands already and costs nothing"),
        Key("heat_sinks", Named("heat sink", HEAT_SINKS), "Thermal mass beside sources, by name"),
        Key("mixes", Named("mix", MIXES), "Supply mixes to compare, by name"),
    ),
    reserved={
        "streams": _STREAMS,
    },
)
