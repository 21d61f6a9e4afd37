"""The ways of a candidate: its corridors with the direction of flow, builds and boosters open.

The path search enlarges pipes and places boosters one by one, the cheapest first, for what a path
lacks at that moment; its corridors are those of a good plan. With all other pipes left out, and
each pipe laid as the candidate's gas flows, the integer model is small enough to decide builds,
boosters and all else exactly.
"""

from __future__ import annotations

import numpy as np

from allocator.model.drops import drops_of, first_rows
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model, Row
from allocator.search.paths.network import Candidate
from allocator.search.strategy.budgets import CANDIDATES


def other_ways(model: Model, sets: IndexSets, candidate: Candidate) -> np.ndarray:
    """The columns of pipes where a candidate has none, and against its flow where it has one."""
    ways = _ways(sets, candidate)
    used = {(route, fluid) for route, fluid, _ in ways}
    standing = {pipe for pipe, one in sets.pipes.items() if one.existing is not None}
    held = []
    for number, column in enumerate(model.columns):
        if not isinstance(column.key, tuple):
            continue
        if column.key[0] == "lay":
            _, route, _, fluid = column.key
            out = (route, fluid) not in used
        elif column.key[0] in ("directed", "spur"):
            word, route, start, _, fluid = column.key
            pipe = (route, fluid)
            against = word == "directed" and (*pipe, start) not in ways
            out = pipe not in standing and (pipe not in used or against)
        else:
            continue
        if out:
            held.append(number)
    return np.array(held, dtype=np.int64)


def losses_along(model: Model, sets: IndexSets, candidate: Candidate) -> list[Row]:
    """More tangents of the losses of what may be laid where a candidate has pipes."""
    ways = _ways(sets, candidate)
    drops = [
        drop for drop in drops_of(sets) if (drop.arc.route, drop.arc.fluid, drop.arc.start) in ways
    ]
    return list(first_rows(model, drops, CANDIDATES.tangents))


def _ways(sets: IndexSets, candidate: Candidate) -> set[tuple[str, str, str]]:
    """Route, fluid, and the node at which it enters, of what flows in a candidate."""
    routes = sets.site.routes
    return {
        (route, fluid, routes[route].start if forth else routes[route].end)
        for route, fluid, forth, _ in candidate.flows
    }
