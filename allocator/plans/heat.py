"""True temperatures of a plan, with limits and margins."""

from __future__ import annotations

from allocator.base.json_kinds import JsonText
from allocator.base.json_records import fact, record


@record
class FlowHeat:
    """Temperatures of a flow of one fluid along a route, in still air, all layers together."""

    route: str = fact("route", "Route of the pipe or cooler.")
    build: str = fact("build", "What is laid there.")
    fluid: str = fact("fluid", "What flows.")
    start: str = fact("start", "Node at which it enters.")
    state: str = fact(
        "state",
        "`busiest`: every source on and every shape at its peak; `quiet`: means of what stores and"
        " steady sources give.",
        JsonText(("busiest", "quiet")),
    )
    rate: float = fact("rate_kg_s", "Flow in that state.")
    inlet: float = fact("inlet_temperature_k", "Temperature of the fluid that enters.")
    outlet: float = fact(
        "end_temperature_k",
        "Temperature of the fluid that leaves; of a pipe the highest at any flow up to this one.",
    )
    loss: float = fact(
        "heat_loss_w",
        "Heat lost to the surroundings, at most, or to a cooler's coolant.",
    )
    surface: float | None = fact(
        "surface_temperature_k",
        "Surface at the inlet; null where the layers of the build are not known in full.",
        default=None,
        after="outlet",
    )


@record
class CoolerHeat:
    """A cooler in the busiest state."""

    route: str = fact("route", "Route of the cooler.")
    build: str = fact("build", "Cooler and number of units.")
    duty: float = fact("duty_w", "Heat that it takes away, with that of water that condenses.")
    power: float = fact("power_w", "Power that its pumps and fans take for that.")
    mean_duty: float = fact(
        "mean_duty_w", "Heat that it takes away on average, without that of condensing water."
    )
    recovered: float = fact(
        "recovered_mean_w",
        "Mean power recovered from that heat; `recoveries` says how much of it is firm.",
        default=0.0,
    )


HEAT_RENAMED = (("heat let in", "heat released"),)
"""Names of limits that older versions wrote into plans."""


@record
class HeatLimit:
    """A limit of temperature or heat, and the plan's value in its worst state."""

    subject: str = fact("subject", "What the limit is of, such as `run ridge`.")
    what: str = fact("what", "Which of its limits.", JsonText(renamed=HEAT_RENAMED))
    unit: str = fact("unit", "Unit of value and limit.", JsonText(("K", "W")))
    value: float = fact("value", "The plan's value in its worst state.")
    most: float = fact("most", "The limit.")


@record
class Drain:
    """Where water condenses in a pipe or cooler, in the worst state."""

    route: str = fact("route", "Route of the run.")
    fluid: str = fact("fluid", "What it carries.")
    end: str = fact("end", "Node at its cold end.")
    water: float | None = fact(
        "water_kg_s", "Most water that condenses; null where the molar mass is not known."
    )


@record
class Heat:
    """Temperatures of flows, coolers, limits, and what should be known of them."""

    flows: tuple[FlowHeat, ...] = fact("flows", "Flows in pipes and coolers.", default=())
    coolers: tuple[CoolerHeat, ...] = fact("coolers", "Coolers in the busiest state.", default=())
    limits: tuple[HeatLimit, ...] = fact("limits", "Limits with their values.", default=())
    notes: tuple[str, ...] = fact("notes", "What should be known of the above.", default=())
    drains: tuple[Drain, ...] = fact("drains", "Where water condenses.", optional=True, default=())


@record
class HeatSinkUse:
    """A heat sink beside a source, and the smallest set that keeps all its limits.

    The set is losses alone, with ``recovery``, with a ``cooler`` at full duty, or with both. Of a
    heat sink that is ``used`` it is told with the recovery that this takes.
    """

    name: str = fact("name", "Heat sink of the site file.")
    source: str = fact("source", "Its source.")
    recovery: bool = fact("recovery", "Whether recovery of power is in the set.")
    cooler: bool = fact("cooler", "Whether the cooler is in the set.")
    keeps: bool = fact(
        "keeps", "Whether the set keeps every limit; where nothing does, the set is all there is."
    )
    high: float = fact("hottest_k", "Highest temperature that it reaches.")
    outlet: float | None = fact("outlet_k", "Of the gas that leaves; null where not known.")
    margin: float = fact("margin_k", "Margin to the nearest limit; below zero where it is broken.")
    cooling: float | None = fact(
        "cooling_w",
        "Least sufficient duty of the cooler; null without one, or where nothing keeps the limits.",
        default=None,
    )
    mass: float | None = fact("mass_kg", "Its mass.", optional=True, default=None)
    used: bool = fact(
        "used",
        "Whether the plan leads the source's gas through it and counts with the outlet that it"
        " guarantees.",
        optional=True,
        default=False,
    )
    guaranteed: float | None = fact(
        "guaranteed_outlet_k",
        "Temperature above which no gas leaves it.",
        optional=True,
        default=None,
    )
