"""Checks of machines and coolers that need more than one value."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from allocator.base.dimensions import format_absolute
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
    if all(values.get(key) is not None for key in _PRESSURES if values.has(key)):
        for key, problem, remedy in machine_pressure_faults(values.get):
            values.fault(key, problem, remedy)
    for key, other, example in (("mtbf", "mttr", "24 h"), ("mttr", "mtbf", "2000 h")):
        if values.has(key) and not values.has(other):
            values.fault(key, f"says nothing without '{other}'", f"add '{other}: {example}'")
    if (values.get("service") or 0.0) >= YEAR:
        values.fault("service", "is a year or more of each", "give a duration such as '120 h'")
    given = values.has("min_up_time")
    return {"min_burst_time": values.get("min_up_time") if given else 0.0}


_PRESSURES = ("pressure_rating", "min_inlet_pressure", "outlet_pressure")


def machine_pressure_faults(
    get: Callable[[str], float | None],
) -> Iterator[tuple[str, str, str]]:
    """A machine that does not bear its own pressures: key, what is wrong, what to do."""
    rating, *ends = map(get, _PRESSURES)
    for key, pressure in zip(_PRESSURES[1:], ends, strict=True):
        if rating is not None and pressure is not None and pressure > rating:
            shown = [format_absolute(pascal) for pascal in (rating, pressure)]
            yield "pressure_rating", f"is below '{key}' ({shown[0]} < {shown[1]})", "check both"


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
    if coolant and coolant.has("capacity") and values.get("arrangement") == "condenser":
        coolant.warn(
            "capacity",
            "coolant.capacity has no effect, as coolant of a 'condenser' boils at one temperature",
            "leave it out, or give another 'arrangement'",
        )
    cold = coolant.get("temperature") if coolant else None
    if cold is not None and set_point is not None and set_point <= cold:
        values.fault(
            "set_point",
            "is not above its coolant, and nothing cools below that",
            "raise the set-point or use colder coolant",
        )
    return {}
