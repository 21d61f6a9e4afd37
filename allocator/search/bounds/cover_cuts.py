"""Cover cuts: what a build carries where some of its origins need other pipes to come to it.

Of a link d let A be origins that use it: *present* ones, P, and groups g of others, each with links
``U_g`` that every way of theirs to d passes. Let C be the capacity of a build of d that those
present do not fill, and ``room = C - M(P)``, with M the most that origins can send. Then

    sum over A of flow on d  <=  sum over k of beta_k lay[d,k]
                                 + sum over g, u in U_g, j of gamma_(g,j) lay[u,j],

    gamma_(g,j) = min(capacity_j, M(g), room),
    beta_k      = min(capacity_k, M(P))                                   where capacity_k <= C,
                  max(M(P), min(capacity_k, M(A)) - min(room, M(A - P)))  otherwise.

*Proof.* Where no build of d is laid, nothing flows there. Where build k is laid, let s be the most
that the groups can bring together, so that flow on d is at most ``min(capacity_k, M(P) + s)``. A
group g brings no more than M(g), nor than what the laid builds of ``U_g`` carry; so the second sum
is at least ``min(s, room)``, as the least of a sum and a constant is at most the sum over its terms
of the least of each and that constant. It remains that ``beta_k`` is at least

    min(capacity_k, M(P) + s) - min(s, room)        for all s from 0 to M(A - P).

Up to ``s = room`` this is at most ``min(capacity_k, M(P))``. Beyond, it does not fall as s rises,
and ends at ``min(capacity_k, M(A)) - room``; where ``capacity_k <= C`` that is at most ``C - room =
M(P)``, and at most ``capacity_k``.

They are flow cover inequalities (Padberg, Van Roy & Wolsey 1985) with several builds and with
links in place of the arcs that lead to one node. A pipe is laid in one way, so a link of the pipe
of d itself, the other way, carries nothing where d is laid, and is left out of ``U_g``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from allocator.search.bounds.arrays import Floats, Ints, NetworkArrays
from allocator.search.bounds.regions import Regions

SOME = 1e-6
"""Share of a build, or of what an origin sends, that counts."""


class CoverCut(NamedTuple):
    """``sum of flows by slot <= sum of share_k * lay_k``; slots are of one link."""

    slots: Ints
    builds: Ints
    shares: Floats


class _Group(NamedTuple):
    """Origins that come by the same links: their slots on d, flow there, most, and the links."""

    slots: tuple[int, ...]
    flow: float
    most: float
    links: tuple[int, ...]


class CoverFinder:
    """Cover cuts of a network, and of the ``regions`` of its origins, that a point breaks."""

    def __init__(self, net: NetworkArrays, regions: Regions) -> None:
        self._net, self.regions = net, regions
        nodes = len(net.first) - 1
        starts = np.repeat(np.arange(nodes), np.diff(net.first))
        self._into: list[list[tuple[int, int]]] = [[] for _ in range(nodes)]
        """By node: the start and the link of each arc that leads there."""
        ends: list[set[int]] = [set() for _ in range(len(net.pipe))]
        for start, end, link in zip(
            starts.tolist(), net.end.tolist(), net.link.tolist(), strict=True
        ):
            self._into[end].append((start, link))
            ends[link].add(start)
        self._starts = [frozenset(some) for some in ends]
        """By link: where its arcs begin; both of its ends where it is laid without direction."""

    def broken(
        self,
        flow: Floats,
        laid: Floats,
        main: Mapping[int, Sequence[int]],
        tolerance: float,
    ) -> list[CoverCut]:
        """The worst cut of each link that a point breaks by more than a share of what it speaks of.

        ``flow``: kg/s by slot. ``laid``: by build. ``main``: by slot, the slots of a way that uses
        it, from the home of its origin.
        """
        regions, found = self.regions, list[CoverCut]()
        sums = np.add.reduceat(np.append(laid, 0.0), regions.build[:-1])
        sums[np.diff(regions.build) == 0] = 0.0
        by_link: dict[int, list[int]] = {}
        for slot in main:
            if regions.most[regions.slot_origin[slot]] < np.inf:
                by_link.setdefault(int(regions.slot_link[slot]), []).append(slot)
        for link in sorted(by_link):
            slots = sorted(by_link[link])
            if len(slots) < 2 or sums[link] <= SOME:
                continue
            alone = [self._group((slot,), flow, sums, main) for slot in slots]
            together = self._together(slots, flow, sums, main)
            best: tuple[float, CoverCut] | None = None
            for groups in (alone, together) if len(together) < len(alone) else (alone,):
                cut = self._worst(link, groups, laid, sums)
                if cut is not None and (best is None or cut[0] > best[0]):
                    best = cut
            if best is not None and best[0] > tolerance * self._most(best[1].slots):
                found.append(best[1])
        return found

    def _most(self, slots: Iterable[int] | Ints) -> float:
        regions = self.regions
        return float(sum(regions.most[regions.slot_origin[slot]] for slot in slots))

    def _together(
        self, slots: Sequence[int], flow: Floats, sums: Floats, main: Mapping[int, Sequence[int]]
    ) -> list[_Group]:
        """Groups of the origins that come to a link by the same link before it."""
        before: dict[tuple[str, int], list[int]] = {}
        for slot in slots:
            at = main[slot].index(slot)
            link = int(self.regions.slot_link[main[slot][at - 1]])
            # an origin whose home is at the link comes by none, and stays alone
            before.setdefault(("link", link) if at else ("slot", slot), []).append(slot)
        return [self._group(tuple(some), flow, sums, main) for some in before.values()]

    def _group(
        self,
        slots: tuple[int, ...],
        flow: Floats,
        sums: Floats,
        main: Mapping[int, Sequence[int]],
    ) -> _Group:
        """Some origins with links that each of their ways to a link passes, those laid least.

        Looked at are the links into a growing set of nodes: the link's own, then those of the main
        way of the origin with most flow, back towards its home.
        """
        regions, net = self.regions, self._net
        link = int(regions.slot_link[slots[0]])
        homes = {int(net.home[regions.slot_origin[slot]]) for slot in slots}
        first = max(slots, key=lambda slot: (flow[slot], -slot))
        nodes = self._nodes(first, main[first])
        inside = set(self._starts[link])
        best: tuple[float, tuple[int, ...]] | None = None
        for node in (None, *reversed(nodes)):
            if node is not None:
                if node in inside:
                    continue
                inside.add(node)
            if homes & inside:
                break
            cut = {
                one
                for end in inside
                for start, one in self._into[end]
                if start not in inside and net.pipe[one] != net.pipe[link]
            }
            value = float(sum(sums[one] for one in cut)) + 1e-3 * len(cut)
            if best is None or value < best[0]:
                best = value, tuple(sorted(cut))
        links = () if best is None else best[1]
        return _Group(slots, float(flow[list(slots)].sum()), self._most(slots), links)

    def _nodes(self, slot: int, way: Sequence[int]) -> list[int]:
        """The nodes of a way before it comes to the link of a slot, from its home."""
        regions, net = self.regions, self._net
        node = int(net.home[regions.slot_origin[slot]])
        nodes = [node]
        for one in way:
            if one == slot:
                break
            link = int(regions.slot_link[one])
            for arc in range(int(net.first[node]), int(net.first[node + 1])):
                if net.link[arc] == link:
                    node = int(net.end[arc])
                    break
            nodes.append(node)
        return nodes

    def _worst(
        self, link: int, groups: Sequence[_Group], laid: Floats, sums: Floats
    ) -> tuple[float, CoverCut] | None:
        """The cut that is broken most, over who is present and which build is filled."""
        regions = self.regions
        builds = range(int(regions.build[link]), int(regions.build[link + 1]))
        capacity = regions.capacity[builds.start : builds.stop]
        weight = [float(sum(sums[one] for one in g.links)) if g.links else np.inf for g in groups]
        order = sorted(range(len(groups)), key=lambda n: (-weight[n], n))
        best: tuple[float, CoverCut] | None = None
        for filled in sorted(
            {float(c) for c, y in zip(capacity, laid[builds], strict=True) if y > SOME}
        ):
            present, flow = 0.0, 0.0
            for number in range(len(order)):
                room = filled - present
                if room <= SOME * filled:
                    break
                rest = [groups[n] for n in order[number:] if groups[n].links]
                cut = self._cut(builds, capacity, laid, order[:number], groups, rest, room, filled)
                if cut is not None:
                    value = flow + cut[0]
                    if best is None or value > best[0]:
                        best = value, cut[1]
                present += groups[order[number]].most
                flow += groups[order[number]].flow
        return best

    def _cut(
        self,
        builds: range,
        capacity: Floats,
        laid: Floats,
        there: Sequence[int],
        groups: Sequence[_Group],
        rest: Sequence[_Group],
        room: float,
        filled: float,
    ) -> tuple[float, CoverCut] | None:
        """The cut with the groups by which it is broken more, and by how much it is broken.

        That is without the flow of the origins that are present (``there``).
        """
        regions = self.regions
        shares: dict[int, float] = {}
        slots = [slot for n in there for slot in groups[n].slots]
        gained, brought = 0.0, 0.0
        for group in rest:
            mine: dict[int, float] = {}
            for one in group.links:
                for k in range(int(regions.build[one]), int(regions.build[one + 1])):
                    mine[k] = min(float(regions.capacity[k]), group.most, room)
            gain = group.flow - sum(share * laid[k] for k, share in mine.items())
            if gain <= 0.0:
                continue
            gained += gain
            brought += group.most
            slots += group.slots
            for k, share in mine.items():
                shares[k] = shares.get(k, 0.0) + share
        if brought <= room:  # then the build is not filled, and a threshold cut says as much
            return None
        present = filled - room
        for k, most in zip(builds, capacity.tolist(), strict=True):
            share = min(most, present)
            if most > filled:
                share = max(present, min(most, present + brought) - room)
            shares[k] = shares.get(k, 0.0) + share
            gained -= share * laid[k]
        numbers = np.array(sorted(shares), dtype=np.int64)
        values = np.array([shares[k] for k in numbers.tolist()])
        return gained, CoverCut(np.array(sorted(slots), dtype=np.int64), numbers, values)
