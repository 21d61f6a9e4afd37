"""Which pipes a plan as good as a cutoff can have, and how much flow of each origin on them.

A carrying row (:mod:`allocator.search.bounds.carrying`) with weights w, excesses p and distances D
has a price P in the linear program that it bounds. By weak duality every plan is worth (minimised)

    value  >=  bound + P * slack of the row + sum over o, e of reduced[o,e] * g[o,e],
    slack  >=  sum over laid (d,k) of (a[d,k] + p[d] - sum_o w[o,d] f[o,d])
               + sum over paths of (w(path) - D[o,e]) * flow along the path.

Cover cuts add to what a path weighs and take from a (:mod:`allocator.search.bounds.carrying`).
So with ``x[o,e] = reduced[o,e] / P - D[o,e]`` each kg/s of origin o on arc a costs P times its
*excess*, the least of ``w(path) + x[o,e]`` over all paths through a. Then in a plan that is worth a
*cutoff* or less

* the flow of o on a is at most (cutoff - bound) / (P * excess);
* build k of link d is not laid if ``P * (a[d,k] + p[d] - h)`` is above cutoff - bound, with h
  the most that the build can collect by the weights less the excesses: of flow through d at least
  the excess is paid as well. All other terms are not below 0: no build collects more than it uses.

What is not laid makes ways longer, hence excesses larger, so this is done a few times. It leaves a
small multicommodity formulation (``disaggregated.py``). There each origin keeps the arcs on
which it may have a good share of what it can send. A path that uses any other arc is stated without
its pipes, as flow *beyond* from the origin to an end: it is free but for the carrying row, which
all plans keep,

    sum over o, e of D[o,e] * g[o,e] + sum over o, e of (B[o,e] - D[o,e]) * beyond[o,e] + t
        <=  n + sum over pipes of p,

with B[o,e] the weight of the cheapest path of that kind. It pays P * (B - D) a kg/s, so of all that
is beyond a good plan has no more than a share of what one origin sends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from allocator.model.index_sets import PipeArc
from allocator.model.model import Key, Terms
from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.reducing import costs_beyond, detours, excesses
from allocator.search.bounds.reduction import Reduction
from allocator.search.bounds.regions import Regions, distances, packed_regions

PASSES = 8
"""Times that builds are ruled out at most, each time with those before."""
FEWER = 0.98
"""Passes end when one leaves more than this share of the builds that were left before."""
SPARE = 1e-6
"""Share of a cutoff by which what is ruled out must be worse: tolerances of the solver."""
LEAST = 1e-12
"""Excesses below this count for nothing: rounding of sums."""


class CarryingPrices(NamedTuple):
    """A carrying row with its price (value per share of the limit), and the bound it gives (SI).

    ``cost`` by build, less what cover cuts spend; by slot ``weight``, what builds collect, and
    ``taken``, what ways take in all; ``single`` (the excess that a pipe may collect) by pipe;
    by end ``distance`` and ``reduced``, reduced cost in shares (infinite where nothing is sent).
    ``others``: what else takes from the limit; ``shares``: its right side without excesses.
    """

    bound: float
    price: float
    cost: Floats
    weight: Floats
    taken: Floats
    single: Floats
    distance: Floats
    reduced: Floats
    others: Terms
    shares: float


@dataclass(frozen=True)
class CarriedNetwork:
    """Regions of origins, what is laid there, and the names of it all.

    By build: ``laid`` (what is laid) and ``ways`` (the same from one end; none where links have
    both ways). ``arcs`` by number; ``ends``: by origin, places by number of the end.
    """

    regions: Regions
    laid: Sequence[Key]
    ways: Sequence[Key]
    arcs: Sequence[PipeArc]
    origins: Sequence[str]
    ends: Sequence[Sequence[str]]


class Reducer:
    """Reductions for cutoffs (minimised, SI), by one carrying row and its price."""

    def __init__(self, net: CarriedNetwork, prices: CarryingPrices) -> None:
        self._net, self.prices = net, prices
        self._packed = packed_regions(net.regions)
        regions = net.regions
        self._link_of_build = np.repeat(np.arange(len(regions.pipe)), np.diff(regions.build))
        self._paid = prices.cost + prices.single[regions.pipe[self._link_of_build]]
        nodes = np.diff(regions.node_first)
        arcs = np.diff(regions.arc_first[regions.node_first])
        assert len(nodes) == len(arcs)
        self._origin_of_arc = np.repeat(np.arange(len(arcs)), arcs)

    def reduced(
        self, cutoff: float, share: float, must: Sequence[tuple[Key, ...]] = ()
    ) -> Reduction:
        """What plans as good as a cutoff have.

        ``share``: an origin keeps the arcs on which it may have so much of the most that it sends.
        ``must``: keys of builds of which one is laid, pipe by pipe.
        """
        prices, regions = self.prices, self._net.regions
        room = max(0.0, cutoff + SPARE * abs(cutoff) - prices.bound) / prices.price
        laid = np.ones(len(regions.capacity), dtype=bool)
        for _ in range(PASSES):
            weight = self._weight(laid)
            excess, _ = excesses(self._packed, weight, prices.reduced - prices.distance)
            by_slot = np.full(len(weight), np.inf)
            np.minimum.at(by_slot, regions.arc_slot, np.where(excess > LEAST, excess, 0.0))
            needed = np.where(np.isfinite(by_slot), prices.weight - by_slot, 0.0)
            over = costs_beyond(self._packed, np.maximum(0.0, needed), self._paid)
            left = laid & (over <= room)
            few = left.sum() > FEWER * laid.sum()
            laid = left
            if few:
                break
        return self._found(cutoff, laid, room, share, tuple(must))

    def _weight(self, laid: np.ndarray) -> Floats:
        """Weights by slot, infinite where nothing is laid."""
        regions = self._net.regions
        open_link = np.zeros(len(regions.pipe), dtype=bool)
        open_link[self._link_of_build[laid]] = True
        found: Floats = np.where(open_link[regions.slot_link], self.prices.taken, np.inf)
        return found

    def _found(
        self,
        cutoff: float,
        laid: np.ndarray,
        room: float,
        share: float,
        must: tuple[tuple[Key, ...], ...],
    ) -> Reduction:
        net, prices, regions = self._net, self.prices, self._net.regions
        weight = self._weight(laid)
        extra = prices.reduced - prices.distance
        excess, _ = excesses(self._packed, weight, extra)
        excess = np.where(excess > LEAST, excess, 0.0)
        most = regions.most[self._origin_of_arc]
        with np.errstate(divide="ignore", invalid="ignore"):
            fits = np.where(excess > 0.0, room / excess, np.inf)
        fits = np.minimum(most, fits)
        # an origin that may send anything keeps what has no excess
        kept = np.isfinite(excess) & (fits >= share * np.minimum(most, regions.capacity.max()))
        around = detours(self._packed, weight, kept)
        near = distances(self._packed, weight)
        # where no way is left, nothing goes, so that no distance is too long
        distance = np.where(np.isfinite(near), np.maximum(near, prices.distance), prices.distance)
        arcs: dict[str, dict[PipeArc, float]] = {name: {} for name in net.origins}
        at, slot_fits = np.nonzero(kept)[0], np.zeros(len(weight))
        np.maximum.at(slot_fits, regions.arc_slot[at], fits[at])
        for n, origin in zip(at.tolist(), self._origin_of_arc[at].tolist(), strict=True):
            arc = net.arcs[int(regions.arc_number[n])]
            arcs[net.origins[origin]][arc] = float(slot_fits[regions.arc_slot[n]])
        beyond: dict[str, dict[str, tuple[float, float]]] = {}
        ways: dict[str, dict[str, float]] = {}
        number = 0
        for origin, (name, places) in enumerate(zip(net.origins, net.ends, strict=True)):
            mine, far = beyond.setdefault(name, {}), ways.setdefault(name, {})
            for place in places:
                far[place] = min(far.get(place, np.inf), float(distance[number]))
                longer = float(around[number] + extra[number])
                if np.isfinite(longer):
                    fit = room / longer if longer > LEAST else np.inf
                    fit = min(float(regions.most[origin]), fit)
                    weighs, before = float(around[number]), mine.get(place, (np.inf, 0.0))
                    mine[place] = min(before[0], weighs), max(before[1], fit)
                number += 1
            for place, (weighs, fit) in mine.items():
                mine[place] = max(0.0, weighs - far[place]), fit
        return Reduction(
            cutoff,
            self._closed(laid),
            must,
            arcs,
            beyond,
            ways,
            prices.others,
            prices.shares + float(prices.single.sum()),
        )

    def _closed(self, laid: np.ndarray) -> frozenset[Key]:
        """Keys of builds that are not laid: of ways, and of a pipe where both ways are not."""
        listed = list(zip(self._net.laid, laid.tolist(), strict=True))
        stays = {key for key, left in listed if left}
        shut = {key for key, _ in listed} - stays
        for key, left in zip(self._net.ways, laid.tolist(), strict=False):
            if not left:
                shut.add(key)
        return frozenset(shut)
