"""The record of a whole site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING

from allocator.base.old_names import old_attributes
from allocator.site.catalogue import CatalogueValue
from allocator.site.common_kinds import BELOW_ONE, POSITIVE_PART, SPAN
from allocator.site.formats import FORMAT, RENAMED
from allocator.site.groups import OwnUnits
from allocator.site.keys import key, record, table_of, variants_of
from allocator.site.kinds import Choice, Flag, Text
from allocator.site.moments import SpanFromStart
from allocator.site.records.boosters import BoosterType
from allocator.site.records.built import GOALS, GOALS_KIND, Built, Mix
from allocator.site.records.enclosures import Enclosure
from allocator.site.records.ground import Ambient, Fluid, Limits, MapOrigin, Material, Place
from allocator.site.records.heat_sinks import HeatSink
from allocator.site.records.network import Line, PipeType, Route
from allocator.site.records.storage import POWER, StoreType
from allocator.site.records.supply import Source
from allocator.site.records.use import Cooler, Demand, MachineType
from allocator.site.shapes import Named, Variants
from allocator.site.shared_values import KINDS, SharedValues
from allocator.site.spreads import Spread
from allocator.site.table import Key, KeyTable

_STREAMS = "list each fluid once: streams follow from temperatures, limits and coolers"
_FIRST = (
    "format",
    "name",
    "about",
    "currency",
    "units",
    "horizon",
    "starts_at",
    "survey_ends",
    "discount_rate",
    "life",
    "load_factor",
    "count_biogenic",
    "ambient",
    "origin",
)


_STORES = variants_of(StoreType, "holds", POWER, "fluid")
_OF_KINDS: Mapping[str, KeyTable | Variants] = {
    "sources": table_of(Source),
    "storage": _STORES,
    "pipes": table_of(PipeType),
    "routes": table_of(Route),
    "machines": table_of(MachineType),
    "demands": table_of(Demand),
    "power_lines": table_of(Line),
    "heat_sinks": table_of(HeatSink),
    "coolers": table_of(Cooler),
}
"""Sections whose things may share the values of a kind."""


@record(first=(*_FIRST, "goals", "goal_slack", "limits", KINDS), reserved={"streams": _STREAMS})
class Site:
    """A whole site, as its file says. Mappings keep the order of the file; keys are names.

    ``spreads``: address of a value, such as ``sources.north.flow`` -> what else it may be.
    ``catalogued``: address of a value taken from the catalogue -> that value.
    ``derived``: the network of this site, kept once it is known by ``network_of`` of the room
    ``network``, which alone reads and writes it.

    A site built in Python is checked when it is first used, and has the plan of its file.

    Examples
    --------
    >>> import allocator as al
    >>> site = al.Site(
    ...     name="Well and works",
    ...     fluids={"gas": al.Fluid("gas", heating_value=50e6)},
    ...     materials={},
    ...     places={"well": al.Place("well"), "works": al.Place("works", x=400.0)},
    ...     sources={"well": al.Source("well", "well", "gas", flow=0.002)},
    ...     storage={},
    ...     pipes={"dn25": al.PipeType("dn25", capacity=0.01)},
    ...     routes={"track": al.Route("track", "well", "works", 400.0, pipes=("dn25",))},
    ...     machines={
    ...         "engine": al.MachineType("engine", {"gas": 0.001}, {}, {"works": 3}, power_out=15e3)
    ...     },
    ...     demands={"town": al.Demand("town", "power", mean=40e3)},
    ... )
    >>> round(al.plan(site, node_limit=1000).plan.power.firm_clean)
    30000
    """

    name: str = key(
        Text(),
        "Name of the site",
        required=False,
        left_out="the name of the file",
        also=(
            Key("format", Choice((FORMAT,)), f"The format of the file: {FORMAT}", required=True),
            Key(
                "units",
                OwnUnits(),
                "Time units of your own, for the whole file, such as `shift: 8 h`",
            ),
            Key(KINDS, SharedValues(_OF_KINDS), "Values that things of a kind share, see below"),
        ),
    )
    fluids: Mapping[str, Fluid] = key(
        Named("fluid", table_of(Fluid), (POWER, "heat"), 1), "What flows here, by name"
    )
    materials: Mapping[str, Material] = key(
        Named("material", table_of(Material)), "Materials to build with", required=False
    )
    places: Mapping[str, Place] = key(
        Named("place", table_of(Place), (), 1), "Points of the site, by name"
    )
    sources: Mapping[str, Source] = key(
        Named("source", table_of(Source), (), 1), "What gives fluids, by name"
    )
    storage: Mapping[str, StoreType] = key(
        Named("store", _STORES),
        "Kinds of store and where they may be built",
        required=False,
    )
    pipes: Mapping[str, PipeType] = key(
        Named("pipe", table_of(PipeType)), "Kinds of pipe", required=False
    )
    routes: Mapping[str, Route] = key(
        Named("route", table_of(Route)), "Corridors where pipe may be laid", required=False
    )
    machines: Mapping[str, MachineType] = key(
        Named("machine", table_of(MachineType)),
        "Kinds of machine and where they may be built",
        required=False,
    )
    demands: Mapping[str, Demand] = key(
        Named("demand", table_of(Demand), ("flat",), 1), "What is asked for, by name"
    )
    power_lines: Mapping[str, Line] = key(
        Named("power line", table_of(Line)), "Power lines that may be built", default={}
    )
    built: Built = key(table_of(Built), "What exists already and costs nothing", default=Built())
    limits: Limits = key(table_of(Limits), "Limits of the whole site", default=Limits())
    ambient: Ambient = key(table_of(Ambient), "Conditions around", default=Ambient())
    goals: tuple[str, ...] = key(
        GOALS_KIND, "What matters, most first", default=GOALS, left_out="all, in this order"
    )
    horizon: float = key(SPAN, "Time over which running costs are summed", default=31_557_600.0)
    discount_rate: float | None = key(
        BELOW_ONE,
        "Interest a year, with which money is a sum a year; see below",
        default=None,
        left_out="money is a plain sum",
    )
    life: float | None = key(
        SPAN, "How long things last that state no `life` of their own", default=None
    )
    goal_slack: float = key(
        BELOW_ONE,
        "Share of its value that each goal may give up for the goals after it",
        default=0.0,
    )
    load_factor: float | None = key(
        POSITIVE_PART,
        "Mean share of full load at which the machines run",
        default=None,
        left_out="from the demand",
    )
    count_biogenic: bool = key(Flag(), "Count biogenic releases as well", default=False)
    about: str = key(Text(), "Anything that a reader should know", default="")
    currency: str = key(Text(12), "Shown with every amount of money, such as `EUR`", default="")
    starts_at: str = key(
        Text(40),
        "Date and time from which `next_start` counts, ISO 8601 such as `2027-03-01T06:00`",
        default="",
        left_out="not known",
    )
    survey_ends: float | None = key(
        SpanFromStart(),
        "Until when surveyed clocks are relied on: time from `starts_at`, or `2027-05-30T06:00`",
        default=None,
        left_out="for ever",
    )
    sha256: str = ""
    mixes: Mapping[str, Mix] = key(
        Named("mix", table_of(Mix)), "Supply mixes to compare, by name", default={}
    )
    enclosures: Mapping[str, Enclosure] = key(
        Named("enclosure", table_of(Enclosure)), "Closed rooms and their walls, by name", default={}
    )
    heat_sinks: Mapping[str, HeatSink] = key(
        Named("heat sink", table_of(HeatSink)), "Thermal mass beside sources, by name", default={}
    )
    coolers: Mapping[str, Cooler] = key(
        Named("cooler", table_of(Cooler)), "Kinds of cooler and where they may be built", default={}
    )
    origin: MapOrigin | None = key(
        table_of(MapOrigin),
        "Where the origin of the coordinates is, for `plan.geojson`",
        default=None,
        left_out="coordinates are local",
    )
    boosters: Mapping[str, BoosterType] = key(
        Named("booster", table_of(BoosterType)),
        "Kinds of blower, compressor and pump, and where they may be built",
        default={},
    )
    spreads: Mapping[str, Spread] = field(default_factory=dict)
    catalogued: Mapping[str, CatalogueValue] = field(
        default_factory=dict, repr=False, compare=False
    )
    # not an argument, so that replace() leaves it out: a changed site has another network
    derived: object = field(default=None, init=False, repr=False, compare=False)

    if not TYPE_CHECKING:  # a type checker would take every name for one of the record
        __getattr__ = old_attributes(RENAMED[""])

    def may_carry(self, route: str, build: str, fluid: str) -> bool:
        """Whether a pipe that a route offers is for a fluid."""
        del route
        able = self.pipes[build].fluids
        return able is None or fluid in able


SITE = table_of(Site)
"""The keys of a site file, from the top level down."""
