"""Least-cost ways over a raster of ground, straightened, with junctions where they meet.

Cells are joined to their eight neighbours; a step costs its length, climb included, times the mean
factor of both cells (as usual for cost surfaces). The neighbours of a place are those whose areas
of nearest ground touch its own (Mehlhorn, "A faster approximation algorithm for the Steiner
problem in graphs", Information Processing Letters 27, 1988); each two neighbours get their
least-cost way, and each three of which one is a neighbour of both others the point that is cheapest
to reach from all three, where that is cheaper than two of their ways.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import networkx as nx
import numpy as np
import numpy.typing as npt

from allocator.base.errors import AllocatorError
from allocator.intake.least_tree import (
    all_sets_known,
    chains,
    nodes_of,
    pruned,
    tree_of_cells,
    trees_that_lack,
)
from allocator.intake.surface import Cells, Line, Terrain, straightened

WORTH = 0.01
"""Share that a meeting point must save of the two cheapest ways of its three places."""
NEAR = 0.05
"""Junctions, or one and a place, are one within this share of the middle length of lines."""

ROUNDS = 3
"""Times that ways are added where sets of places have none that are cheap together."""
MARGIN = 6.0
"""Cells around a way, at the least, in which a cheaper one is looked for."""
DETOUR = 0.01
"""Share by which other ways may be dearer than one that is left out for them."""

Pair: TypeAlias = tuple[str, str]


@dataclass(frozen=True, slots=True)
class GroundWay:
    """A way between two nodes. ``line``: its bends, in cells; ``cost``: length times factors."""

    start: str
    end: str
    line: Line
    length: float
    climb: float
    cost: float


def corridors(surface: Terrain, places: Mapping[str, tuple[float, float]]) -> tuple[GroundWay, ...]:
    """Ways that join places, with junctions ``junction_1``, ``junction_2``, ... where they meet.

    Names that places have already are passed over.

    Parameters
    ----------
    surface : Terrain
        The ground.
    places : mapping
        Name -> row and column in cells, with fractions.

    Returns
    -------
    tuple of GroundWay
        In a fixed order; every place is an end of at least one.

    Raises
    ------
    AllocatorError
        A place on ground that cannot be built on, two places in one cell, places that no way joins.
    """
    columns = surface.factors.shape[1]
    names = list(places)
    at = np.array([[round(value) for value in places[name]] for name in names], dtype=np.int64)
    cells = at[:, 0] * columns + at[:, 1]
    _check(surface, names, at, cells)
    named = dict(zip(cells.tolist(), names, strict=True))
    paths = _paths(surface, cells, names)
    few = all_sets_known(surface, len(cells))
    tree = [] if few else tree_of_cells(surface, cells, paths)
    ways = _thinned(surface, named, paths, tree)
    for _ in range(ROUNDS if few else 0):
        lacking = trees_that_lack(surface, cells, _graph_of(ways, names))
        if not lacking:
            break
        tree += lacking
        ways = _thinned(surface, named, paths, tree)
    return tuple(_exact(surface, way, places) for way in ways)


def _graph_of(ways: Sequence[GroundWay], names: Sequence[str]) -> object:
    """Costs of ways between nodes, of which the first are the names, as a sparse matrix."""
    web = nx.Graph()
    web.add_nodes_from(names)
    web.add_weighted_edges_from((way.start, way.end, way.cost) for way in ways)
    return nx.to_scipy_sparse_array(web, format="csr")


def _exact(
    surface: Terrain, way: GroundWay, places: Mapping[str, tuple[float, float]]
) -> GroundWay:
    """A way from and to where its places are, not to the middle of their cells."""
    line = way.line.copy()
    for end, name in ((0, way.start), (-1, way.end)):
        if name in places:
            line[end] = places[name]
    if not math.isfinite(surface.cost(line)):
        return way
    length, climb = surface.profile(line)
    return GroundWay(way.start, way.end, line, length, climb, surface.cost(line))


def _check(surface: Terrain, names: Sequence[str], at: Cells, cells: Cells) -> None:
    for name, (row, column) in zip(names, at, strict=True):
        if not np.isfinite(surface.factors[row, column]):
            raise AllocatorError(f"place {name!r} is on ground where no pipe may be laid")
    met: dict[int, str] = {}
    for name, cell in zip(names, cells.tolist(), strict=True):
        if cell in met:
            raise AllocatorError(f"places {met[cell]!r} and {name!r} are in one cell of the grid")
        met[cell] = name


def _paths(surface: Terrain, cells: Cells, names: Sequence[str]) -> list[Cells]:
    """Cells of the way of each two neighbours, and of the ways to meeting points."""
    from scipy.sparse.csgraph import dijkstra

    graph = surface.graph()
    ways = _neighbours(graph, cells)
    joined = nx.Graph(list(ways))
    joined.add_nodes_from(range(len(cells)))
    parts = list(nx.connected_components(joined))
    if len(parts) > 1:
        one, other = names[min(parts[0])], names[min(parts[1])]
        raise AllocatorError(f"no way leads from place {one!r} to {other!r} over this ground")
    fields, back = {}, {}
    for number in range(len(cells)):
        reach = max((ways[tuple(sorted((number, o)))] for o in joined[number]), default=0.0)
        fields[number], back[number] = dijkstra(
            graph,
            indices=cells[number],
            limit=reach * (1 + 1e-9),
            return_predecessors=True,
        )
        fields[number] = fields[number].astype(np.float32)
    found = [_traced(back[one], cells[other]) for one, other in sorted(ways)]
    for trio in _trios(joined):
        total = sum(fields[number] for number in trio)
        meeting = int(np.argmin(total))
        pairs = itertools.combinations(trio, 2)
        sides = sorted(ways.get(pair, fields[pair[0]][cells[pair[1]]]) for pair in pairs)
        if total[meeting] < (1.0 - WORTH) * (sides[0] + sides[1]) and meeting not in cells:
            found += [_traced(back[number], meeting) for number in trio]
    return [path for path in found if len(path) > 1]


def _neighbours(graph: object, cells: Cells) -> dict[tuple[int, int], float]:
    """Pairs of places whose areas of nearest ground touch -> cost of the way through there."""
    from scipy.sparse.csgraph import dijkstra

    cost, _, nearest = dijkstra(graph, indices=cells, return_predecessors=True, min_only=True)
    owner = np.full(len(cost), -1)
    for number, cell in enumerate(cells):
        owner[nearest == cell] = number
    steps = graph.tocoo()  # type: ignore[attr-defined]
    one, other = owner[steps.row], owner[steps.col]
    across = (one != other) & (one >= 0) & (other >= 0)
    total = (cost[steps.row] + steps.data + cost[steps.col])[across]
    low, high = np.minimum(one, other)[across], np.maximum(one, other)[across]
    found: dict[tuple[int, int], float] = {}
    pairs = low * len(cells) + high
    order = np.argsort(total, kind="stable")
    for pair in np.unique(pairs):
        first = order[np.flatnonzero(pairs[order] == pair)[0]]
        found[int(pair // len(cells)), int(pair % len(cells))] = float(total[first])
    return found


def _trios(joined: nx.Graph) -> Iterator[tuple[int, int, int]]:
    """Three places of which one is a neighbour of both others."""
    trios = {
        tuple(sorted((middle, *ends)))
        for middle in joined
        for ends in itertools.combinations(joined[middle], 2)
    }
    yield from sorted(trios)


def _traced(back: npt.NDArray[np.int32], end: int) -> Cells:
    """The cells from where a search began to an end."""
    path = [int(end)]
    while (before := int(back[path[-1]])) >= 0:
        path.append(before)
    return np.array(path[::-1], dtype=np.int64)


def _thinned(
    surface: Terrain, places: Mapping[int, str], paths: Sequence[Cells], tree: Sequence[Cells]
) -> tuple[GroundWay, ...]:
    """Ways between places and junctions: stretches that several paths share are one way.

    Ends of paths of the ``tree`` are junctions, and its paths are ways as they are.
    """
    columns = surface.factors.shape[1]
    lines = [
        straightened(surface, np.column_stack(np.divmod(path, columns)).astype(float))
        for path in (*paths, *tree)
    ]
    web = nx.Graph()
    web.add_nodes_from(places)
    for line in lines:
        start, end = (round(float(r)) * columns + round(float(c)) for r, c in line[[0, -1]])
        inner = [int(n) for n in surface.read(line)[0]] if len(line) > 1 else []
        cells = [start, *inner, end]
        web.add_edges_from((a, b) for a, b in itertools.pairwise(cells) if a != b)
    ends = {*places, *(int(path[end]) for path in tree for end in (0, -1))}
    web = pruned(web, ends)  # at a sharp bend a line may leave a cell as it came
    nodes = nodes_of(web, ends)
    spans = [float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines]
    near = NEAR * float(np.median(spans)) if spans else 0.0
    named, centres = _named(nodes, places, columns, near)
    best: dict[Pair, GroundWay] = {}
    kept = {_pair(named[int(path[0])], named[int(path[-1])]) for path in tree}
    for chain in (*chains(web, nodes), *(path.tolist() for path in tree)):
        one, other = named[chain[0]], named[chain[-1]]
        if one == other:
            continue
        cells = [centres[one], *chain, centres[other]]
        way = _way(surface, one, other, np.column_stack(np.divmod(cells, columns)).astype(float))
        if not math.isfinite(way.cost):  # from a centre across ground where nothing may be laid
            continue
        pair = _pair(one, other)
        if pair not in best or way.cost < best[pair].cost:
            best[pair] = way
    _without_detours(best, kept)
    _without_mere_bends(surface, best, frozenset(places.values()))
    return tuple(best[pair] for pair in sorted(best))


def _without_detours(best: dict[Pair, GroundWay], kept: set[Pair]) -> None:
    """Ways that others replace at next to no more cost are taken out, the dearest first."""
    web = nx.Graph()
    for pair, way in best.items():
        web.add_edge(*pair, cost=way.cost)
    for pair in sorted(best.keys() - kept, key=lambda pair: (-best[pair].cost, pair)):
        cost = best[pair].cost
        web.remove_edge(*pair)
        try:
            other = nx.dijkstra_path_length(web, *pair, weight="cost")
        except nx.NetworkXNoPath:
            other = math.inf
        if other <= (1.0 + DETOUR) * cost:
            del best[pair]
        else:
            web.add_edge(*pair, cost=cost)


def _without_mere_bends(
    surface: Terrain, best: dict[Pair, GroundWay], places: frozenset[str]
) -> None:
    """Junctions at which no more than two ways meet are taken out, and their ways joined."""
    while True:
        met: dict[str, list[Pair]] = {}
        for pair in sorted(best):
            for name in pair:
                met.setdefault(name, []).append(pair)
        bends = [name for name in sorted(met) if name not in places and len(met[name]) < 3]
        if not bends:
            return
        ways = [best.pop(pair) for pair in met[bends[0]]]
        if len(ways) < 2:
            continue
        one, other = (way if way.end == bends[0] else _turned(way) for way in ways)
        if one.start != other.start:
            line = np.vstack([one.line, other.line[::-1]])
            pair = _pair(one.start, other.start)
            joined = _way(surface, one.start, other.start, line)
            if pair not in best or joined.cost < best[pair].cost:
                best[pair] = joined


def _pair(one: str, other: str) -> Pair:
    return min(one, other), max(one, other)


def _turned(way: GroundWay) -> GroundWay:
    return replace(way, start=way.end, end=way.start, line=way.line[::-1])


def _named(
    nodes: set[int], places: Mapping[int, str], columns: int, near: float
) -> tuple[dict[int, str], dict[str, int]]:
    """The name of each node, that of a place or junction near by, and the cell of each name."""
    named, names = dict(places), list(places.values())
    rows = [divmod(cell, columns) for cell in places]
    centres = {name: cell for cell, name in places.items()}
    new = (name for n in itertools.count(1) if (name := f"junction_{n}") not in centres)
    for cell in sorted(nodes - set(places)):
        here = np.array(divmod(cell, columns))
        distance = np.hypot(*(np.array(rows) - here).T)
        closest = int(np.argmin(distance))
        if distance[closest] > near:
            closest = len(names)
            names.append(next(new))
            rows.append((int(here[0]), int(here[1])))
            centres[names[-1]] = cell
        named[cell] = names[closest]
    return named, centres


def _way(surface: Terrain, start: str, end: str, line: Line) -> GroundWay:
    """A way along a line, or along the least-cost path near by where that is cheaper."""
    bends = straightened(surface, line)
    least = (
        straightened(surface, _least_path(surface, line)) if _may_gain(surface, bends) else bends
    )
    best = min((bends, least), key=lambda line: (surface.too_steep(line), surface.cost(line)))
    length, climb = surface.profile(best)
    return GroundWay(start, end, best, length, climb, surface.cost(best))


def _box(surface: Terrain, line: Line) -> tuple[slice, slice]:
    """The rows and columns around a line, with a margin."""
    low, high = line.min(axis=0), line.max(axis=0)
    margin = max(MARGIN, float((high - low).max()) / 10)
    least = np.maximum(0, np.floor(low - margin)).astype(int)
    most = np.minimum(surface.factors.shape, np.ceil(high + margin + 1)).astype(int)
    return slice(int(least[0]), int(most[0])), slice(int(least[1]), int(most[1]))


def _may_gain(surface: Terrain, line: Line) -> bool:
    """Whether another path might be better: none is than a straight line over the best ground."""
    if surface.too_steep(line):
        return True
    best = float(surface.factors[_box(surface, line)].min())
    flat = surface.cell * float(np.hypot(*(line[-1] - line[0])))
    return surface.cost(line) > best * flat * (1 + 1e-9)


def _least_path(surface: Terrain, line: Line) -> Line:
    """The least-cost path between the ends of a line, within its box."""
    from scipy.sparse.csgraph import dijkstra

    rows, columns = _box(surface, line)
    part = replace(
        surface, factors=surface.factors[rows, columns], heights=surface.heights[rows, columns]
    )
    corner = np.array([rows.start, columns.start])
    width = part.factors.shape[1]
    ends = np.rint(line[[0, -1]]).astype(np.int64) - corner
    one, other = (int(row) * width + int(column) for row, column in ends)
    cost, back = dijkstra(part.graph(), indices=one, return_predecessors=True)
    if not np.isfinite(cost[other]):
        return line
    path: Line = np.column_stack(np.divmod(_traced(back, other), width)) + corner.astype(float)
    return path
