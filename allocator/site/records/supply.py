"""Records of supply: sources with duty cycle and pump."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from allocator.site.common_kinds import (
    BELOW_ONE,
    FLOW,
    FLUID,
    HOT,
    INSIDE_ONE,
    KELVIN,
    MONEY,
    PLACE,
    PRESSURE,
    RANGED_FLOW,
    RANGED_SPAN,
    SPAN,
    SPAN_OR_NONE,
    amounts,
)
from allocator.site.groups import ListOf
from allocator.site.keys import KeyGroup, key, record, table_of
from allocator.site.kinds import Choice, Flag, Quantity, Text
from allocator.site.shared_values import kind_key
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable

CLOCKS = ("free", "surveyed", "calendar")
"""What may be known of when a source is on."""

UNTAPPED = ("stays", "vents")
"""Where what nobody takes of a source may go."""


@record()
class Stage:
    """One stage of a duty cycle: on for ``on`` of every ``every``."""

    on: float = key(RANGED_SPAN, "How long it is on")
    every: float = key(RANGED_SPAN, "How often it turns on: the period of the stage")


@record()
class Chamber:
    """A closed space at a source that its pump draws from."""

    volume: float = key(Quantity("volume", above=0), "Of the closed space at the source")
    min_pressure: float = key(PRESSURE, "Pressure that the pump keeps in it")


@record()
class Pump:
    """A pump at a source."""

    energy: float = key(
        Quantity("energy_per_mass", least=0),
        "Electric energy per mass moved (power per mass rate)",
    )
    rate: float | None = key(FLOW, "Highest rate", default=None, left_out="no limit")
    max_inlet_temperature: float | None = key(
        KELVIN, "Hottest fluid that it may take in", default=None, left_out="no limit"
    )
    chamber: Chamber | None = key(
        table_of(Chamber),
        "What the pump draws from between bursts, see below",
        default=None,
        left_out="nothing to draw from",
    )


SERIES = KeyTable(
    (
        Key("csv", Text(), "File of time and flow, from the folder of the site file", True),
        Key(
            "window",
            SPAN,
            "Every time of this length brings what the least one of the record brought",
            left_out="the shortest that counts on `share`",
        ),
        Key(
            "max_flow",
            FLOW,
            "Most that is taken at once",
            left_out="the one with the shortest pause",
        ),
        Key("share", INSIDE_ONE, "Share of the mean flow to count on, if it can be", default=0.8),
    )
)


@dataclass(frozen=True, slots=True)
class RecordedFlow:
    """A measured flow: ``levels`` in kg/s from each of ``starts`` in s on, up to ``length``.

    ``window``: s. In each, at least what the least one of the record brought is counted on, as
    ``flow`` for the on-time of the source's one stage. In ``gaps`` steps nothing is known, so that
    their level is 0.
    """

    window: float
    starts: tuple[float, ...]
    levels: tuple[float, ...]
    length: float
    gaps: int = 0


DELIVERY = KeyTable(
    (
        Key("every", RANGED_SPAN, "Time from one delivery to the next", required=True),
        Key("batch", Ranged("mass", above=0), "What comes at once", required=True),
    )
)


@record(
    groups={"connection": KeyGroup("What it takes to connect the source")},
    exclusive=(
        ("cycle", "delivery"),
        *(("series", key) for key in ("cycle", "delivery", "next_start", "clock", "error")),
        *(("series", key) for key in ("drift", "jitter")),
    ),
    either=(("flow",), ("series",)),
    completing=(kind_key("sources"),),
)
class Source:
    """A source. No ``stages``: it is always on.

    Fuel that is bought in batches (``delivered``) has one stage: unloading for ``batch / flow`` of
    every delivery interval. One with a ``series`` has a stage that promises no more than the
    record. ``water`` is the mole fraction of vapour; all kg are of the gas without it.
    """

    name: str
    place: str = key(PLACE, "Its place")
    fluid: str = key(FLUID, "The fluid that it gives")
    flow: float = key(
        RANGED_FLOW,
        "Flow **while it is on**",
        required=False,
        also=(Key("series", SERIES, "Measured flow, in place of `flow` and `cycle`; see below"),),
    )
    stages: tuple[Stage, ...] = key(
        ListOf(table_of(Stage)),
        "Stages of the duty cycle, innermost first: on for `on` of every `every`; see below",
        at="cycle",
        default=(),
        left_out="always on",
        also=(
            Key("delivery", DELIVERY, "Bought in batches, which are unloaded at the rate `flow`"),
        ),
    )
    delivered: bool = False
    series: RecordedFlow | None = None
    next_start: float | None = key(
        SPAN_OR_NONE,
        "Time until the outermost stage next turns on, or the next delivery comes",
        default=None,
        left_out="unknown",
    )
    clock: str = key(
        Choice(CLOCKS),
        "What is known of when it is on, see below",
        default="free",
    )
    error: float | None = key(
        SPAN_OR_NONE,
        "How far `next_start` may be off, either way; needed unless the clock is free",
        default=None,
        left_out="not known",
    )
    drift: float = key(
        BELOW_ONE, "How much faster or slower than stated its clock may run", default=0.0
    )
    jitter: float = key(
        SPAN_OR_NONE,
        "How far each burst may come early or late as a whole, all stages together",
        default=0.0,
    )
    temperature: float | None = key(HOT, "At the mouth", default=None)
    pressure: float | None = key(
        PRESSURE, "At the mouth, absolute", default=None, left_out="no limit"
    )
    reliable: bool = key(
        Flag(),
        "It cannot be lost, such as a bulk tank that is always kept: `plan --lose` leaves it alone",
        default=False,
    )
    when_untapped: str = key(
        Choice(UNTAPPED),
        "Where what nobody takes of it goes: it stays in the ground, or comes and is vented",
        default="stays",
    )
    water: float | None = key(
        INSIDE_ONE,
        'Vapour in the gas, by volume; `flow` is that of the gas without it: see "Wet gas"',
        default=None,
    )
    connection_materials: Mapping[str, float] = key(
        amounts("mass"), "Material to connect it", at="connection.materials", default={}
    )
    connection_price: float = key(MONEY, "Money to connect it", at="connection.price", default=0.0)
    connection_life: float | None = key(
        SPAN,
        "How long the connection lasts",
        at="connection.life",
        default=None,
        left_out="the site's `life`",
    )
    price: float = key(
        Quantity("money_per_mass", least=0), "Money for each kg that is taken", default=0.0
    )
    pump: Pump | None = key(
        table_of(Pump), "The pump that the source needs", default=None, left_out="no pump"
    )

    @property
    def steady(self) -> bool:
        """True when the source is always on."""
        return not self.stages
