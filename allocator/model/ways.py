"""Directions of pipes through which all gas flows one way: an open or shut variable for each.

Where a fluid has one layer and one shape of flow, opposite flows on a pipe are taken from each
other: balances stay as they are, and neither capacity nor cost of a way grows. So every plan has
its image with one direction a pipe, and a bound of one statement is one of the other:

    lay[route,b,f] = way[route,start,b,f] + way[route,end,b,f]
    flow[route,start,f] <= sum_b capacity_b way[route,start,b,f]        (each direction)

The solver's own cuts of fixed charges (flow covers, lifted by open and shut variables) need a flow
with a variable of its own, which a pipe for both directions does not have.
"""

from __future__ import annotations

from allocator.model.index_sets import IndexSets
from allocator.model.model import Key

PIPE_COLUMNS = 1_000
"""Pipe columns above which pipes keep one variable: a relaxation would take too long, and
the multicommodity formulation of such sites has directions of its own."""


def two_way_pipes(sets: IndexSets) -> frozenset[tuple[str, str]]:
    """Pipes, by route and fluid, that may flow either way and do so one way in any plan.

    None where pressures are computed, which has directions of its own, nor where one layer may go
    out and the other come back, nor where flows are of several shapes, or others where something
    is out of order.
    """
    if (
        sets.robustness.anything
        or sum(len(pipe.builds) for pipe in sets.pipes.values()) > PIPE_COLUMNS
    ):
        return frozenset()
    computed = () if sets.pressures is None else sets.pressures.fluids
    return frozenset(
        (route, fluid)
        for route, fluid in sets.pipes
        if len(sets.arcs_along(route, fluid)) == 2
        and not sets.ends(fluid)
        and len(sets.fluid_shapes[fluid]) == 1
        and fluid not in computed
    )


def way(route: str, start: str, build: str, fluid: str) -> Key:
    """The column of a build that is laid from one end: 1 where gas may flow from there."""
    return ("way", route, start, build, fluid)
