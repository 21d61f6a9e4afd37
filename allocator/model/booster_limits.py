"""Limits of boosters, with their slacks: what they add, move, need at their inlets; how many.

What a booster adds is ``gain = (ratio^2 - 1) inlet^2`` of a gas, with its least inlet pressure, and
proportional to its head of a liquid. A change of it is a column of each inlet where one may stand
(:func:`allocator.model.drops.added`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from allocator.model.drops import added
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.limits import FURTHEST, LOOSE, Limit, slacked
from allocator.model.model import Key, Model, Terms
from allocator.model.pressure_limits import Rows, lowest, pressure_limit, where_used
from allocator.model.pressures import Pressures, boost, boosted
from allocator.model.rules.pressure import most_moved
from allocator.model.rules.ratings import rating_row, shut_along_row
from allocator.network.pressure_records import BoosterOption
from allocator.site.records import BoosterType

Options = tuple[BoosterOption, ...]


def booster_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """Every limit of every kind of booster that may stand."""
    pressures = sets.pressures
    if pressures is None or not pressures.boosters:
        return
    for name, booster in sets.site.boosters.items():
        options = tuple(one for one in pressures.boosters if one.booster == name)
        if not options:
            continue
        changes: dict[BoosterOption, Terms] = {option: [] for option in options}
        yield from _inlet(model, rows, pressures, booster, changes)
        yield _lift(model, rows, sets, booster, changes)
        _added(model, rows, pressures, changes)
        yield from _flow(model, rows, booster, options)
        yield from _counts(model, rows, booster)


def _inlet(
    model: Model,
    rows: Rows,
    pressures: Pressures,
    booster: BoosterType,
    changes: dict[BoosterOption, Terms],
) -> Iterator[Limit]:
    """``inlet potential + slope * slack >= its least * boost``; it adds the less to a gas."""
    mine = [o for o in changes if f"booster_inlet[{boost(o)}]" in rows]
    if not mine:
        return
    one = pressures.fluids[mine[0].fluid]
    path = ("boosters", booster.name, "min_inlet_pressure")
    limit, slope = pressure_limit(
        one, "booster_inlet_pressure", booster.name, path, mine[0].inlet, more=False
    )
    slacked(model, limit)
    lowest(model, limit, one.pressure(one.least))
    for option in mine:
        model.extend(rows[f"booster_inlet[{boost(option)}]"], [(slope, limit.slack)])
        if one.gas:
            less = where_used(model, limit, boost(option), one.most / slope)
            changes[option].append((-(option.boost**2 - 1.0) * slope, less))
    yield limit


def _lift(
    model: Model,
    rows: Rows,
    sets: IndexSets,
    booster: BoosterType,
    changes: dict[BoosterOption, Terms],
) -> Limit:
    """The ratio or the head: it adds more, takes more power, and more is met shut in.

    On the safe side: power as if it moved all that it may. Energy a kg is ``r^n - 1`` with n below
    1, of which a change of the ratio takes the share ``1 / (r - 1)`` at most.
    """
    pressures = sets.pressures
    assert pressures is not None
    ratio, head = booster.ratio, booster.head
    kind, key = ("booster_ratio", "ratio") if head is None else ("booster_head", "head")
    value = (ratio if head is None else head) or 1.0
    path, dimension = ("boosters", booster.name, key), "number" if head is None else "length"
    limit = Limit(kind, booster.name, path, value, dimension, True, cautious=True)
    limit = slacked(model, replace(limit, squared=head is None))
    for option in changes:
        one, key_of = pressures.fluids[option.fluid], boost(option)
        slope = 2.0 * value * option.inlet if one.gas else option.gain / value
        most = pressures.width(option.fluid) / slope
        slack = where_used(model, limit, key_of, most)
        raised: Key = ("raised", key_of)
        model.variable(raised, 0.0, unit=model.columns[model.index(limit.slack)].unit)
        terms: Terms = [(1.0, raised), (-most, key_of)]
        model.row(f"raised[{key_of}]", terms, high=0.0)
        model.row(f"raised_by[{key_of}]", [(1.0, raised), (-1.0, limit.slack)], high=0.0)
        changes[option].append((slope, raised))
        moved = min(option.max_flow, most_moved(sets, option.fluid))
        share = moved / (value - 1.0 if one.gas else value)
        model.extend(rows[f"boosted[{key_of}]"], [(-share, slack)])
        more = 2.0 * value * one.most if one.gas else option.rise / value
        for weight in range(len(one.at_rest)):
            if (row := shut_along_row(option, weight)) in rows:
                model.extend(rows[row], [(-more, slack)])
            if (row := rating_row(option, weight)) in rows:
                model.extend(rows[row], [(more, slack)])
    fluids, seen = {option.fluid for option in changes}, set[str]()
    for (arc, build), most in pressures.most.items():
        row = f"most[{arc.route},{build},{arc.fluid}]"
        if arc.fluid in fluids and row in rows and row not in seen:
            seen.add(row)
            model.extend(rows[row], [(-LOOSE * most / value, limit.slack)])
    return limit


def _added(
    model: Model, rows: Rows, pressures: Pressures, changes: dict[BoosterOption, Terms]
) -> None:
    """``added <= its changes``, in the rows of what a booster adds to that stand from the start."""
    for option, terms in changes.items():
        column = added(option)
        step = model.columns[model.index(pressures.high(option.start, option.fluid))].unit
        model.variable(column, -option.gain, pressures.width(option.fluid), step)
        taken: Terms = [(-factor, key) for factor, key in terms]
        model.row(f"added[{boost(option)}]", [(1.0, column), *taken], high=0.0)
        lost = f"pressure_drop[{option.route},{option.start},{option.fluid},"
        for name, number in rows.items():
            if option.route and name.startswith(lost):
                model.extend(number, [(-1.0, column)])
        if (row := f"filling_pressure[{option.store}]") in rows:
            model.extend(rows[row], [(1.0, column)])


def _flow(model: Model, rows: Rows, booster: BoosterType, options: Options) -> Iterator[Limit]:
    """``flow <= its own most + slack`` where it runs."""
    mine = [row for o in options if (row := f"booster_flow[{boost(o)}]") in rows]
    if not mine or booster.max_flow is None:
        return
    path = ("boosters", booster.name, "max_flow")
    limit = Limit("booster_flow", booster.name, path, booster.max_flow, "mass_rate", True)
    slacked(model, limit)
    for row in mine:
        model.extend(rows[row], [(-1.0, limit.slack)])
    yield limit


def _counts(model: Model, rows: Rows, booster: BoosterType) -> Iterator[Limit]:
    """``sum of boosters <= their most + slack``, at a place and in all."""
    places = [
        (f"boosters_at[{booster.name},{place}]", f"{booster.name}@{place}", ("places", place), most)
        for place, most in booster.places.items()
    ]
    total = (f"boosters_of[{booster.name}]", booster.name, ("max_units",), booster.max_units)
    for row, name, keys, most in (*places, total):
        if row in rows and most is not None:
            kind, path = (
                f"booster_{keys[0].removeprefix('max_')}",
                ("boosters", booster.name, *keys),
            )
            limit = slacked(model, Limit(kind, name, path, float(most), "number", True))
            model.extend(rows[row], [(-1.0, limit.slack)])
            yield limit


def idle_boosters(model: Model, rows: Rows, sets: IndexSets) -> None:
    """A booster that does not run limits no flow, and takes no power, however large flows become.

    ``boosted + beyond >= flow - most (1 - boost)`` and ``flow - beyond <= most`` where it does not
    run, with ``beyond <= FURTHEST most (1 - boost)`` and no larger than what limits are lifted by:
    of what pipes carry, or of the flows of sources, where no machine gives the fluid.
    """
    pressures = sets.pressures
    for at, options in ({} if pressures is None else pressures.boosters_at).items():
        for option in options:
            key = boost(option)
            row = model.rows[rows[f"boosted[{key}]"]]
            most, beyond = -row.low * row.scale, ("beyond", key)
            model.variable(beyond, 0.0, unit=model.columns[model.index(boosted(option))].unit)
            model.extend(rows[f"boosted[{key}]"], [(1.0, beyond)])
            if (flow := f"booster_flow[{key}]") in rows:
                model.extend(rows[flow], [(-1.0, beyond)])
            widest = FURTHEST * most
            terms: Terms = [(1.0, beyond), (widest, key)]
            model.row(f"beyond[{key}]", terms, high=widest)
            lifted = _lifted_flows(model, sets, option.fluid, at)
            if lifted is not None:
                model.row(f"beyond_by[{key}]", [(1.0, beyond), *lifted], high=0.0)


def _lifted_flows(
    model: Model, sets: IndexSets, fluid: str, at: PipeArc | str
) -> list[tuple[float, Key]] | None:
    """Less what lifted limits add to the most that comes to a pipe or store; None: not known."""
    if isinstance(at, PipeArc):
        builds = sets.pipes[at.route, fluid].builds
        lifted: list[Key] = [("more", at.route, build, fluid) for build in builds]
        return [(-1.0, key) for key in lifted if model.has(key)]
    if any(fluid in group.type.outputs for group in sets.groups.values()):
        return None
    peak = max(sets.peak(shape) for shape in sets.fluid_shapes[fluid])
    mine: list[Key] = [("more", s) for s in sets.sources if sets.site.sources[s].fluid == fluid]
    return [(-peak, key) for key in mine if model.has(key)]
