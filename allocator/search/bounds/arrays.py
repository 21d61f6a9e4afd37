"""The network of a path formulation as arrays, for the multipliers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.model.index_sets import IndexSets, PipeArc
from allocator.search.bounds.path_columns import PathFormulation

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Node = tuple[str, str]
"""A fluid and a place."""


class NetworkArrays(NamedTuple):
    """Arcs by their start, origins, links and their builds, numbered.

    ``first``: where the arcs of a node begin; ``end``, ``link``: by arc. By origin: ``home``;
    ``most``, what it can send (may be infinite); ``sends``, the same where the pipes that leave
    its place carry less; ``scale``, the measure of its multipliers, all kg/s. ``pipe``: by
    link. ``build``: where the builds of a link begin; ``capacity``: kg/s by build.
    """

    first: Ints
    end: Ints
    link: Ints
    home: Ints
    most: Floats
    sends: Floats
    scale: Floats
    pipe: Ints
    build: Ints
    capacity: Floats


class EndArrays(NamedTuple):
    """Ends of each origin (``first`` by origin), and what is gained by a kg/s going there."""

    first: Ints
    node: Ints
    gain: Floats


def network_arrays_of(
    formulation: PathFormulation, sets: IndexSets
) -> tuple[NetworkArrays, EndArrays]:
    """The arrays of a formulation, and its ends with no gains yet."""
    nodes = _nodes(formulation, sets)
    table = _arcs(formulation, sets.arcs, nodes)
    first = np.searchsorted(table[:, 0], np.arange(len(nodes) + 1)).astype(np.int64)
    pipes: dict[tuple[str, str], int] = {}
    pipe = [pipes.setdefault(link.pipe, len(pipes)) for link in formulation.links]
    build = np.cumsum([0, *(len(link.builds) for link in formulation.links)])
    capacity = np.array([c for link in formulation.links for c, _ in link.builds])
    largest = np.array([max((c for c, _ in d.builds), default=0.0) for d in formulation.links])
    home = np.array([nodes[o.fluid, o.place] for o in formulation.origins], dtype=np.int64)
    leaving = [float(largest[table[first[h] : first[h + 1], 2]].sum()) for h in home]
    most = np.array([origin.most for origin in formulation.origins])
    sends = np.minimum(most, leaving)
    net = NetworkArrays(
        first,
        table[:, 1].copy(),
        table[:, 2].copy(),
        home,
        most,
        sends,
        # an origin that sends nothing has no multipliers: any scale will do
        np.where(sends > 0.0, np.minimum(sends, capacity.max(initial=0.0)), 1.0),
        np.array(pipe, dtype=np.int64),
        build.astype(np.int64),
        capacity,
    )
    begins, places = [0], []
    for origin in formulation.origins:
        places += [nodes[origin.fluid, at] for at in formulation.ends[origin.name].values()]
        begins.append(len(places))
    ends = EndArrays(
        np.array(begins, dtype=np.int64), np.array(places, dtype=np.int64), np.zeros(len(places))
    )
    return net, ends


def _nodes(formulation: PathFormulation, sets: IndexSets) -> dict[Node, int]:
    nodes: dict[Node, int] = {}
    for fluid, arcs in sets.arcs.items():
        for arc in arcs:
            nodes.setdefault((fluid, arc.start), len(nodes))
            nodes.setdefault((fluid, arc.end), len(nodes))
    for origin in formulation.origins:
        for place in (origin.place, *formulation.ends[origin.name].values()):
            nodes.setdefault((origin.fluid, place), len(nodes))
    return nodes


def _arcs(
    formulation: PathFormulation, arcs: Mapping[str, tuple[PipeArc, ...]], nodes: Mapping[Node, int]
) -> Ints:
    """Start, end and link of every arc, by start."""
    listed = [entry[:3] for entry in _listed(formulation, arcs, nodes)]
    return np.array(listed, dtype=np.int64).reshape(-1, 3)


def _listed(
    formulation: PathFormulation, arcs: Mapping[str, tuple[PipeArc, ...]], nodes: Mapping[Node, int]
) -> list[tuple[int, int, int, PipeArc]]:
    listed = [
        (nodes[fluid, arc.start], nodes[fluid, arc.end], formulation.link_of(arc), arc)
        for fluid, some in arcs.items()
        for arc in some
    ]
    return sorted(listed, key=lambda entry: entry[:3])


def arcs_by_number(formulation: PathFormulation, sets: IndexSets) -> list[PipeArc]:
    """The arcs in the order of :class:`NetworkArrays`."""
    return [entry[3] for entry in _listed(formulation, sets.arcs, _nodes(formulation, sets))]
