"""Records of what is there before a plan, and of supply mixes to compare."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.common_kinds import (
    BOOSTER,
    EMISSION,
    FLUID,
    HOT,
    MACHINE,
    MONEY,
    PIPE,
    PLACE,
    SOURCE,
)
from allocator.site.groups import ListOf, MapOf
from allocator.site.keys import key, record, table_of
from allocator.site.kinds import AsWritten, Choice, Name, Text, Whole

GOALS = ("clean_power", "served_power", "served_fluid", "emissions", "scarce_material", "money")
"""The goals a site may order; the first two are watts of firm (or mean) power served."""

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
        "Store -> place -> existing size, within the store's `places`, `size` and `unit`",
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
