"""What pipes carry at an even gradient of pressure, for paths, which know no pressures.

A way as long as most sources have to a machine then has enough pressure from end to end, however
it is put together, and gas is slow enough behind it: much of the pressure is kept for that. Fix and
repair judges by the exact losses and speeds, and may choose builds again.
"""

from __future__ import annotations

import heapq
import math

import numpy as np

from allocator.model.index_sets import IndexSets
from allocator.model.pressures import NO_LOSS
from allocator.network.pressure_curves import friction_of
from allocator.network.pressure_records import FluidPressures, PipeLoss

FAR = 0.5
"""Share of the sources whose way to the nearest machine is no longer than the one planned for."""
STEEPER = (0.5, 0.25)
"""Lengths of ways, as shares of that one, at whose steeper gradients paths are searched as well.

Pipes then carry more each and fewer are laid, which serves sources near a machine and builds that
are chosen again. Fitted to 20/30/4 and `networks/harbour_pressures.yaml` (0.1 to 4 tried).
"""
HALVINGS = 30
USED = (0.1, 0.2, 0.35, 0.5, 0.7, 1.0)
"""Shares of the pressure that friction may use, of which the one that lets pipes carry most is."""

Pipes = dict[tuple[str, str, str], float]
"""By route, fluid and build: kg/s."""


def even_capacities(sets: IndexSets, way: float = 1.0) -> Pipes:
    """What builds carry at the even gradient of their fluid, where pressures are computed.

    ``way``: length of the way whose pressure it uses up, as a share of that of most sources.
    """
    found: Pipes = {}
    for fluid in {} if sets.pressures is None else sets.pressures.fluids:
        found |= _of_fluid(sets, sets.site.pressures[fluid], way)
    return found


def _of_fluid(sets: IndexSets, one: FluidPressures, way: float) -> Pipes:
    asked: list[tuple[str, str, str]] = []
    pipes: list[PipeLoss] = []
    for (route, fluid), pipe in sets.pipes.items():
        for build in pipe.builds if fluid == one.fluid else ():
            arcs = sets.arcs_along(route, fluid)
            ways = [one.losses.get((arc.route, arc.start, build), NO_LOSS) for arc in arcs]
            loss = max(ways, key=lambda way: way.factor)
            if loss.checked:
                asked.append((route, fluid, build))
                pipes.append(loss)
    top, drive, far = _drive(sets, one)
    if not asked or not math.isfinite(far):
        return {}
    far *= way
    length = np.array([sets.site.routes[route].length for route, _, _ in asked])
    most = np.array([sets.site.capacity(*_swapped(key)) for key in asked])
    speed = np.array([max(pipe.end, 1e-300) for pipe in pipes])
    released = _released(sets, one)
    behind = np.array([released.get(route, math.inf) for route, _, _ in asked])
    friction = friction_of(pipes)
    best = np.zeros(len(asked))
    for share in USED:
        slow = np.minimum(most, np.sqrt(np.minimum(top - share * drive, behind) / speed))
        low, high = np.zeros(len(asked)), slow
        for _ in range(HALVINGS):
            middle = (low + high) / 2.0
            fits = friction(middle) <= share * drive * length / far
            low, high = np.where(fits, middle, low), np.where(fits, high, middle)
        if (low / most).sum() > (best / most).sum():
            best = low
    return dict(zip(asked, best.tolist(), strict=True))


def _released(sets: IndexSets, one: FluidPressures) -> dict[str, float]:
    """Potential at which stores give at an end of each route: no more is behind a pipe there."""
    at: dict[str, float] = {}
    for store in sets.fluid_stores.values():
        if store.type.holds == one.fluid and store.type.name in one.stores:
            release = one.stores[store.type.name].release
            at[store.place] = max(release, at.get(store.place, 0.0))
    found = {}
    for route, fluid in sets.pipes:
        if fluid == one.fluid:
            ends = (sets.site.routes[route].start, sets.site.routes[route].end)
            found[route] = min(at.get(place, math.inf) for place in ends)
    return found


def _swapped(key: tuple[str, str, str]) -> tuple[str, str, str]:
    route, fluid, build = key
    return route, build, fluid


def _drive(sets: IndexSets, one: FluidPressures) -> tuple[float, float, float]:
    """Potential at the start of a way, what it has above a machine, and m of the way there.

    It starts at the mouth of a source, or at a booster where that gives more.
    """
    fluid, site = one.fluid, sets.site
    sources = [s for s in sets.sources if site.sources[s].fluid == fluid]
    given = [one.mouths.get(site.sources[s].part_of or s, one.most) for s in sources]
    groups = [g for g in sets.groups.values() if fluid in g.type.inputs]
    needed = [one.inlets.get(g.type.name, one.least) for g in groups]
    mouth = float(np.median(given)) if given else one.most
    gain = max((option.gain for option in one.boosters), default=0.0)
    need = max(needed, default=one.least)
    drive = max(mouth - need, gain, 1e-3 * (one.most - one.least))
    top = max(mouth, need + drive)
    near = _distances(sets, fluid, {g.place for g in groups})
    lengths = sorted(near[p] for s in sources if near.get(p := site.sources[s].place, 0.0) > 0.0)
    if not lengths:
        return top, drive, math.inf
    return top, drive, lengths[min(len(lengths) - 1, int(FAR * len(lengths)))]


def _distances(sets: IndexSets, fluid: str, ends: set[str]) -> dict[str, float]:
    """m of the shortest way from each place to the nearest of some ends (Dijkstra, 1959)."""
    into: dict[str, list[tuple[str, float]]] = {}
    for arc in sets.arcs.get(fluid, ()):
        length = sets.site.routes[arc.route].length
        into.setdefault(arc.end, []).append((arc.start, length))
    far = dict.fromkeys(ends, 0.0)
    waiting = [(0.0, place) for place in sorted(ends)]
    while waiting:
        length, place = heapq.heappop(waiting)
        if length > far[place]:
            continue
        for other, more in into.get(place, ()):
            if length + more < far.get(other, math.inf):
                far[other] = length + more
                heapq.heappush(waiting, (length + more, other))
    return far
