"""Records of what is there before a plan, and of supply mixes to compare."""

from __future__ import annotations

import math
from collections.abc import Mapping

from allocator.site.common_kinds import (
    BOOSTER,
    COOLER,
    EMISSION,
    FLUID,
    HEAT_SINK,
    HOT,
    KILOGRAMS,
    MACHINE,
    MONEY,
    PIPE,
    PLACE,
    SOURCE,
)
from allocator.site.groups import ListOf, MapOf
from allocator.site.keys import key, record, table_of
from allocator.site.kinds import AsWritten, Choice, Flag, Name, Text, Whole

GOALS = ("clean_power", "served_power", "served_fluid", "emissions", "scarce_material", "money")
"""The goals a site may order; the first two are watts of firm (or mean) power served."""

SAME_MASS = 1e-9
"""Share by which a mass may differ from one that is offered: rounding of what was written."""
GOALS_KIND = ListOf(Choice(GOALS), least=1, distinct=True)


@record()
class BuiltPipe:
    """An existing pipe."""

    route: str = key(Name("routes", "route"), "Where it lies")
    pipe: str = key(PIPE, "Which pipe it is")
    fluid: str = key(FLUID, "What it carries")
    temperature: float | None = key(
        HOT,
        "At which the fluid enters it, where the fluid is planned with temperatures",
        default=None,
        left_out="the hottest that it may carry",
    )
    start: str | None = key(
        PLACE,
        "The end of the route at which a fluid enters that cools or warms on the way",
        at="from",
        default=None,
        left_out="the first of `between`",
    )


@record()
class BuiltBooster:
    """An existing booster, at the inlet of an existing pipe or store."""

    booster: str = key(BOOSTER, "Which booster it is")
    place: str = key(PLACE, "Its place")
    fluid: str = key(FLUID, "What it moves")
    route: str | None = key(
        Name("routes", "route"), "Into whose pipe it blows, away from `place`", default=None
    )
    store: str | None = key(
        Name("storage", "store"), "Into which store at `place` it blows", default=None
    )


@record()
class BuiltCooler:
    """Existing units of a cooler, for one stream."""

    cooler: str = key(COOLER, "Which cooler it is")
    place: str = key(PLACE, "Its place")
    units: int = key(Whole(1), "Number of units that cool the stream together", default=1)
    source: str | None = key(
        SOURCE,
        "Whose gas alone it cools, ahead of the pump",
        default=None,
        left_out="gas of any source",
    )
    temperature: float | None = key(
        HOT,
        "At which gas of any source enters it",
        default=None,
        left_out="the hottest that it may take there",
    )


@record()
class BuiltHeatSink:
    """An existing heat sink."""

    heat_sink: str = key(HEAT_SINK, "Which heat sink it is")
    mass: float = key(KILOGRAMS, "Its content, one of those that the heat sink offers")
    recovery: bool = key(Flag(), "Whether it has its recovery", default=False)

    def is_of(self, heat_sink: str, mass: float, recovery: bool) -> bool:
        """Whether it is one of a name, of ``mass`` kg, with recovery or not."""
        alike = math.isclose(self.mass, mass, rel_tol=SAME_MASS)
        return alike and (self.heat_sink, self.recovery) == (heat_sink, recovery)


@record()
class Built:
    """What exists already and costs nothing; stores and machines by (type, place)."""

    sources: tuple[str, ...] = key(
        ListOf(SOURCE, distinct=True), "Sources that are connected already", default=()
    )
    pipes: tuple[BuiltPipe, ...] = key(ListOf(table_of(BuiltPipe)), "Existing pipes", default=())
    power_lines: tuple[str, ...] = key(
        ListOf(Name("power_lines", "power line"), distinct=True), "Existing power lines", default=()
    )
    storage: Mapping[tuple[str, str], float] = key(
        MapOf(Name("storage", "store"), MapOf(PLACE, AsWritten())),
        "Store -> place -> existing size, within the store's `places`, `size` and `unit`; it grows "
        "by a thousandth or not at all",
        default={},
    )
    machines: Mapping[tuple[str, str], int] = key(
        MapOf(MACHINE, MapOf(PLACE, Whole())),
        "Machine -> place -> existing units, within the machine's `places` and `max_units`",
        default={},
    )
    boosters: tuple[BuiltBooster, ...] = key(
        ListOf(table_of(BuiltBooster)), "Existing boosters", default=()
    )
    coolers: tuple[BuiltCooler, ...] = key(
        ListOf(table_of(BuiltCooler)), "Existing coolers", default=()
    )
    heat_sinks: tuple[BuiltHeatSink, ...] = key(
        ListOf(table_of(BuiltHeatSink)), "Existing heat sinks", default=()
    )


@record()
class Mix:
    """A supply mix to compare: what differs from the site itself; None leaves the site's own."""

    name: str
    about: str = key(Text(), "What the mix is for", default="")
    machines: tuple[str, ...] | None = key(
        ListOf(MACHINE, least=1, distinct=True),
        "The only machines that may be used",
        default=None,
        left_out="all",
    )
    goals: tuple[str, ...] | None = key(
        GOALS_KIND, "What matters, most first", default=None, left_out="as on the site"
    )
    emission: float | None = key(
        EMISSION, "Most counted emission, mean over time", default=None, left_out="as on the site"
    )
    money: float | None = key(
        MONEY, "Most money for all that is new and runs", default=None, left_out="as on the site"
    )
