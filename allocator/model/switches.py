"""Rows that say whether something is used, where limits are stretched.

Such a row holds what is moved to ``most`` times 0 or 1 (or times 1 less that), where ``most`` comes
of the limits as they are. What is moved may be more where they are lifted, but only where it is
used: ``beyond <= FURTHEST * most`` times the same, and no larger than what limits are lifted by.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from allocator.model.expressions import fuel_rate, recovering, scaled
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.limits import FURTHEST
from allocator.model.model import INFINITY, Key, Model, Terms
from allocator.model.outages import plain_name, versions
from allocator.model.widening import any_flow

Rows = dict[str, int]

SWITCHES = ("filled[", "released[", "drawn[", "takes[", "stands[")
"""Rows that are loosened whatever is lifted: what they hold comes of many limits together."""


def eased(model: Model, number: int, switch: Key, lifted: Terms, least: float = 0.0) -> None:
    """Let a row move more where its switch lets it: no more than ``lifted``.

    ``least``: what may be moved at the least where the limit itself is small.
    """
    row = model.rows[number]
    upper = row.high < INFINITY
    factor = row.coefficients[row.columns.index(model.index(switch))] * row.scale
    most = FURTHEST * max(abs(factor), least)
    key: Key = ("beyond", row.name)
    model.variable(key, unit=max(abs(factor), least))
    model.extend(number, [(-1.0 if upper else 1.0, key)])
    where_off = (factor > 0.0) == upper
    terms: Terms = [(1.0, key), (most if where_off else -most, switch)]
    model.row(f"beyond[{row.name}]", terms, high=most if where_off else 0.0)
    model.row(f"beyond_by[{row.name}]", [(1.0, key), *scaled(lifted, -1.0)], high=0.0)


def loosened(model: Model, number: int) -> None:
    """Let a row that says whether something is used allow more, whatever is lifted."""
    row = model.rows[number]
    used = [model.columns[column].integer for column in row.columns]
    coefficients = tuple(
        value * FURTHEST if is_switch and value < 0.0 else value
        for value, is_switch in zip(row.coefficients, used, strict=True)
    )
    model.rows[number] = replace(row, coefficients=coefficients)


def useful_size(sets: IndexSets, *, power: bool) -> float:
    """kg or J: about the largest store that is of use, by the longest times without inflow."""
    longest = max((curve.sigma for curve in sets.curves.values()), default=0.0)
    longest += max((curve.sigma for curve in sets.shape_curves.values()), default=0.0)
    if power:
        return longest * sum(demand.mean for demand in sets.power_demands())
    return longest * sum(sets.site.sources[name].flow for name in sets.sources)


def ease_switches(model: Model, rows: Rows, sets: IndexSets) -> None:
    """Let what is lifted through every other row that says whether something is used:

    part loads of bursts, standing stores without a promise, stores that a flare guards, coolers
    whose heat counts where nothing but the sources at their place feeds them; and passages.
    """
    for name, number in rows.items():
        if plain_name(name).startswith(SWITCHES):
            loosened(model, number)
    for route, fluid in sets.pipes:
        stream = sets.site.routes[route].stream
        if stream is not None and stream.kind == "passage":
            for number in versions(rows, f"pipe_capacity[{route},{fluid}]"):
                loosened(model, number)
            any_flow(model, sets, route, fluid)
    for name, group in sets.groups.items():
        if (row := f"lumpy_bursts[{name}]") in rows:
            (fluid,) = group.type.inputs
            units = scaled(_more_flow(model, sets, fluid), 1.0 / fuel_rate(group))
            eased(model, rows[row], ("lumps", name), units)
    for name, store in sets.fluid_stores.items():
        given = _more_given(model, sets, store.type.holds)
        for shape in sets.fluid_shapes[store.type.holds]:
            if (row := f"idle_draw[{name},{('draw', name, shape)}]") in rows:
                eased(model, rows[row], ("promises", name), given)
    for flare, stores in sets.flared.items():
        for name in stores:
            kind = sets.fluid_stores[name].type
            more = scaled(_more_given(model, sets, kind.holds), 2.0)
            if model.has(rate := ("slack", "fill_rate", kind.name)):
                more.append((1.0, rate))
            for word in ("guarded", "unguarded", "all_of_it"):
                eased(model, rows[f"{word}[{flare},{name}]"], ("guards", flare, name), more)
    for arc, recovery, _ in recovering(sets):
        if not recovery.always:
            fed: Key = ("fed", arc.start, arc.fluid)
            for number in versions(rows, f"recovered_unfed[{arc.route}]"):
                eased(model, number, fed, _more_carried(model, sets, [arc]))
    for place, fluid in dict.fromkeys((a.start, a.fluid) for a, r, _ in recovering(sets)):
        into = [arc for arc in sets.arcs[fluid] if arc.end == place]
        for number in versions(rows, f"fed[{place},{fluid}]"):
            more = [*_more_carried(model, sets, into), *_more_given(model, sets, fluid)]
            eased(model, number, ("fed", place, fluid), more)


def _more_carried(model: Model, sets: IndexSets, arcs: Iterable[PipeArc]) -> Terms:
    """What pipes carry more along some arcs, kg/s."""
    mine: list[Key] = [
        ("more", arc.route, build, arc.fluid)
        for arc in arcs
        for build in sets.pipes[arc.route, arc.fluid].builds
    ]
    return [(1.0, key) for key in mine if model.has(key)]


def _more_flow(model: Model, sets: IndexSets, fluid: str) -> Terms:
    """What the sources of a fluid give more, kg/s."""
    mine: list[Key] = [("more", s) for s in sets.sources if sets.site.sources[s].fluid == fluid]
    return [(1.0, key) for key in mine if model.has(key)]


def _more_given(model: Model, sets: IndexSets, fluid: str) -> Terms:
    """The same, with what machines give that places and types are lifted for."""
    terms = _more_flow(model, sets, fluid)
    for name, group in sets.groups.items():
        rate = group.type.outputs.get(fluid, 0.0)
        for lifted in (("slack", "places", name), ("slack", "most", group.type.name)):
            if rate and model.has(lifted):
                terms.append((rate, lifted))
    return terms
