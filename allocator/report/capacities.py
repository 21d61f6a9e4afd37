"""What each pipe of a plan carries at most: as stated, by velocity, or by pressure.

By pressure it is the flow at which a pipe alone uses up what the start has above what its end
needs, all other flows as planned: ``loss(most) = potential at the start + boosters there - head -
need of the end``. An end needs what is used there, or what a pipe onward must have at its start.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache

from allocator.network.pressure_curves import greatest_flows, losses_at
from allocator.network.pressure_records import FluidPressures
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.loads import run_peak
from allocator.report.pressure_ways import boosted, peaks_of
from allocator.report.pressures import pressure_ends

Carried = Mapping[tuple[str, str], float]
"""Route and fluid -> kg/s."""


def capacities(site: Network, plan: Plan) -> Carried:
    """kg/s that each run carries at most; of a spur in the ratio of its flows both ways."""
    most = {(r.route, r.fluid): site.capacity(r.route, r.build, r.fluid) for r in plan.runs}
    peaks = peaks_of(site, plan)
    for fluid in dict.fromkeys(row.fluid for row in plan.pressures if row.fluid in site.pressures):
        known = site.pressures[fluid]
        runs = [run for run in plan.runs if run.fluid == fluid]
        needed = _needs(site, plan, known, runs, peaks)
        highest = {known.node(row.node): row.high for row in plan.pressures if row.fluid == fluid}
        for run in runs:
            for start, end in _ways(site, run):
                peak = peaks.get((run.route, start, fluid), 0.0)
                loss = known.losses.get((run.route, start, run.build))
                at = known.node(start)
                if peak <= 0.0 or loss is None or not loss.checked or at not in highest:
                    continue
                _, gain = boosted(known, plan, run.route, start, "")
                begins = known.potential(highest[at]) + gain
                left = max(0.0, begins - needed(known.node(end)))
                (flow,) = greatest_flows([loss], [begins], [left])
                key = run.route, fluid
                most[key] = min(most[key], flow * run_peak(site, run) / peak)
    return most


def _ways(site: Network, run: Run) -> tuple[tuple[str, str], ...]:
    route = site.routes[run.route]
    return (route.start, route.end), (route.end, route.start)


def _needs(
    site: Network,
    plan: Plan,
    known: FluidPressures,
    runs: list[Run],
    peaks: Mapping[tuple[str, str, str], float],
) -> Callable[[str], float]:
    """The potential that a node needs, of what is used there and of pipes onward as planned."""
    own = {
        known.node(end.at.node): known.potential(end.needs)
        for end in pressure_ends(site, plan)
        if end.at.fluid == known.fluid
    }
    onward: dict[str, list[tuple[str, float]]] = {}
    for run in runs:
        for start, end in _ways(site, run):
            back = peaks.get((run.route, end, known.fluid), 0.0)
            peak = peaks.get((run.route, start, known.fluid), 0.0)
            if peak <= 0.0 or back > 0.0 or known.node(start) == known.node(end):
                continue  # a spur to a store and back asks for nothing beyond what that needs
            loss = known.losses.get((run.route, start, run.build))
            lost = 0.0 if loss is None else losses_at([loss], [peak])[0][0] + loss.head
            lost -= boosted(known, plan, run.route, start, "")[1]
            onward.setdefault(known.node(start), []).append((known.node(end), lost))

    @cache
    def needed(node: str) -> float:
        beyond = [needed(end) + lost for end, lost in onward.get(node, ())]
        return max([own.get(node, known.least), *beyond])

    return needed
