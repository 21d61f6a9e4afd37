"""Checks of machines and coolers that need more than one value."""

from __future__ import annotations

from allocator.site.records import POWER
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values

YEAR = 365.25 * 86400.0
"""s."""


def shortest_burst(values: Values, _: SiteValues) -> Filled:
    """The shortest burst of a machine; notes power on both sides of it."""
    if POWER in values.get("inputs", ()) and POWER in values.get("outputs", ()):
        values.fault(
            "outputs",
            "holds 'power', which the machine also takes",
            "give the net power on one side",
        )
    for key, other, example in (("mtbf", "mttr", "24 h"), ("mttr", "mtbf", "2000 h")):
        if values.has(key) and not values.has(other):
            values.fault(key, f"says nothing without '{other}'", f"add '{other}: {example}'")
    if (values.get("service") or 0.0) >= YEAR:
        values.fault("service", "is a year or more of each", "give a duration such as '120 h'")
    given = values.has("min_up_time")
    return {"min_burst_time": values.get("min_up_time") if given else 0.0}


def check_coolant(values: Values, _: SiteValues) -> Filled:
    """A cooler without a size, or whose coolant cannot cool to the set-point."""
    coolant: Values | None = values.get("coolant")
    set_point = values.get("set_point")
    if values.has("conductance") and not values.has("coolant"):
        values.fault(
            "conductance",
            "says nothing without its coolant",
            "add 'coolant: {temperature: 20 degC}'",
        )
    if not any(values.has(key) for key in ("rate", "duty", "conductance")):
        values.fault(
            "rate", "has no size: 'rate', 'duty' or 'conductance'", "add 'duty: 50 kW' for one unit"
        )
    cold = coolant.get("temperature") if coolant else None
    if cold is not None and set_point is not None and set_point <= cold:
        values.fault(
            "set_point",
            "is not above its coolant, and nothing cools below that",
            "raise the set-point or use colder coolant",
        )
    return {}
