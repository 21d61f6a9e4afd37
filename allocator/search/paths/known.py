"""A known plan as a point of the model: where a search may begin.

The plan may be of an older file of the site, or of a part of it: what the site does not have
is left out, and what the plan does not say is decided again.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from allocator.model.growth import GROWTH
from allocator.model.index_sets import IndexSets
from allocator.model.kept_in_use import kept_unit
from allocator.model.model import Key, Model
from allocator.model.outages import during, scenarios_of, stands
from allocator.plans.records import BatteryUse, Plan, StoreUse
from allocator.search.directions import paths_directed


def point_of_plan(model: Model, sets: IndexSets, plan: Plan) -> np.ndarray:
    """The integers of a plan as a point; everything else is at its least."""
    point = np.array([column.low for column in model.columns])

    def put(key: Key, value: float) -> None:
        if model.has(key):
            number = model.index(key)
            column = model.columns[number]
            point[number] = min(max(value, column.low), column.high)

    for source in plan.sources:
        put(("tap", source.name), float(source.tapped))
    for run in plan.runs:
        put(("lay", run.route, run.build, run.fluid), 1.0)
    counted = {
        sets.site.routes[r.route].start for r in plan.recoveries if r.route in sets.site.routes
    }
    for column in model.columns:
        if isinstance(column.key, tuple) and column.key[0] == "fed":
            put(column.key, float(column.key[1] not in counted))
    for line in plan.lines:
        put(("line", line.name), 1.0)
    for store in plan.stores:
        put(("promises", store.name), float(sum(store.draw.values()) > 0))
    holders: tuple[StoreUse | BatteryUse, ...] = (*plan.stores, *plan.batteries)
    for holder in holders:
        put(("stand", holder.name), float(holder.new_size > 0))
        grown = holder.new_size >= GROWTH * (holder.size - holder.new_size)
        put(("grows", holder.name), float(grown and holder.new_size > 0))
        put(("units", holder.name), float(holder.units or 0))
    flows = [(r.route, r.fluid, f.start, f.layer == "collect") for r in plan.runs for f in r.flows]
    pipes = {(run.route, run.fluid): run.build for run in plan.runs}
    for key, value in paths_directed(sets, pipes, flows).items():
        put(key, value)
    for booster in plan.boosters:
        at = booster.route or booster.store
        put(("boost", booster.booster, booster.fluid, booster.start, at), 1.0)
    for source in plan.sources:
        put(("drawn", source.name), float(bool(source.collect or source.direct)))
    for store in plan.stores:
        put(("holds", store.name), 1.0)
    for demand in plan.demands:
        put(("takes", demand.name), float(demand.clean_share > 0))
    for machine in plan.machines:
        works = machine.running > 0 or machine.cycled > 0 or bool(machine.burst)
        put(("takes", machine.name), float(works))
        put(("count", machine.name), float(machine.new))
        put(("running", machine.name), float(machine.running))
        turning = machine.running + machine.cycled + sum(machine.burst.values())
        for unit in range(1, machine.new + 1):
            before = machine.count - machine.new + unit - 1
            put(kept_unit(machine.name, unit), float(turning > before))
        put(("cycling", machine.name), float(machine.cycled > 0))
        for name, overflow in machine.overflow.items():
            put(("guards", machine.name, name), float(overflow > 0))
        at_peak = sum(m * sets.peak(s) for s, m in machine.following.items())
        room = machine.running - machine.flat_load - at_peak
        put(("lumps", machine.name), float(sum(machine.burst.values()) > room))
    for key, running in _running_in_outages(sets, plan):
        put(key, running)
    return point


def _running_in_outages(sets: IndexSets, plan: Plan) -> Iterator[tuple[Key, float]]:
    """How many units stand, and turn in each scenario of units out of order."""
    count = {machine.name: machine.count for machine in plan.machines}
    for number, scenario in enumerate(scenarios_of(sets)):
        for name, units in scenario.items():
            for unit in range(1, units + 1):
                yield stands(name, unit), float(count.get(name, 0) >= unit)
        out = {g: n for g, k in scenario.items() if (n := min(k, count.get(g, 0))) > 0}
        known = next((one.machines for one in plan.outages if one.out == out), plan.machines)
        for machine in known:
            yield during(number, ("running", machine.name)), float(machine.running)
