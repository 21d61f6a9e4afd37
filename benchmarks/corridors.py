"""Corridors over a raster of 2,000 x 2,000 cells that join 40 places; aim: 60 s and 4 GiB.

Time is that of the processor, on one core. The answer is asserted: every place is joined, no way
crosses a cell where nothing may be laid, and from each place the way through the corridors to the
nearest other one is no dearer than the least-cost path over all cells by scipy.
Run: ``python benchmarks/corridors.py [CELLS [PLACES]]``.
"""

from __future__ import annotations

import math
import resource
import sys
import time

import networkx as nx
import numpy as np
from scipy.ndimage import zoom
from scipy.sparse.csgraph import dijkstra

from allocator.intake.least_cost import GroundWay, corridors
from allocator.intake.surface import Terrain

AIM_SECONDS, AIM_BYTES = 60.0, 4 * 2**30
FACTORS = np.array([1.0, 1.0, 1.3, 2.0, 4.0, math.inf])
"""Of plain ground twice, field, wood, rock and water."""
CHECKED = 8
"""Places from which scipy looks for the nearest other one."""


def ground(cells: int, seed: int = 7) -> Terrain:
    """Rolling hills with patches of six classes, a river with fords, and a trench."""
    draw = np.random.default_rng(seed)

    def rolling(coarse: int) -> np.ndarray:
        drawn = draw.normal(size=(coarse, coarse))
        return zoom(drawn, cells / coarse, order=3)[:cells, :cells]

    patches = rolling(cells // 40)
    ranks = np.searchsorted(np.quantile(patches, [0.3, 0.55, 0.75, 0.88, 0.96]), patches)
    factors = FACTORS[ranks]
    factors[cells // 3 : cells // 3 + 6] = math.inf
    factors[:, :: cells // 8] = np.minimum(factors[:, :: cells // 8], 2.0)  # fords and tracks
    factors[cells // 2, :] = 0.3
    return Terrain(factors, 40.0 * rolling(cells // 100), 5.0)


def places_on(terrain: Terrain, count: int, seed: int = 8) -> dict[str, tuple[float, float]]:
    """Places on ground that may be built on."""
    draw = np.random.default_rng(seed)
    free = np.argwhere(np.isfinite(terrain.factors))
    chosen = free[draw.choice(len(free), count, replace=False)]
    return {f"p{i}": (float(row), float(column)) for i, (row, column) in enumerate(chosen)}


def check(terrain: Terrain, places: dict[str, tuple[float, float]], ways: list[GroundWay]) -> float:
    """The dearest of the ways to nearest places, as a share of scipy's path."""
    web = nx.Graph()
    for way in ways:
        assert math.isfinite(way.cost), way
        if not web.has_edge(way.start, way.end) or web[way.start][way.end]["cost"] > way.cost:
            web.add_edge(way.start, way.end, cost=way.cost)
    assert nx.is_connected(web)
    assert set(places) <= set(web)
    columns = terrain.factors.shape[1]
    cells = {name: int(row) * columns + int(column) for name, (row, column) in places.items()}
    graph, worst = terrain.graph(), 0.0
    for name in list(places)[:CHECKED]:
        along = nx.single_source_dijkstra_path_length(web, name, weight="cost")
        nearest = min((along[other], other) for other in places if other != name)
        over = dijkstra(graph, indices=cells[name], limit=1.1 * nearest[0])
        least = min(over[cells[other]] for other in places if other != name)
        worst = max(worst, nearest[0] / float(least))
    return worst


def main() -> None:
    """Measure once, and assert the answer and the aims."""
    cells, count = (int(word) for word in (*sys.argv[1:], *("2000", "40")[len(sys.argv) - 1 :]))
    terrain = ground(cells)
    places = places_on(terrain, count)
    begin = time.process_time()
    ways = corridors(terrain, places)
    spent = time.process_time() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    worst = check(terrain, places, list(ways))
    print(
        f"{cells:,} x {cells:,} cells, {count} places: {len(ways)} corridors, {spent:.1f} s of one "
        f"processor (aim {AIM_SECONDS:g}), {peak / 2**30:.2f} GiB (aim {AIM_BYTES / 2**30:g}); "
        f"dearest way to a nearest place {worst:.3f} of scipy's"
    )
    assert worst <= 1.02, worst
    assert spent <= AIM_SECONDS, spent
    assert peak <= AIM_BYTES, peak


if __name__ == "__main__":
    main()
