"""Properties and heat of a fluid for the audit: looked up, and integrated by its own rules."""

from __future__ import annotations

import math
from dataclasses import replace

from allocator.physics.substances import Substance, value
from allocator.verify.case import Case
from allocator.verify.vapour import along

INTEGRALS = 1e-4
"""Share by which two integrals of one heat capacity may differ: plans take it straight between 65
temperatures, which is worst for steam close to boiling."""

GAUSS = (
    (-0.9061798459386640, 0.2369268850561891),
    (-0.5384693101056831, 0.4786286704993665),
    (0.0, 0.5688888888888889),
    (0.5384693101056831, 0.4786286704993665),
    (0.9061798459386640, 0.2369268850561891),
)
"""Points from -1 to 1 and weights."""


def substance_of(case: Case, fluid: str, *, dry: bool = False) -> Substance:
    """A fluid for the look-up of its properties, with the vapour that it brings unless ``dry``."""
    record, ambient = case.site.fluids[fluid], case.site.ambient
    found = Substance(
        fluid,
        record.phase,
        record.substance,
        record.constants,
        (ambient.temperature, ambient.pressure),
    )
    return found if dry else replace(found, vapour=along(case, found))


def specific_heat(case: Case, fluid: str, kelvin: float, *, dry: bool = False) -> float:
    """J/(kg K) at ambient pressure, of each kg without its vapour."""
    pressure = case.site.ambient.pressure
    return float(value(substance_of(case, fluid, dry=dry), "specific_heat", kelvin, pressure))


def mixed(case: Case, fluid: str, came: list[tuple[float, float]]) -> float:
    """Mixture by heat, with the heat capacity half way from the coldest: two rounds settle it."""
    coldest = min(kelvin for _, kelvin in came)
    whole = math.fsum(rate for rate, _ in came)
    heat = (
        math.fsum(rate * heat_between(case, fluid, coldest, kelvin) for rate, kelvin in came)
        / whole
    )
    low, high = coldest, max(kelvin for _, kelvin in came)
    for _ in range(40):
        middle = (low + high) / 2
        if heat_between(case, fluid, coldest, middle) < heat:
            low = middle
        else:
            high = middle
    return high


def heat_between(case: Case, fluid: str, cold: float, hot: float, *, dry: bool = False) -> float:
    """J/kg between two temperatures, by the rule of Gauss and Legendre of five points."""
    middle, half = (cold + hot) / 2, (hot - cold) / 2
    return half * math.fsum(
        weight * specific_heat(case, fluid, middle + half * at, dry=dry) for at, weight in GAUSS
    )
