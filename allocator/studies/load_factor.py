"""The share of full load at which a site's machines run on average."""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.site.records import POWER, Demand, Profile, Site


def load_factor_of(site: Site) -> float:
    """The site's own load factor, or mean over peak of its power demands together; 1 if none.

    Demands of one period add up as they fall; between different periods the peaks are taken to
    meet, as they do sooner or later when the periods have no common measure.
    """
    if site.load_factor is not None:
        return site.load_factor
    demands = [demand for demand in site.demands.values() if demand.wants == POWER]
    mean = math.fsum(demand.mean for demand in demands)
    if mean <= 0:
        return 1.0
    steady = math.fsum(demand.mean for demand in demands if demand.profile is None)
    return mean / (steady + math.fsum(_peaks(demands)))


def _peaks(demands: list[Demand]) -> Iterator[float]:
    """The highest sum of the demands of each period."""
    by_period: dict[float, list[tuple[float, Profile]]] = {}
    for demand in demands:
        if demand.profile is not None:
            by_period.setdefault(demand.profile.period, []).append((demand.mean, demand.profile))
    for members in by_period.values():
        starts = sorted({start for _, profile in members for start in profile.starts})
        yield max(
            math.fsum(mean * _level(profile, start) for mean, profile in members)
            for start in starts
        )


def _level(profile: Profile, time: float) -> float:
    steps = zip(profile.starts, profile.levels, strict=True)
    return [level for start, level in steps if start <= time][-1]
