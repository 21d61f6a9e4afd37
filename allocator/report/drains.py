"""Drains: pots where water condenses in pipes and coolers, for lists of the crew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import Drain, Plan
from allocator.report.loads import corridor_of
from allocator.report.words import quantity

DAY = 86400.0


@dataclass(frozen=True, slots=True)
class DrainPot:
    """A drain to fit. ``new``: its run is; ``where``: route and low points; ``place``: its end."""

    drain: Drain
    what: str
    where: str
    place: str
    new: bool

    @property
    def key(self) -> str:
        """The key of the drain among things to build."""
        return f"drain:{self.drain.route}:{self.drain.fluid}"


def drain_pots(site: Network, plan: Plan) -> Iterator[DrainPot]:
    """One a run or cooler in which water condenses, in the plan's order."""
    for drain in plan.heat.drains if plan.heat else ():
        route = site.routes.get(drain.route)
        if route is None:
            continue
        runs = [run for run in plan.runs if (run.route, run.fluid) == (drain.route, drain.fluid)]
        place = site.ground(drain.end)
        pipe = route.stream is None or route.stream.kind == "pipe"
        where = f"{corridor_of(route)}: low points and its end at {place}" if pipe else place
        amount = "" if drain.water is None else f", up to {a_day(drain.water)} of water"
        what = f"condensate drain (pot) for {drain.fluid}{amount}"
        yield DrainPot(drain, what, where, place, any(run.new for run in runs))


def a_day(rate: float) -> str:
    """kg/s as mass a day: ``422 kg a day``."""
    return f"{quantity(rate * DAY, 'mass')} a day"
