"""A cheap tree of cells that joins all places: junctions where good trees have theirs.

A spanning tree is improved: wherever neighbours in the tree and all that they lead to are few
enough, the part between them is replaced by the least tree that joins them (Dreyfus & Wagner, "The
Steiner problem in graphs", Networks 1, 1971, 195), as long as that gains and takes no long search.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import networkx as nx
import numpy as np
import numpy.typing as npt

from allocator.intake.surface import Cells, Terrain

GROUP = 6
"""Ends of a part that is replaced by the least tree; each one more takes twice the time."""
SEARCHED = 5_000_000
"""Cells that all searches may look at together."""
DEARER = 0.005
"""Share by which the ways found may be dearer than the least tree of a set of places."""
GAIN = 1e-9
"""Share of its cost that a part of a tree gains when it is replaced."""
ROUND_GROUP = 0.25
"""Cells around a group in which a cheaper tree is looked for, as a share of its size."""
FEWEST_ROUND = 6
_STEP = 1e-9  # a step of no length would be none


def tree_of_cells(surface: Terrain, cells: Cells, paths: Sequence[Cells]) -> list[Cells]:
    """Paths of a tree between places and junctions, in cells.

    Parameters
    ----------
    surface : Terrain
        The ground.
    cells : array
        The cells of the places.
    paths : sequence of arrays
        Paths that join all places; their least spanning tree is improved.
    """
    ends = {int(cell) for cell in cells}
    web = _tree(_web(surface, paths), ends)
    left, tried = SEARCHED, set()
    groups = _groups(web, ends)
    while (group := next(groups, None)) is not None:
        box = _box(surface, group)
        looked = 2 ** (len(group) - 1) * surface.factors[box].size
        if frozenset(group) in tried or looked > left:
            continue
        tried.add(frozenset(group))
        left -= looked
        old = pruned(web, group)
        new = _web(surface, _least(surface, box, sorted(group)))
        if len(new) and new.size(weight="cost") < old.size(weight="cost") * (1.0 - GAIN):
            web.remove_edges_from(list(old.edges))
            web = _tree(nx.compose(web, new), ends)
            groups = _groups(web, ends)
    return [np.array(chain) for chain in chains(web, nodes_of(web, ends))]


def all_sets_known(surface: Terrain, count: int) -> bool:
    """Whether the least trees of all sets of some places can be found in short time."""
    return count <= GROUP and 2 ** (count - 1) * surface.factors.size <= SEARCHED


def trees_that_lack(surface: Terrain, cells: Cells, graph: Any) -> list[Cells]:
    """Paths of the least tree of each set of places that a graph joins at a higher cost.

    Parameters
    ----------
    surface : Terrain
        The ground.
    cells : array
        The cells of the places.
    graph : sparse matrix
        Costs of the ways there are; its first nodes are the places.

    Returns
    -------
    list of arrays
        Each path once.
    """
    count = len(cells)
    over_cells = _Sets(surface.graph(), cells.tolist())
    over_graph = _Sets(graph, list(range(count)))
    found: dict[tuple[int, ...], None] = {}
    for size in range(2, count + 1):
        for chosen in itertools.combinations(range(count), size):
            others, last = sum(2**one for one in chosen[:-1]), chosen[-1]
            cost = over_cells.cost[others][cells[last]]
            if over_graph.cost[others][last] > (1.0 + DEARER) * cost:
                inner = {int(cells[number]) for number in chosen}
                tree = _tree(_web(surface, over_cells.paths(others, int(cells[last]))), inner)
                found |= {tuple(chain): None for chain in chains(tree, nodes_of(tree, inner))}
    return [np.array(chain) for chain in found]


def nodes_of(web: nx.Graph, ends: set[int]) -> set[int]:
    """The places and the cells where more than two steps meet."""
    return {cell for cell in web if cell in ends or web.degree(cell) > 2}


def chains(web: nx.Graph, nodes: set[int]) -> Iterator[list[int]]:
    """Cells from one node to the next, each stretch once."""
    seen: set[tuple[int, int]] = set()
    for node in sorted(nodes):
        for step in sorted(web[node]):
            if (node, step) in seen:
                continue
            chain = [node, step]
            while chain[-1] not in nodes:
                (following,) = [cell for cell in web[chain[-1]] if cell != chain[-2]]
                chain.append(following)
            seen |= {(node, step), (chain[-1], chain[-2])}
            yield chain


def _web(surface: Terrain, paths: Sequence[Cells]) -> nx.Graph:
    """The steps of paths with their costs."""
    web = nx.Graph()
    if not paths:
        return web
    one = np.concatenate([path[:-1] for path in paths])
    other = np.concatenate([path[1:] for path in paths])
    costs = surface.steps(one, other)
    web.add_weighted_edges_from(
        zip(one.tolist(), other.tolist(), costs.tolist(), strict=True), weight="cost"
    )
    return web


def _tree(web: nx.Graph, ends: set[int]) -> nx.Graph:
    """The least spanning tree without what leads to no end."""
    return pruned(nx.minimum_spanning_tree(web, weight="cost"), ends)


def pruned(whole: nx.Graph, ends: set[int]) -> nx.Graph:
    """The graph without what leads to no end; of a tree, the part that joins the ends."""
    tree = whole.copy()
    leaves = [cell for cell in tree if tree.degree(cell) < 2 and cell not in ends]
    while leaves:
        cell = leaves.pop()
        near = list(tree[cell])
        tree.remove_node(cell)
        leaves += [one for one in near if tree.degree(one) < 2 and one not in ends]
    return tree


def _groups(web: nx.Graph, ends: set[int]) -> Iterator[set[int]]:
    """Of few nodes that hang together in the tree: all places and junctions that they lead to.

    They are themselves among them if they are places.
    """
    nodes = nodes_of(web, ends)
    near: dict[int, set[int]] = {node: set() for node in nodes}
    for chain in chains(web, nodes):
        near[chain[0]].add(chain[-1])
        near[chain[-1]].add(chain[0])
    tree = nx.Graph((one, other) for one in near for other in near[one])
    for size in (2, 3, 4):
        for middle in sorted(_connected(tree, size)):
            inner = set(middle) - ends
            group = set(middle).union(*(near[one] for one in middle)) - inner
            if 2 < len(group) <= GROUP:
                yield group


def _connected(tree: nx.Graph, size: int) -> set[tuple[int, ...]]:
    """Sets of nodes of a tree that hang together."""
    if size == 1:
        return {(node,) for node in tree}
    return {
        tuple(sorted((*part, other)))
        for part in _connected(tree, size - 1)
        for node in part
        for other in tree[node]
        if other not in part
    }


def _box(surface: Terrain, group: set[int]) -> tuple[slice, slice]:
    """The rows and columns around some cells."""
    spots = np.array(np.divmod(np.array(list(group)), surface.factors.shape[1]))
    low, high = spots.min(axis=1), spots.max(axis=1)
    margin = max(FEWEST_ROUND, math.ceil(ROUND_GROUP * int((high - low).max())))
    least = np.maximum(low - margin, 0)
    most = np.minimum(high + margin + 1, surface.factors.shape)
    return slice(int(least[0]), int(most[0])), slice(int(least[1]), int(most[1]))


def _least(surface: Terrain, box: tuple[slice, slice], ends: list[int]) -> list[Cells]:
    """Paths of the least tree that joins ends within a box."""
    rows, columns = box
    part = replace(surface, factors=surface.factors[box], heights=surface.heights[box])
    wide, width = surface.factors.shape[1], part.factors.shape[1]
    row, column = np.divmod(np.array(ends), wide)
    inside = ((row - rows.start) * width + column - columns.start).tolist()
    found = _Sets(part.graph(), inside).paths(2 ** (len(ends) - 1) - 1, inside[-1])
    whole = []
    for path in found:
        row, column = np.divmod(path, width)
        whole.append((row + rows.start) * wide + column + columns.start)
    return whole


class _Sets:
    """Of each set of ends and each cell, the least tree that joins them.

    A set is a number whose bits are its ends. ``cost``: of the tree; ``back``: the cell before in
    it, or the number of cells where trees of two sets meet, one of which is ``split``.
    """

    def __init__(self, graph: Any, ends: list[int]) -> None:
        from scipy.sparse.csgraph import dijkstra

        self.ends, self.count = ends, graph.shape[0]
        self.cost: dict[int, npt.NDArray[np.float64]] = {}
        self.back: dict[int, npt.NDArray[np.int32]] = {}
        self.split: dict[int, npt.NDArray[np.int16]] = {}
        for chosen in range(1, 2 ** (len(ends) - 1)):
            if chosen & (chosen - 1) == 0:
                begin = ends[chosen.bit_length() - 1]
                self.cost[chosen], self.back[chosen] = dijkstra(
                    graph, indices=begin, return_predecessors=True
                )
                continue
            joined, self.split[chosen] = self._joined(chosen)
            cost, back = dijkstra(
                _with_start(graph, joined), indices=self.count, return_predecessors=True
            )
            self.cost[chosen], self.back[chosen] = cost[:-1], back[:-1]

    def _joined(self, chosen: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int16]]:
        """Of each cell the least cost of two trees that meet there, and the set of one."""
        joined = np.full(self.count, math.inf)
        split = np.zeros(self.count, dtype=np.int16)
        part = (chosen - 1) & chosen
        while part > chosen ^ part:  # each two halves once
            both = self.cost[part] + self.cost[chosen ^ part]
            split[both < joined] = part
            joined = np.minimum(joined, both)
            part = (part - 1) & chosen
        return joined, split

    def paths(self, every: int, end: int) -> list[Cells]:
        """Paths of the least tree of a set and one more end; none where nothing joins them."""
        found: list[Cells] = []
        if not math.isfinite(self.cost[every][end]):
            return found
        open_ = [(every, end)]
        while open_:
            chosen, cell = open_.pop()
            path = [cell]
            while 0 <= (before := int(self.back[chosen][path[-1]])) < self.count:
                path.append(before)
            if len(path) > 1:
                found.append(np.array(path, dtype=np.int64))
            if chosen in self.split:
                part = int(self.split[chosen][path[-1]])
                open_ += [(part, path[-1]), (chosen ^ part, path[-1])]
        return found


def _with_start(graph: Any, joined: npt.NDArray[np.float64]) -> Any:
    """The graph with one more node, from which each cell is as far as it has cost so far."""
    from scipy.sparse import csr_matrix

    known = np.flatnonzero(np.isfinite(joined))
    size = graph.shape[0] + 1
    return csr_matrix(
        (
            np.concatenate([graph.data, joined[known] + _STEP]),
            np.concatenate([graph.indices, known.astype(graph.indices.dtype)]),
            np.append(graph.indptr, len(graph.data) + len(known)),
        ),
        shape=(size, size),
    )
