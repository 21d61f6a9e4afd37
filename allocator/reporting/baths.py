"""Baths beside sources in a plan: what is enough to keep their limits, and with which margin."""

from __future__ import annotations

from allocator.plan import BathUse, Plan
from allocator.reporting.text import table
from allocator.reporting.words import quantity
from allocator.site.records import Site


def baths_beside(site: Site, plan: Plan) -> list[str]:
    """Each bath: the smallest set that keeps every limit, and whether it must be cooled."""
    rows = [
        (
            use.name,
            use.source,
            enough(use),
            quantity(use.high, "temperature"),
            "-" if use.outlet is None else quantity(use.outlet, "temperature"),
            f"{use.margin:.3g} K",
            cooling(site, use),
        )
        for use in plan.baths
    ]
    heads = ("bath", "beside", "enough", "peak", "gas leaves at", "to spare", "active cooling")
    return table(heads, rows, right=(3, 4, 5)) if rows else []


def enough(use: BathUse) -> str:
    """The smallest set that keeps every limit, in words."""
    if not use.keeps:
        return "NOTHING AT HAND"
    return " + ".join(["recovery"] * use.recovery + ["cooler"] * use.cooler) or "losses alone"


def cooling(site: Site, use: BathUse) -> str:
    """Whether a bath must be cooled at all, in words."""
    if not use.keeps:
        return "see 'allocator bath'"
    cooler = site.baths[use.name].cooler
    if not use.cooler or use.cooling is None or cooler is None:
        return "not needed"
    return f"needed: {quantity(use.cooling, 'power')} of {quantity(cooler.duty, 'power')}"
