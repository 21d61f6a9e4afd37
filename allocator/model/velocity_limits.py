"""Limits of the velocity in pipes, and of the Mach number of gas, with their slacks.

Gas that may be faster by a share t needs less at a pipe's end: ``end Q^2 <= low (1 + t)^2``. On the
safe side ``low + 2 least t``; far above the least that is little, so as well ``low (1 + s)^2`` for
some steps ``s <= t``, one of which is chosen. It is taken no more than twice as fast. A liquid
carries ``fastest (1 + t)``.
"""

from __future__ import annotations

from collections.abc import Iterator

from allocator.model.drops import Drop, LaidBuild, drops_of, faster
from allocator.model.index_sets import IndexSets
from allocator.model.limits import LOOSE, Limit, slacked
from allocator.model.model import Key, Model, Terms
from allocator.model.pressure_limits import Rows
from allocator.model.widening import widened
from allocator.network.pressure_ranges import GAS_VELOCITY, LIQUID_VELOCITY

TWICE = 1.0
"""Share by which a velocity is raised at most."""
STEPS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0)
"""Shares s by which it may be raised where the pressure is far above the least."""
Pipes = list[tuple[Drop, LaidBuild]]


def velocity_limits(model: Model, rows: Rows, sets: IndexSets) -> Iterator[Limit]:
    """The highest velocity or Mach number of each pipe type, whichever limits it."""
    found: dict[tuple[str, str, bool], Pipes] = {}
    for drop in drops_of(sets):
        for build in drop.builds:
            if build.loss.slow and build.loss.checked:
                at = (build.name, build.loss.slow, build.loss.end > 0.0)
                found.setdefault(at, []).append((drop, build))
    stated: dict[str, list[int]] = {}
    for row, number in rows.items():
        kind, _, rest = row.partition("[")
        if kind == "speed":
            drop_name = ",".join(rest.split(",")[:3])
            stated.setdefault(f"{kind}[{drop_name}", []).append(number)
    for (name, key, gas), pipes in found.items():
        pipe = sets.site.pipes[name]
        usual = GAS_VELOCITY if gas else LIQUID_VELOCITY
        value = pipe.max_mach if key == "max_mach" else pipe.max_velocity or usual
        kind, dimension = ("mach", "number") if key == "max_mach" else ("velocity", "speed")
        limit = Limit(kind, name, ("pipes", name, key), value, dimension, True, cautious=True)
        if model.has(limit.slack):
            continue  # of a gas and of a liquid: the first alone
        slacked(model, limit)
        most = value * min(TWICE, *(build.loss.room for _, build in pipes))
        model.row(f"no_faster[{limit.slack}]", [(1.0, limit.slack)], high=most)
        if gas:
            _steps(model, limit, most)
        for drop, build in pipes:
            if gas:
                _gas(model, stated, (drop, build), limit, most)
            else:
                fastest = build.loss.fastest
                terms: Terms = [(1.0, build.flow), (-fastest, build.laid)]
                terms.append((-fastest / value, limit.slack))
                model.row(f"velocity[{drop.name},{name}]", terms, high=0.0)
        _carried(model, rows, sets, limit, {(d.arc.route, d.arc.fluid) for d, _ in pipes})
        yield limit


def _chosen(limit: Limit, step: float) -> Key:
    """1 where a limit is raised by a step at the least."""
    return ("raised by", limit.slack, step)


def _steps(model: Model, limit: Limit, most: float) -> None:
    """``slack >= value step chosen`` of each step, and no more than one is chosen."""
    chosen: Terms = []
    for step in STEPS:
        if step * limit.value <= most:
            key = _chosen(limit, step)
            model.variable(key, 0.0, 1.0, integer=True)
            terms: Terms = [(1.0, limit.slack), (-step * limit.value, key)]
            model.row(f"step[{key}]", terms, low=0.0)
            chosen.append((1.0, key))
    if chosen:
        model.row(f"one_step[{limit.slack}]", chosen, high=1.0)


def _gas(
    model: Model,
    stated: dict[str, list[int]],
    at: tuple[Drop, LaidBuild],
    limit: Limit,
    most: float,
) -> None:
    """``faster <= 2 least t``, or ``((1 + s)^2 - 1) (least + low)`` where a step s is chosen."""
    drop, build = at
    step = model.columns[model.index(drop.slow)].unit
    eased = faster(drop, build)
    least = 2.0 * drop.least / limit.value
    model.variable(eased, 0.0, unit=step)
    steps = [step for step in STEPS if model.has(_chosen(limit, step))]
    widest = least * most + ((1.0 + max(steps, default=0.0)) ** 2 - 1.0) * (drop.least + drop.width)
    terms: Terms = [(1.0, eased), (-least, limit.slack)]
    terms += [(-widest, _chosen(limit, step)) for step in steps]
    model.row(f"eased[{eased}]", terms, high=0.0)
    for share in steps:
        more_of, key = (1.0 + share) ** 2 - 1.0, _chosen(limit, share)
        terms = [(1.0, eased), (-more_of, drop.slow), (widest, key)]
        model.row(f"eased[{eased},{share}]", terms, high=widest + more_of * drop.least)
    terms = [(1.0, eased), (-widest, build.laid)]
    model.row(f"eased_where_laid[{eased}]", terms, high=0.0)
    for number in stated.get(f"speed[{drop.name}", ()):
        model.extend(number, [(-1.0, eased)])


def _carried(
    model: Model, rows: Rows, sets: IndexSets, limit: Limit, pipes: set[tuple[str, str]]
) -> None:
    """A capacity by bore that is one of velocity rises with it; the rows of losses hold it."""
    build = sets.site.pipes[limit.name]
    if not build.by_bore:
        return
    factor = LOOSE * build.capacity / limit.value
    for route, fluid in sorted(pipes):
        row = f"most[{route},{build.name},{fluid}]"
        if row in rows:
            model.extend(rows[row], [(-factor, limit.slack)])
        elif f"pipe_capacity[{route},{fluid}]" in rows:
            widened(model, rows, sets, (route, fluid), build, (factor, limit.slack))
