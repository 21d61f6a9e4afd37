"""The numbers of a statement by strand that charges are worked out on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.model.index_sets import IndexSets, PipeArc
from allocator.search.bounds.path_columns import Stranded

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Node = tuple[str, str]
"""A fluid and a place."""


class Web(NamedTuple):
    """Arcs by their start, origins, ducts and their builds, numbered.

    ``first``: where the arcs of a node begin; ``end``, ``duct``: by arc. By origin: ``home``;
    ``most``, what it can send (may be infinite); ``sends``, the same where the pipes that leave
    its place carry less; ``scale``, what charges on it are measured by, all kg/s. ``pipe``: by
    duct. ``build``: where the builds of a duct begin; ``capacity``: kg/s by build.
    """

    first: Whole
    end: Whole
    duct: Whole
    home: Whole
    most: Floats
    sends: Floats
    scale: Floats
    pipe: Whole
    build: Whole
    capacity: Floats


class CutoffArrays(NamedTuple):
    """Ends of each origin (``first`` by origin), and what is gained by a kg/s going there."""

    first: Whole
    node: Whole
    gain: Floats


def web_of(stranded: Stranded, sets: IndexSets) -> tuple[Web, CutoffArrays]:
    """The web of a statement, and its ends with no gains yet."""
    nodes = _nodes(stranded, sets)
    table = _arcs(stranded, sets.arcs, nodes)
    first = np.searchsorted(table[:, 0], np.arange(len(nodes) + 1)).astype(np.int64)
    pipes: dict[tuple[str, str], int] = {}
    pipe = [pipes.setdefault(duct.pipe, len(pipes)) for duct in stranded.ducts]
    build = np.cumsum([0, *(len(duct.builds) for duct in stranded.ducts)])
    capacity = np.array([c for duct in stranded.ducts for c, _ in duct.builds])
    largest = np.array([max((c for c, _ in d.builds), default=0.0) for d in stranded.ducts])
    home = np.array([nodes[o.fluid, o.place] for o in stranded.origins], dtype=np.int64)
    leaving = [float(largest[table[first[h] : first[h + 1], 2]].sum()) for h in home]
    most = np.array([origin.most for origin in stranded.origins])
    sends = np.minimum(most, leaving)
    web = Web(
        first,
        table[:, 1].copy(),
        table[:, 2].copy(),
        home,
        most,
        sends,
        # an origin that sends nothing is charged nothing either: any scale will do
        np.where(sends > 0.0, np.minimum(sends, capacity.max(initial=0.0)), 1.0),
        np.array(pipe, dtype=np.int64),
        build.astype(np.int64),
        capacity,
    )
    begins, places = [0], []
    for origin in stranded.origins:
        places += [nodes[origin.fluid, at] for at in stranded.ends[origin.name].values()]
        begins.append(len(places))
    ends = CutoffArrays(
        np.array(begins, dtype=np.int64), np.array(places, dtype=np.int64), np.zeros(len(places))
    )
    return web, ends


def _nodes(stranded: Stranded, sets: IndexSets) -> dict[Node, int]:
    nodes: dict[Node, int] = {}
    for fluid, arcs in sets.arcs.items():
        for arc in arcs:
            nodes.setdefault((fluid, arc.start), len(nodes))
            nodes.setdefault((fluid, arc.end), len(nodes))
    for origin in stranded.origins:
        for place in (origin.place, *stranded.ends[origin.name].values()):
            nodes.setdefault((origin.fluid, place), len(nodes))
    return nodes


def _arcs(
    stranded: Stranded, arcs: Mapping[str, tuple[PipeArc, ...]], nodes: Mapping[Node, int]
) -> Whole:
    """Start, end and duct of every arc, by start."""
    listed = sorted(
        (nodes[fluid, arc.start], nodes[fluid, arc.end], stranded.duct_of(arc))
        for fluid, some in arcs.items()
        for arc in some
    )
    return np.array(listed, dtype=np.int64).reshape(-1, 3)
