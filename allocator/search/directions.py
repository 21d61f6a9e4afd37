"""Directions of pipes in a point of the model: kept where another build is laid, found for a plan.

A pipe has a direction where pressures are computed, or all its gas flows one way
(:mod:`allocator.model.ways`). For others nothing here does anything but lay it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from allocator.model.drops import Drop, LaidBuild, curves_at, drops_in, drops_of
from allocator.model.expressions import arrivals
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key
from allocator.model.pressures import boost, directed, spur_laid, used_stores
from allocator.model.ways import way

Put = Callable[[Key, float], None]
NOTHING = 1e-10
"""kg/s into a store that is none."""
SPARE = 1e-6
"""Share of its flow that another build must carry beyond it."""


def ways_of(sets: IndexSets, route: str, fluid: str, build: str) -> list[Key]:
    """The columns that say how a build may be laid on a route: in a direction, or as a spur."""
    pressures = sets.pressures
    if (route, fluid) in sets.two_way:
        return [way(route, arc.start, build, fluid) for arc in sets.arcs_along(route, fluid)]
    if pressures is None:
        return []
    found: list[Key] = []
    for arc in sets.arcs_along(route, fluid):
        if build in pressures.losses.get(arc, {}):
            found.append(directed(arc, build))
            spurs = pressures.spurs_at.get(arc, ())
            found += [spur_laid(spur, build) for spur in spurs if spur.into == arc]
    return found


def relaid(
    sets: IndexSets,
    values: Mapping[Key, float],
    put: Put,
    lay: tuple[str, str, str, str],
    other: str | None,
) -> None:
    """Lay another build (None: none) in the place of one, the same way."""
    _, route, build, fluid = lay
    put(lay, 0.0)
    if other is not None:
        put(("lay", route, other, fluid), 1.0)
    if other is None and sets.pressures is not None:
        for arc in sets.arcs_along(route, fluid):
            for option in sets.pressures.boosters_at.get(arc, ()):
                put(boost(option), 0.0)  # it has no pipe to stand at
    before = ways_of(sets, route, fluid, build)
    after = before if other is None else ways_of(sets, route, fluid, other)
    for one, another in zip(before, after, strict=True):
        put(one, 0.0)
        if other is not None:
            put(another, values[one])


def bears_pressure(
    sets: IndexSets, values: Mapping[Key, float], pipe: tuple[str, str], laid: str, other: str
) -> bool:
    """Whether the potentials of a point are enough for another build in the place of one."""
    for drop in _along(sets, pipe):
        mine = {build.name: build for build in drop.builds}
        if values[mine[laid].laid] < 0.5 or values[mine[laid].flow] <= 0.0:
            continue
        flow = values[mine[laid].flow] * (1.0 + SPARE)
        if flow > mine[other].most or not _enough(drop, values, mine[other], flow):
            return False
    return True


def _along(sets: IndexSets, pipe: tuple[str, str]) -> list[Drop]:
    pressures = sets.pressures
    if pressures is None:
        return []
    arcs = {a: losses for a in sets.arcs_along(*pipe) if (losses := pressures.losses.get(a))}
    spurs = tuple(spur for arc in arcs for spur in pressures.spurs_at.get(arc, ()))
    spurs = tuple(dict.fromkeys(spurs))
    boosters = tuple(one for arc in arcs for one in pressures.boosters_at.get(arc, ()))
    return list(drops_in(replace(pressures, losses=arcs, spurs=spurs, boosters=boosters)))


def without_idle_boosters(sets: IndexSets, values: Mapping[Key, float], put: Put) -> None:
    """Leave out boosters without which pressures are enough; stores not used need none."""
    pressures = sets.pressures
    for drop in drops_of(sets):
        for option in drop.boosters:
            if values[boost(option)] < 0.5:
                continue
            laid = [build for build in drop.builds if values[build.laid] > 0.5]
            without = {**values, boost(option): 0.0}
            if all(_enough(drop, without, build, values[build.flow]) for build in laid):
                put(boost(option), 0.0)
    for name in () if pressures is None else used_stores(sets, pressures):
        filled = [key for _, key in arrivals(sets, f"store:{name}")]
        if all(values[key] <= NOTHING for key in (*filled, ("inflow", name))):
            for option in pressures.boosters_at.get(name, ()) if pressures is not None else ():
                put(boost(option), 0.0)
            shapes = sets.fluid_shapes[sets.fluid_stores[name].type.holds]
            if all(values["draw", name, shape] <= NOTHING for shape in shapes):
                put(("holds", name), 0.0)


def _enough(drop: Drop, values: Mapping[Key, float], build: LaidBuild, flow: float) -> bool:
    (at,) = curves_at([(build, flow)])
    gain = sum(option.gain * values[boost(option)] for option in drop.boosters)
    slow = build.loss.end * flow**2 <= values[drop.slow] + drop.least
    return slow and drop.left(build, values[drop.start] + gain, at) >= values[drop.end]


def paths_directed(
    sets: IndexSets,
    pipes: Mapping[tuple[str, str], str],
    flows: Iterable[tuple[str, str, str, bool]],
) -> dict[Key, float]:
    """The columns of directions of a plan's pipes: 1 where it uses them.

    ``pipes``: (route, fluid) -> build. ``flows``: route, fluid, the node at which a flow enters,
    and whether it is collect flow. What flows both ways is laid as a spur where one layer goes out
    and the other comes back; what can have no direction has none.
    """
    pressures = sets.pressures
    if pressures is None and not sets.two_way:
        return {}
    used: dict[tuple[str, str], set[tuple[str, bool]]] = {}
    for route, fluid, start, collect in flows:
        used.setdefault((route, fluid), set()).add((start, collect))
    found: dict[Key, float] = {}
    for pipe, ways in used.items():
        build = pipes.get(pipe)
        if build is not None and pipe in sets.two_way:
            (start, _), *others = sorted(ways)
            if not others:
                found[way(pipe[0], start, build, pipe[1])] = 1.0
            continue
        if pressures is None:
            continue
        arcs = {a.start: a for a in sets.arcs_along(*pipe) if a in pressures.losses}
        if build is None or not arcs:
            continue
        starts = {start for start, _ in ways}
        if len(starts) == 1:
            (start,) = starts
            if start in arcs:
                found[directed(arcs[start], build)] = 1.0
            continue
        out = [start for start, collect in ways if collect]
        back = [start for start, collect in ways if not collect]
        if len(out) == 1 and len(back) == 1:
            for spur in pressures.spurs_at.get(arcs[out[0]], ()):
                if spur.inner == out[0]:
                    found[spur_laid(spur, build)] = 1.0
    return found
