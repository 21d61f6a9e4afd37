"""Checks of boosters that need more than one value: what they move, and by how much."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from allocator.base.quantities import shown
from allocator.site.records import Fluid
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values


def check_booster(values: Values, whole: SiteValues) -> Filled:
    """Notes boosters whose kind does not go with their fluids, ratio or head."""
    for key, problem, remedy in booster_faults(values.get, whole.made["fluids"]):
        if values.has(key) <= (values.get(key) is not None):  # else it is faulty itself
            values.fault(key, problem, remedy)
    return {}


def booster_faults(
    get: Callable[[str], Any], fluids: Mapping[str, Fluid]
) -> Iterator[tuple[str, str, str]]:
    """What is wrong with a booster: key, what is wrong, what to do."""
    kind = get("kind")
    if kind is None:
        return
    pump = kind == "pump"
    needed, other = ("head", "ratio") if pump else ("ratio", "head")
    if get(needed) is None:
        example = "head: 30 m" if pump else "ratio: 1.2"
        yield needed, f"needs '{needed}', as it is a {kind}", f"add '{example}'"
    if get(other) is not None:
        yield other, f"is for {'gas' if pump else 'liquids'}, and it is a {kind}", "leave it out"
    if not pump and get("discharge_temperature") is None:
        yield (
            "discharge_temperature",
            "needs the hottest temperature at which the gas leaves it",
            "add 'discharge_temperature: 45 degC'",
        )
    phase = "liquid" if pump else "gas"
    for fluid in get("fluids") or ():
        if fluid in fluids and fluids[fluid].phase != phase:
            yield (
                "fluids",
                f"holds {shown(fluid)}, a {fluids[fluid].phase}, and a {kind} moves {phase}",
                f"use a {'blower or compressor' if pump else 'pump'} for it"
                if fluids[fluid].phase != "solid"
                else "leave it out",
            )
