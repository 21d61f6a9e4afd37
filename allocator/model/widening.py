"""What a pipe may carry beyond its capacity, where a limit is changed."""

from __future__ import annotations

from allocator.model.index_sets import IndexSets
from allocator.model.limits import FURTHEST
from allocator.model.model import INFINITY, Key, Model
from allocator.model.outages import raise_high, versions
from allocator.model.pressures import peaks_of
from allocator.model.rules.pressure import peak_row
from allocator.network.records import PipeBuild

Rows = dict[str, int]


def widened(
    model: Model,
    rows: Rows,
    sets: IndexSets,
    pipe: tuple[str, str],
    build: PipeBuild,
    slack: tuple[float, Key],
) -> None:
    """Let a build carry more on a route, by no more than a slack times a factor."""
    route, fluid = pipe
    more = model.variable(("more", route, build.name, fluid), 0.0, INFINITY, build.capacity)
    most = FURTHEST * build.capacity
    for name in (f"pipe_capacity[{route},{fluid}]", f"recovered_of_units[{route}]"):
        for number in versions(rows, name):
            model.extend(number, [(-1.0, more)])
    lay = ("lay", route, build.name, fluid)
    model.row(f"more[{route},{build.name},{fluid}]", [(1.0, more), (-most, lay)], high=0)
    factor, key = slack
    rows[f"most[{route},{build.name},{fluid}]"] = len(model.rows)
    model.row(f"most[{route},{build.name},{fluid}]", [(1.0, more), (-factor, key)], high=0)
    for flow, laid in peaks_of(sets, route, fluid, build.name):
        model.raise_high(flow)
        model.extend(rows[peak_row(flow)], [(-1.0, more)])
        model.row(f"most_{peak_row(flow)}", [(1.0, flow), (-most, laid)], high=0.0)
    any_flow(model, sets, route, fluid)


def any_flow(model: Model, sets: IndexSets, route: str, fluid: str) -> None:
    """Take away the upper bounds of what flows along a route: its rows hold it."""
    for arc in sets.arcs_along(route, fluid):
        for end in sets.ends(fluid):
            key = ("gather", route, arc.start, fluid, end)
            if model.has(key):
                model.raise_high(key)
        for shape in sets.fluid_shapes[fluid]:
            raise_high(model, ("supply", route, arc.start, fluid, shape))
