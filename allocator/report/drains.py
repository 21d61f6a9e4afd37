"""Where what condenses out of wet gas has to be let out, and how much of it comes in a day."""

from __future__ import annotations

from typing import NamedTuple

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.loads import corridor_of

DAY = 86400.0


class Drain(NamedTuple):
    """Drains at the low points of a run or cooler. ``daily``: kg at most; 0 where not known."""

    item: str
    place: str
    daily: float


def drains_of(site: Network, plan: Plan) -> tuple[Drain, ...]:
    """A row for each run or cooler whose gas may cool below its dew point, builds together."""
    found: dict[str, Drain] = {}
    for name, rate in (plan.heat.condensate if plan.heat else {}).items():
        route = site.routes[name]
        ends = dict.fromkeys((site.ground(route.start), site.ground(route.end)))
        where, daily = f"{corridor_of(route)}: {' to '.join(ends)}", DAY * rate
        if where in found:
            daily += found[where].daily
        found[where] = Drain("drain for condensate at low points", where, daily)
    return tuple(found.values())
