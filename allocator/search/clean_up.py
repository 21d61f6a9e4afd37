"""The clean-up of a point: what no goal asks for is removed, flows are made short.

Goals leave ties: pipes laid and never used where the last goals ran out of time, flows that run
in circles at no cost. Unused things are dropped and builds trimmed to what they carry; then,
with the integers fixed, the shortest flows are chosen, amounts that are next to nothing are done
without where the model can, and the last digits are worked out (:mod:`refining`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from allocator.model.buffers import is_used
from allocator.model.cuts import Promise, promises_of
from allocator.model.expressions import (
    arrivals,
    bursts,
    can_cycle,
    drawn_at_most,
    fuel_rate,
    is_batched,
    load_at_peak,
    moved_at_most,
    scaled,
)
from allocator.model.goals import Goal
from allocator.model.index_sets import Group, IndexSets
from allocator.model.model import Key, Model, Row
from allocator.model.outages import scenarios_of, values_during
from allocator.model.pipe_types import lasts_as_long
from allocator.search.directions import NOTHING, bears_pressure, relaid, without_idle_boosters
from allocator.search.state import LAST_HELD, SearchState, hold, value_at
from allocator.search.strategy.budgets import PLAN
from allocator.solver.solver_model import SolverModel

NEXT_TO_NOTHING = 1e-7
"""Amounts below this share of the step of their variable are set to 0 where they can be."""
SPARE = 1e-7
THROUGH_STORES = ("draw", "inflow", "release", "level", "surplus", "burst_part", "swing")
"""Amounts that go through stores and batteries."""


def cleaned_up(
    search_state: SearchState,
    sets: IndexSets,
    limit: float | None,
    goals: Sequence[Goal] = (),
    slack: float = 0.0,
) -> np.ndarray:
    """The point, trimmed and with short flows; the point as it was where that fails.

    Each goal, in order, is solved again to the last digit with integers held, and kept; but
    where later goals were given a ``slack`` of earlier ones, all are kept as the point has them.
    """
    point = search_state.point
    assert point is not None
    solver_model = search_state.solver_model
    candidates = [trimmed(solver_model, sets, point), point]
    for goal in goals if slack > 0 else ():
        hold(search_state, goal, value_at(search_state, goal, point))
    for goal in goals if slack <= 0 else ():
        solver_model.aim(goal)
        best = finished(solver_model, candidates, limit)
        if best is None:
            hold(search_state, goal, value_at(search_state, goal, candidates[-1]))
        else:
            candidates = [best]
            hold(search_state, goal, value_at(search_state, goal, best), room=LAST_HELD)
    solver_model.aim_at(short_flows(solver_model.model, sets))
    for rows in (spare_rows(solver_model.model, sets), ()):
        found = finished(solver_model, candidates, limit, rows)
        if found is not None:
            return found
    return candidates[-1]


def spare_rows(model: Model, sets: IndexSets) -> tuple[Row, ...]:
    """What fills a store in the long run is more than what it promises, by :data:`SPARE` of that.

    A store that was emptied fills again then. No promise asks for it.
    """
    promises = () if sets.lossless else promises_of(sets)
    stores = [promise for promise in promises if isinstance(promise, Promise)]
    rows = [promise.endless_row(model, {}, SPARE) for promise in stores]
    return tuple(row for row in rows if row is not None and row.columns)


def finished(
    solver_model: SolverModel,
    candidates: Iterable[np.ndarray],
    limit: float | None,
    rows: Sequence[Row] = (),
) -> np.ndarray | None:
    """The first candidate whose integers have amounts, to their last digits.

    Of the best amounts for the model's aim, those next to nothing are left out where that can
    be. None where no candidate has amounts. ``rows``: kept as well, for now.
    """
    limit = None if limit is None else max(limit, PLAN.clean_up_least_seconds)
    for candidate in candidates:
        found = solver_model.exact(candidate, limit, None, rows).point
        if found is None:
            continue
        little = _next_to_nothing(solver_model.model, found)
        if not len(little):
            return found
        cleared = solver_model.exact(found, limit, little, rows).point
        return found if cleared is None else cleared
    return None


def _next_to_nothing(model: Model, point: np.ndarray) -> np.ndarray:
    """Columns of continuous amounts that may be 0 and nearly are."""
    return np.array(
        [
            number
            for number, column in enumerate(model.columns)
            if not column.integer and column.low == 0.0 < point[number] <= NEXT_TO_NOTHING
        ],
        dtype=np.int64,
    )


def short_flows(model: Model, sets: IndexSets) -> dict[int, float]:
    """Costs that make flows short and captures no larger than needed, by column (scaled)."""
    site = sets.site
    lengths = [site.routes[route].length for route, _ in sets.pipes] or [1.0]
    longest = max(lengths)
    costs: dict[int, float] = {}
    for number, column in enumerate(model.columns):
        if not isinstance(column.key, tuple):
            continue
        key = column.key[2] if column.key[0] == "out" else column.key
        word = key[0]
        if word in ("gather", "supply"):
            costs[number] = 0.1 + site.routes[key[1]].length / longest
        elif word == "collect":
            # a steady source that might as well feed the supply layer does
            into = sets.destinations[key[2]]
            burnt = into.group is not None and site.sources[key[1]].steady
            costs[number] = 0.02 if burnt else 0.01
        elif word == "direct":
            costs[number] = 0.01
        elif word in ("size", "wire", "inflow", "release", "swing", "burst_part"):
            costs[number] = 0.001
    return costs


def trimmed(solver_model: SolverModel, sets: IndexSets, point: np.ndarray) -> np.ndarray:
    """The integers of a point without what is not used, in columns."""
    model = solver_model.model
    values = model.by_key(point)
    result = point.copy()

    def put(key: Key, value: float) -> None:
        result[model.index(key)] = value

    for name in sets.sources:
        if sets.site.sources[name].part_of:
            continue
        parts = (name, *sets.site.parts_of(name))
        sent = sum(model.value(drawn_at_most(sets, one), values) for one in parts)
        if name not in sets.site.built.sources and sent <= 0.0:
            put(("tap", name), 0.0)
    _trim_pipes(model, sets, values, put)
    without_idle_boosters(sets, values, put)
    _trim_stores(model, sets, values, put)
    if scenarios_of(sets):
        return result  # units that idle are there for those that may be out of order
    for name, group in sets.groups.items():
        used = values[("flat", name)]
        if not sets.lossless:
            used = running = _turning(model, sets, group, values)
            put(("running", name), running)
            if can_cycle(sets, group):
                used += values[("cycled", name)]
            if model.has(("beside", name)):
                # what units that no longer turn had room for is burnt beside
                room = _room(model, sets, group, values, put)
                used += max(0.0, room - running) * (1 + 1e-6)
        needed = max(0, math.ceil(used - 1e-7) - group.existing)
        put(("count", name), min(values[("count", name)], float(needed)))
    return result


def _trim_stores(
    model: Model, sets: IndexSets, values: Mapping[Key, float], put: Callable[[Key, float], None]
) -> None:
    """Leave out the base of a store of no size, and the units of one that nothing goes through."""
    for name in {**sets.fluid_stores, **sets.batteries}:
        size: Key = ("size", name)
        nothing = NEXT_TO_NOTHING * model.columns[model.index(size)].unit
        if values[size] > nothing and (scenarios_of(sets) or _serves(model, sets, values, name)):
            continue
        for key in (("stand", name), ("grows", name), ("units", name)):
            if model.has(key):
                put(key, 0.0)


def _serves(model: Model, sets: IndexSets, values: Mapping[Key, float], store: str) -> bool:
    """Whether anything goes into a store or battery or is drawn from it."""
    filled = [key for _, key in arrivals(sets, f"store:{store}")]
    own = [
        column.key
        for column in model.columns
        if isinstance(column.key, tuple)
        and column.key[0] in THROUGH_STORES
        and column.key[1] == store
    ]
    return any(values[key] > NOTHING for key in (*filled, *own))


def _room(
    model: Model,
    sets: IndexSets,
    group: Group,
    values: Mapping[Key, float],
    put: Callable[[Key, float], None],
) -> float:
    """Units that a group needs at the peak, those that turn for ever included.

    A flare guards no store of which nothing overflows.
    """
    load = load_at_peak(sets, group)
    load += [term for burst in bursts(sets, group.name).values() for term in burst]
    for store in sets.flared.get(group.name, ()):
        flared = ("flared", group.name, store)
        if values[flared] <= NEXT_TO_NOTHING * model.columns[model.index(flared)].unit:
            put(("guards", group.name, store), 0.0)
        elif values["guards", group.name, store] > 0.5:
            filling = [*arrivals(sets, f"store:{store}"), (1.0, ("inflow", store))]
            load += scaled(filling, 1.0 / fuel_rate(group))
    return model.value(load, values)


def _turning(model: Model, sets: IndexSets, group: Group, values: dict[Key, float]) -> float:
    """Units that turn for ever; no more than their load asks for.

    With fuel at no load fewer units take less. They are left where their room burns what bursts
    bring, or somebody uses their exhaust, which falls with what they take.
    """
    running = values[("running", group.name)]
    burnt = [term for terms in bursts(sets, group.name).values() for term in terms]
    exhaust = any(
        sets.site.fluids[fluid].exhaust and is_used(sets, fluid) for fluid in group.type.outputs
    )
    if is_batched(group) and (exhaust or model.value(burnt, values) > 0.0):
        return running
    load = model.value(load_at_peak(sets, group), values)
    return min(running, float(math.ceil(load - 1e-7)))


def _trim_pipes(
    model: Model,
    sets: IndexSets,
    values: dict[Key, float],
    put: Callable[[Key, float], None],
) -> None:
    site = sets.site
    outages = range(len(scenarios_of(sets)))
    operations = [values, *(values_during(values, number) for number in outages)]
    for (route, fluid), pipe in sets.pipes.items():
        flow = 0.0
        for one in operations:
            moved = [moved_at_most(sets, arc) for arc in sets.arcs_along(route, fluid)]
            flow = max(flow, sum(model.value(terms, one) for terms in moved))
        laid = [b for b in pipe.builds if values[("lay", route, b, fluid)] > 0.5]
        if not laid or laid[0] == pipe.existing:
            continue
        if flow <= 0.0:
            relaid(sets, values, put, ("lay", route, laid[0], fluid), None)
            continue
        now = site.pipes[laid[0]].masses()
        for build in pipe.builds:
            other = site.pipes[build].masses()
            smaller = build == pipe.existing or (
                all(other.get(m, 0.0) <= now.get(m, 0.0) for m in {*now, *other})
                and site.pipes[build].price <= site.pipes[laid[0]].price
                and lasts_as_long(site, site.pipes[build], site.pipes[laid[0]])
            )
            holds = site.capacity(route, build, fluid) >= flow * (1 + 1e-6)
            if not smaller or not holds or build == laid[0]:
                continue
            if bears_pressure(sets, values, (route, fluid), laid[0], build):
                relaid(sets, values, put, ("lay", route, laid[0], fluid), build)
                break
