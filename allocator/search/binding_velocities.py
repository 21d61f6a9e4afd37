"""Pipes that are as fast as they may be, where pressures along lines are computed."""

from __future__ import annotations

import math

from allocator.base.quantities import format_quantity
from allocator.model.index_sets import IndexSets
from allocator.network.pressure_ranges import GAS_VELOCITY, LIQUID_VELOCITY
from allocator.plans.records import Plan, Run
from allocator.site.addresses import address_of

NEARLY = 0.97


def binding_velocities(sets: IndexSets, plan: Plan) -> list[str]:
    """A line for each limit of velocity or Mach number that pipes of the plan nearly reach."""
    lows = {(row.fluid, row.node): row.low for row in plan.pressures}
    found: dict[str, list[str]] = {}
    for run in plan.runs:
        one = sets.site.pressures.get(run.fluid)
        for start, end, flow in [] if one is None else _peaks(sets, run):
            assert one is not None
            loss = one.losses.get((run.route, start, run.build))
            low = lows.get((run.fluid, one.node(end)))
            if loss is None or not loss.slow or low is None:
                continue
            share = flow / loss.fastest
            if one.gas:
                share = math.sqrt(loss.end) * flow / low
            if share < NEARLY:
                continue
            pipe = sets.site.pipes[run.build]
            value = pipe.max_mach
            if loss.slow == "max_velocity":
                value = pipe.max_velocity or (GAS_VELOCITY if one.gas else LIQUID_VELOCITY)
            kind = "speed" if loss.slow == "max_velocity" else "number"
            now, most = (format_quantity(part, kind) for part in (share * value, value))
            line = f"{address_of(('pipes', run.build, loss.slow))}: {now} of {most} in "
            stream = sets.site.routes[run.route].stream
            found.setdefault(line, []).append(run.route if stream is None else stream.corridor)
    return [
        line + ", ".join(f"'{name}'" for name in dict.fromkeys(at)) for line, at in found.items()
    ]


def _peaks(sets: IndexSets, run: Run) -> list[tuple[str, str, float]]:
    """Start, end and peak flow, kg/s, of each way in which a run is used."""
    rates: dict[tuple[str, str], float] = {}
    for flow in run.flows:
        peak = sets.peak(flow.carries) if flow.layer == "supply" else 1.0
        at = (flow.start, flow.end)
        rates[at] = rates.get(at, 0.0) + flow.rate * peak
    return [(start, end, rate) for (start, end), rate in rates.items() if rate > 0.0]
