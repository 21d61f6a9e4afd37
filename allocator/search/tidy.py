"""The last touch to a solution: what no goal asks for is taken away, flows are made short.

Goals leave ties: pipes laid and never used where the last goals ran out of time, flows that run
in circles at no cost. Unused things are dropped and builds trimmed to what they carry; then,
with the integers fixed, the shortest flows are chosen, amounts that are next to nothing are done
without where the program can, and the last digits are worked out (:mod:`refining`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from allocator.model.choices import Choices, Group, material_per_metre
from allocator.model.cuts import Promise, promises_of
from allocator.model.expressions import (
    bursts,
    can_cycle,
    drawn_at_most,
    is_lumpy,
    load_at_peak,
)
from allocator.model.goals import Goal
from allocator.model.receivers import is_used
from allocator.model.statement import Key, Row, Statement
from allocator.search.course import LAST_HELD, Course, hold, value_at
from allocator.solver.program import Program

NEXT_TO_NOTHING = 1e-7
"""Amounts below this share of the step of their variable are done without where they can be."""
SPARE = 1e-7
LEAST_SECONDS = 2.0
"""However late it is: a point that is left as it was found may fail its audit."""


def tidied(
    course: Course,
    choices: Choices,
    limit: float | None,
    goals: Sequence[Goal] = (),
    slack: float = 0.0,
) -> np.ndarray:
    """The point, trimmed and with short flows; the point as it was where that fails.

    Each goal, in order, is had again to the last digit with the whole numbers held, and kept; but
    where later goals were given a ``slack`` of earlier ones, all are kept as the point has them.
    """
    point = course.point
    assert point is not None
    program = course.program
    candidates = [trimmed(program, choices, point), point]
    for goal in goals if slack > 0 else ():
        hold(course, goal, value_at(course, goal, point))
    for goal in goals if slack <= 0 else ():
        program.aim(goal)
        best = finished(program, candidates, limit)
        if best is None:
            hold(course, goal, value_at(course, goal, candidates[-1]))
        else:
            candidates = [best]
            hold(course, goal, value_at(course, goal, best), room=LAST_HELD)
    program.aim_at(short_flows(program.statement, choices))
    for rows in (spare_rows(program.statement, choices), ()):
        found = finished(program, candidates, limit, rows)
        if found is not None:
            return found
    return candidates[-1]


def spare_rows(statement: Statement, choices: Choices) -> tuple[Row, ...]:
    """What fills a store in the long run is more than what it promises, by :data:`SPARE` of that.

    A store that was emptied fills again then. No promise asks for it.
    """
    promises = () if choices.lossless else promises_of(choices)
    stores = [promise for promise in promises if isinstance(promise, Promise)]
    rows = [promise.endless_row(statement, {}, SPARE) for promise in stores]
    return tuple(row for row in rows if row is not None and row.columns)


def finished(
    program: Program,
    candidates: Iterable[np.ndarray],
    limit: float | None,
    rows: Sequence[Row] = (),
) -> np.ndarray | None:
    """The first candidate whose whole numbers have amounts, to their last digits.

    Of the best amounts for the program's aim, those next to nothing are left out where that can
    be. None where no candidate has amounts. ``rows``: kept as well, for now.
    """
    limit = None if limit is None else max(limit, LEAST_SECONDS)
    for candidate in candidates:
        found = program.exact(candidate, limit, None, rows).point
        if found is None:
            continue
        little = _next_to_nothing(program.statement, found)
        if not len(little):
            return found
        cleared = program.exact(found, limit, little, rows).point
        return found if cleared is None else cleared
    return None


def _next_to_nothing(statement: Statement, point: np.ndarray) -> np.ndarray:
    """Columns of continuous amounts that may be 0 and nearly are."""
    return np.array(
        [
            number
            for number, column in enumerate(statement.columns)
            if not column.integer and column.low == 0.0 < point[number] <= NEXT_TO_NOTHING
        ],
        dtype=np.int64,
    )


def short_flows(statement: Statement, choices: Choices) -> dict[int, float]:
    """Costs that make flows short and captures no larger than needed, by column (scaled)."""
    site = choices.site
    lengths = [site.routes[route].length for route, _ in choices.pipes] or [1.0]
    longest = max(lengths)
    costs: dict[int, float] = {}
    for number, column in enumerate(statement.columns):
        if not isinstance(column.key, tuple):
            continue
        word = column.key[0]
        if word in ("gather", "supply"):
            costs[number] = 0.1 + site.routes[column.key[1]].length / longest
        elif word == "collect":
            # a steady source that might as well feed the supply layer does
            into = choices.destinations[column.key[2]]
            burnt = into.group is not None and site.sources[column.key[1]].steady
            costs[number] = 0.02 if burnt else 0.01
        elif word == "direct":
            costs[number] = 0.01
        elif word in ("wire", "inflow", "release", "swing", "burst_part"):
            costs[number] = 0.001
    return costs


def trimmed(program: Program, choices: Choices, point: np.ndarray) -> np.ndarray:
    """The integers of a point without what is not used, in columns."""
    statement = program.statement
    values = statement.by_key(point)
    result = point.copy()

    def put(key: Key, value: float) -> None:
        result[statement.index(key)] = value

    for name in choices.sources:
        if choices.site.sources[name].part_of:
            continue
        parts = (name, *choices.site.parts_of(name))
        sent = sum(statement.value(drawn_at_most(choices, one), values) for one in parts)
        if name not in choices.site.built.taps and sent <= 0.0:
            put(("tap", name), 0.0)
    _trim_pipes(statement, choices, values, put)
    for name, group in choices.groups.items():
        used = values[("flat", name)]
        if not choices.lossless:
            used = _turning(statement, choices, group, values)
            put(("running", name), used)
            if can_cycle(choices, group):
                used += values[("cycled", name)]
            if statement.has(("beside", name)):
                used += values[("beside", name)] * (1 + 1e-6)
        needed = max(0, math.ceil(used - 1e-7) - group.standing)
        put(("count", name), min(values[("count", name)], float(needed)))
    return result


def _turning(
    statement: Statement, choices: Choices, group: Group, values: dict[Key, float]
) -> float:
    """Units that turn for ever; no more than their load asks for.

    With fuel at no load fewer units take less. They are left where their room burns what bursts
    bring, or somebody uses their exhaust, which falls with what they take.
    """
    running = values[("running", group.name)]
    burnt = [term for terms in bursts(choices, group.name).values() for term in terms]
    exhaust = any(
        choices.site.fluids[fluid].exhaust and is_used(choices, fluid) for fluid in group.type.gives
    )
    if is_lumpy(group) and (exhaust or statement.value(burnt, values) > 0.0):
        return running
    load = statement.value(load_at_peak(choices, group), values)
    return min(running, float(math.ceil(load - 1e-7)))


def _trim_pipes(
    statement: Statement,
    choices: Choices,
    values: dict[Key, float],
    put: Callable[[Key, float], None],
) -> None:
    site = choices.site
    for (route, fluid), pipe in choices.pipes.items():
        flow = 0.0
        for arc in choices.arcs_along(route, fluid):
            for end in choices.ends(fluid):
                key = ("gather", route, arc.start, fluid, end)
                flow += values[key] if statement.has(key) else 0.0
            for shape in choices.fluid_shapes[fluid]:
                sent = values[("supply", route, arc.start, fluid, shape)]
                flow += choices.peak(shape) * sent
        laid = [b for b in pipe.builds if values[("lay", route, b, fluid)] > 0.5]
        if not laid or laid[0] == pipe.standing:
            continue
        if flow <= 0.0:
            put(("lay", route, laid[0], fluid), 0.0)
            continue
        now = material_per_metre(site.builds[laid[0]])
        for build in pipe.builds:
            other = material_per_metre(site.builds[build])
            smaller = build == pipe.standing or (
                all(other.get(m, 0.0) <= now.get(m, 0.0) for m in {*now, *other})
                and site.builds[build].price <= site.builds[laid[0]].price
            )
            holds = site.capacity(route, build, fluid) >= flow * (1 + 1e-6)
            if smaller and holds and build != laid[0]:
                put(("lay", route, laid[0], fluid), 0.0)
                put(("lay", route, build, fluid), 1.0)
                break
