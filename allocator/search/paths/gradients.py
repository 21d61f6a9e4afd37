"""What pipes carry at an even gradient of pressure, for paths, which know no pressures.

A way as long as most sources have to a machine then has enough pressure from end to end, however
it is put together. Fix and repair judges by the exact losses, and may choose builds again.
"""

from __future__ import annotations

import heapq
import math

import numpy as np

from allocator.model.index_sets import IndexSets
from allocator.model.pressures import NO_LOSS
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_records import FluidPressures, PipeLoss

FAR = 0.75
"""Share of the sources whose way to the nearest machine is no longer than the one planned for."""
WINDING = 1.3
"""Times as long as the shortest way is the one that a path takes."""
HALVINGS = 40

Pipes = dict[tuple[str, str, str], float]
"""By route, fluid and build: kg/s."""


def even_capacities(sets: IndexSets) -> Pipes:
    """What builds carry at the even gradient of their fluid, where pressures are computed."""
    asked: list[tuple[str, str, str]] = []
    pipes: list[PipeLoss] = []
    drives: list[float] = []
    for fluid in {} if sets.pressures is None else sets.pressures.fluids:
        one = sets.site.pressures[fluid]
        gradient = _gradient(sets, one)
        for (route, carried), pipe in sets.pipes.items():
            for build in pipe.builds if carried == fluid else ():
                ways = [
                    one.losses.get((arc.route, arc.start, build), NO_LOSS)
                    for arc in sets.arcs_along(route, fluid)
                ]
                loss = max(ways, key=lambda way: way.factor)
                if loss.checked:
                    asked.append((route, fluid, build))
                    pipes.append(loss)
                    drives.append(gradient * sets.site.routes[route].length)
    high = np.array([sets.site.capacity(route, build, fluid) for route, fluid, build in asked])
    low, drive = np.zeros(len(high)), np.array(drives)
    for _ in range(HALVINGS if asked else 0):
        middle = (low + high) / 2.0
        fits = np.array(losses_at(pipes, middle.tolist())[0]) <= drive
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    return dict(zip(asked, high.tolist(), strict=True))


def _gradient(sets: IndexSets, one: FluidPressures) -> float:
    """Potential a metre that a fluid may lose from its sources to its machines."""
    fluid, site = one.fluid, sets.site
    sources = [s for s in sets.sources if site.sources[s].fluid == fluid]
    given = [one.mouths.get(site.sources[s].part_of or s, one.most) for s in sources]
    groups = [g for g in sets.groups.values() if fluid in g.type.inputs]
    needed = [one.inlets.get(g.type.name, one.least) for g in groups]
    drive = float(np.median(given)) - max(needed, default=one.least) if given else 0.0
    gain = max((option.gain for option in one.boosters), default=0.0)
    drive = max(drive, gain, 1e-3 * (one.most - one.least))
    far = _distances(sets, fluid, {g.place for g in groups})
    lengths = sorted(far[p] for s in sources if (p := site.sources[s].place) in far)
    lengths = [length for length in lengths if length > 0.0]
    if not lengths:
        return math.inf
    return drive / (WINDING * lengths[min(len(lengths) - 1, int(FAR * len(lengths)))])


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
