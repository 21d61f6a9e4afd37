"""What a plan builds and uses: sources, storage, pipe runs, power lines, machines."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.json_kinds import JsonNamed, JsonRows, JsonText, JsonWhole, Maybe, Number
from allocator.base.json_records import JsonKey, JsonObject, fact, record

CLASSES = ("clean", "emitting")
UNITS = JsonWhole(10_000)
"""Units are listed one by one in the build order."""
BY_NAME = JsonNamed(Number())


@record
class SourceUse:
    """One source.

    What a pump draws out of a chamber through pauses stands as a source beside its own:
    ``north: chamber, always``.
    """

    name: str = fact("name", "Source of the site file; `source: chamber, ...` for a chamber.")
    tapped: bool = fact("tapped", "Whether the source is connected.")
    new: bool = fact("new", "Whether the plan connects it.")
    collect: Mapping[str, float] = fact(
        "collect_kg_s",
        "Flow while the source is on, by destination: `store:type@place`, or"
        " `burn:type@place>battery@place` for what is burnt directly, or `flare:type@place`.",
        default_factory=dict,
    )
    direct: Mapping[str, float] = fact(
        "direct_mean_kg_s",
        "Mean flow of a steady source straight into the supply layer, by shape.",
        default_factory=dict,
    )

    @property
    def from_chamber(self) -> bool:
        """True for what is drawn out of a chamber: no name in a site file holds a colon."""
        return ":" in self.name


@record
class StoreUse:
    """One store of a fluid at a place."""

    name: str = fact("name", "`type@place`.")
    type: str = fact("type", "Store of the site file.")
    place: str = fact("place", "Its place.")
    holds: str = fact("holds", "The fluid.")
    size: float = fact("size_kg", "Size in all, existing and new.")
    new_size: float = fact("new_size_kg", "How much of the size is new.")
    units: int | None = fact("units", "New whole units; null for a continuous size.", Maybe(UNITS))
    draw: Mapping[str, float] = fact(
        "draw_mean_kg_s", "Firm output at all times, mean flow by shape.", default_factory=dict
    )
    inflow: float = fact("inflow_kg_s", "Steady flow from the supply layer.", default=0.0)


@record
class BatteryUse:
    """One store of power, whose size is shared out in parts."""

    name: str = fact("name", "`type@place`.")
    type: str = fact("type", "Store of the site file.")
    place: str = fact("place", "Its place.")
    size: float = fact("size_j", "Size in all; the parts add up to at most this.")
    new_size: float = fact("new_size_j", "How much of the size is new.")
    units: int | None = fact("units", "New whole units; null for a continuous size.", Maybe(UNITS))
    level_part: float = fact(
        "level_part_j", "Part that levels flat generation to the profiles of demands.", default=0.0
    )
    levelled: Mapping[str, Mapping[str, float]] = fact(
        "levelled_mean_w",
        "Mean power served that way, by demand and class.",
        JsonNamed(JsonNamed(Number(), CLASSES)),
        default_factory=dict,
    )
    burst_part: Mapping[str, float] = fact(
        "burst_part_j",
        "Parts behind bursts, by class.",
        JsonNamed(Number(), CLASSES),
        default_factory=dict,
    )
    release: Mapping[str, Mapping[str, float]] = fact(
        "release_mean_w",
        "Firm mean power of the parts behind bursts, by class and shape.",
        JsonNamed(BY_NAME, CLASSES),
        default_factory=dict,
    )
    swing_part: float = fact(
        "swing_part_j", "Part kept for machines that are cycled on and off.", default=0.0
    )
    level_surplus: Mapping[str, Mapping[str, float]] = fact(
        "level_surplus_w",
        "Flat generation beyond the least for what it levels, by demand and class.",
        JsonNamed(JsonNamed(Number(), CLASSES)),
        optional=True,
        default_factory=dict,
    )


@record
class PipeFlow:
    """Flow along a pipe run."""

    start: str = fact("start", "Node at which it enters.")
    end: str = fact("end", "Node at which it leaves.")
    layer: str = fact(
        "layer",
        "`collect`: from sources to stores and burners; `supply`: firm output, at all times.",
        JsonText(("collect", "supply")),
    )
    carries: str = fact(
        "carries", "Collect layer: the place that the flow is bound for; supply layer: the shape."
    )
    rate: float = fact(
        "rate_kg_s", "Collect layer: flow with all sources on; supply layer: mean flow."
    )


@record
class Run:
    """A pipe on a route for one fluid, new or existing."""

    route: str = fact("route", "Route of the site file.")
    build: str = fact("build", "What is laid there.")
    fluid: str = fact("fluid", "What it carries.")
    new: bool = fact("new", "Whether the plan lays it.")
    flows: tuple[PipeFlow, ...] = fact("flows", "Flows along it.", default=())


_LINE_KEYS = (
    JsonKey("start", JsonText(), "Place at which it enters."),
    JsonKey("end", JsonText(), "Place at which it leaves."),
    JsonKey("class", JsonText(CLASSES), "Whether the power is clean."),
    JsonKey("shape", JsonText(), "Shape of the flow: `flat`, or a demand's name."),
    JsonKey("sent_w", Number(), "Mean power sent."),
)
_LINE_FLOW = JsonObject(
    "LineFlow",
    "Power sent along a power line.",
    _LINE_KEYS,
    lambda **found: tuple(found.values()),
    lambda flow: dict(zip((key.name for key in _LINE_KEYS), flow, strict=True)),
)


@record
class LineUse:
    """A power line in use. ``flows``: (start, end, clean|emitting, shape, W sent)."""

    name: str = fact("name", "Line of the site file.")
    new: bool = fact("new", "Whether the plan builds it.")
    flows: tuple[tuple[str, str, str, str, float], ...] = fact(
        "flows", "Power sent along it.", JsonRows(_LINE_FLOW), default=()
    )


@record
class MachineUse:
    """Machines of one type at one place; loads are in units at full load."""

    name: str = fact("name", "`type@place`.")
    type: str = fact("type", "Machine of the site file.")
    place: str = fact("place", "Their place.")
    count: int = fact("count", "Units in all, existing and new.", UNITS)
    new: int = fact("new", "New units.", UNITS)
    running: int = fact("running", "Units that run at all times.", UNITS, default=0)
    flat_load: float = fact("flat_load", "Steady load of these units together.", default=0.0)
    following: Mapping[str, float] = fact(
        "following", "Mean load of them that follows a shape, by shape.", default_factory=dict
    )
    cycled: float = fact(
        "cycled",
        "Load, at most 1, of one more unit that is cycled on and off behind a battery.",
        default=0.0,
    )
    burst: Mapping[str, float] = fact(
        "burst",
        "Units that burn bursts and steady gas directly, by battery, that run on and off included.",
        default_factory=dict,
    )
    buffer_vessel: Mapping[str, float] = fact(
        "receiver_kg",
        "Content of the buffer vessels of the unit run on and off, by fluid.",
        optional=True,
        default_factory=dict,
    )
    overflow: Mapping[str, float] = fact(
        "overflow_kg_s",
        "Of a flare: mean overflow that it burns, by store (`type@place`) that it guards.",
        optional=True,
        default_factory=dict,
    )


@record
class BoosterUse:
    """A blower, compressor or pump at the inlet of one pipe, or of one store."""

    booster: str = fact("booster", "Booster of the site file.")
    fluid: str = fact("fluid", "What it moves.")
    route: str = fact("route", "Route into whose pipe it blows; empty at the inlet of a store.")
    start: str = fact("start", "Its node.")
    store: str = fact("store", "`type@place` of the store that it fills; empty for a pipe.")
    new: bool = fact("new", "Whether the plan places it.")
    flow: float = fact("flow_kg_s", "Most that it moves, with all that may flow at once.")
    power: float = fact("power_w", "Power that it draws at this flow.")


@record
class NodePressure:
    """Pressures of a fluid at a node, absolute, that hold whatever flows.

    What arrives and goes into stores comes at ``high``; what leaves along pipes and into machines
    leaves at ``low``.
    """

    node: str = fact("node", "Place of the site, or the part of it with a fluid at one level.")
    fluid: str = fact("fluid", "The fluid.")
    high: float = fact("high_pa", "Pressure at which the fluid arrives.")
    low: float = fact("low_pa", "Pressure at which it leaves.")
    shut_in: float = fact(
        "shut_in_pa", "Highest that it can be, with nothing flowing and every valve open."
    )


@record
class RecoveryUse:
    """Power, or heat for a place, promised of the heat that a cooler takes away."""

    route: str = fact("route", "Route of the cooler.")
    build: str = fact("build", "Cooler and number of units.")
    flow: Mapping[str, float] = fact(
        "flow_kg_s",
        "Mean flow of the supply layer through it, hot out of the sources at its start, by shape.",
        default_factory=dict,
    )
    power: Mapping[str, float] = fact(
        "power_w", "Mean power from that flow, by shape.", default_factory=dict
    )
    heat: float | None = fact(
        "heat_w",
        "Heat that it gives at all times to the heat demand of the place into which it goes.",
        optional=True,
        default=None,
    )
