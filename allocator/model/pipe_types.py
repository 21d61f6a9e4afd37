"""Which pipe types may be left out because another type is better in every way."""

from __future__ import annotations

import math

from allocator.network.records import Network
from allocator.site.money import counted_share
from allocator.site.records import PipeType


def beats(better: PipeType, worse: PipeType, more: float = 0.0) -> bool:
    """True when a build carries as much for no more of any material and no more money.

    ``more``: kg/s that it carries beyond the other, of the fluid and on the route in question.
    """
    if more < 0 or better.price > worse.price:
        return False
    mine, other = better.masses(), worse.masses()
    if any(mass > other.get(material, 0.0) for material, mass in mine.items()):
        return False
    same = more == 0 and better.price == worse.price and mine == other
    return not same or better.name < worse.name


def lasts_as_long(site: Network, better: PipeType, worse: PipeType) -> bool:
    """True when a price counts for no more a year of one build than of another, where it does."""
    return counted_share(site, better.life) <= counted_share(site, worse.life)


def loses_no_more(better: PipeType, worse: PipeType) -> bool:
    """True when a build loses no more pressure than another, may be as fast and bears as much."""
    if worse.bore is None or better.bore is None:
        alike = better.bore is None
    else:
        alike = (
            better.bore >= worse.bore
            and better.roughness <= worse.roughness
            and _as_fast(better.max_velocity, worse.max_velocity)
            and better.max_mach >= worse.max_mach
        )
    limits = (better.pressure_rating, worse.pressure_rating)
    borne, asked = (math.inf if limit is None else limit for limit in limits)
    return alike and borne >= asked


def _as_fast(one: float | None, other: float | None) -> bool:
    return one == other or (one is not None and other is not None and one >= other)
