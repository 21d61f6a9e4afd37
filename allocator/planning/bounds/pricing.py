"""Flows by origin that are left out, and what leaving them out can hide: completed duals.

Of all flows by origin few are used. The relaxation is solved on some of them, and its duals are
*completed* to duals of the whole statement, so that its bound stands for that at any time:

* pi[o,v], the worth of origin o's flow at place v, must be no more than the row's dual where o
  sends from, and no less where its flow is collected or taken. Between, it is chosen anew: the
  lesser of what it is worth ahead less the way there, and of its worth at home plus the way from
  there, on which all slack of the pipes may be charged.
* Flow o on an arc u -> v then needs a charge of at least pi[o,v] - pi[o,u] there. What the capacity
  and threshold rows of the pipe do not charge is taken out of the slack of its builds: one more
  threshold row for the origins A that need it, with multiplier m, charges each of them m and asks
  ``m min(capacity_k, M(A))`` of the reduced cost of build k. Origins with different needs make
  nested sets A, as for a polymatroid.
* Where a build has not slack enough, the rest is paid out of the bound: a pipe has one build, so
  the bound falls by no more than the largest lack among the builds of each pipe (weak duality).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from allocator.planning.bounds.origins import Origin
from allocator.planning.choices import Arc

Edges = Mapping[str, list[tuple[str, float, Arc]]]


@dataclass(frozen=True)
class Priced:
    """``lack``: what the bound falls by, in the objective's scale; ``missing``: arcs by origin."""

    lack: float
    missing: dict[str, set[Arc]]


@dataclass
class Slack:
    """The builds of a duct: capacity, and the reduced cost that may be spent."""

    pipe: str
    capacities: tuple[float, ...]
    slack: list[float]
    asked: dict[str, tuple[float, float]] = field(default_factory=dict)
    """By origin: the charge that is needed beyond the rows', and the most it sends."""
    spent: list[float] = field(default_factory=list)

    def room(self, most: float) -> float:
        """A charge that one more origin could be given now."""
        spent = self.spent or [0.0] * len(self.slack)
        return min(
            max(slack - gone, 0.0) / min(capacity, most)
            for capacity, slack, gone in zip(self.capacities, self.slack, spent, strict=True)
        )

    def spend(self, origin: str, charge: float, most: float) -> None:
        """Ask a charge for an origin: nested sets of origins, each with the charge of its least."""
        known = self.asked.get(origin, (0.0, most))[0]
        self.asked[origin] = (max(known, charge), most)
        needs = sorted(self.asked.values(), reverse=True)
        self.spent = [0.0] * len(self.slack)
        together = 0.0
        for place, (need, sent) in enumerate(needs):
            together += sent
            more = need - (needs[place + 1][0] if place + 1 < len(needs) else 0.0)
            for number, capacity in enumerate(self.capacities):
                self.spent[number] += more * min(capacity, together)

    def lack(self) -> float:
        """How much the charges ask of some build beyond its slack (0 if of none)."""
        pairs = zip(self.spent, self.slack, strict=True)
        return max(0.0, *(gone - slack for gone, slack in pairs))


def completed(
    origins: Iterable[Origin],
    arcs: Mapping[str, tuple[Arc, ...]],
    worth: Mapping[str, dict[str, float]],
    sinks: Mapping[str, dict[str, float]],
    charged: Mapping[str, Mapping[Arc, float]],
    slacks: Mapping[str, Mapping[Arc, Slack]],
) -> Priced:
    """Complete the duals of a relaxation on some flows, and say what that costs.

    ``worth``: by origin, duals of the balances that are stated. ``sinks``: by origin, what its
    flow is worth where the supply layer takes it. ``charged``: by origin and arc, what the stated
    rows of the pipe charge. ``slacks``: by fluid and arc.
    """
    asking: dict[int, list[tuple[str, Arc]]] = {}
    ahead: dict[str, dict[str, Arc]] = {}
    behind: dict[str, dict[str, Arc]] = {}
    for origin in origins:
        name, own = origin.name, worth[origin.name]
        slack = slacks[origin.fluid]
        forward: dict[str, list[tuple[str, float, Arc]]] = {}
        backward: dict[str, list[tuple[str, float, Arc]]] = {}
        roomy: dict[str, list[tuple[str, float, Arc]]] = {}
        for arc in arcs[name]:
            charge = charged[name].get(arc, 0.0)
            room = slack[arc].room(origin.most)
            forward.setdefault(arc.start, []).append((arc.end, charge, arc))
            backward.setdefault(arc.end, []).append((arc.start, charge, arc))
            roomy.setdefault(arc.start, []).append((arc.end, charge + room, arc))
        wanted = {place: own.get(place, 0.0) for place in origin.ends}
        for place, price in sinks[name].items():
            wanted[place] = max(wanted.get(place, 0.0), price)
        home = {origin.place: own.get(origin.place, 0.0)}
        least, ahead[name] = _nearest({p: -price for p, price in wanted.items()}, backward)
        most, _ = _nearest(home, roomy)
        _, behind[name] = _nearest(home, forward)
        chosen = {
            place: max(min(worth_most, -least.get(place, 0.0)), wanted.get(place, 0.0), 0.0)
            for place, worth_most in most.items()
        }
        for arc in arcs[name]:
            if arc.start not in chosen:
                continue  # out of the origin's reach: its flow is nothing there at any price
            need = chosen[arc.end] - chosen[arc.start] - charged[name].get(arc, 0.0)
            if need > 0.0:
                slack[arc].spend(name, need, origin.most)
                asking.setdefault(id(slack[arc]), []).append((name, arc))
    total: dict[str, float] = {}
    missing: dict[str, set[Arc]] = {}
    seen = set()
    short: set[str] = set()
    for by_arc in slacks.values():
        for duct in by_arc.values():
            if id(duct) in seen or id(duct) not in asking:
                continue
            seen.add(id(duct))
            lack = duct.lack()
            total[duct.pipe] = max(total.get(duct.pipe, 0.0), lack)
            if lack > 1e-12:
                short |= {name for name, _ in asking[id(duct)]}
    # An origin that falls short anywhere gets all that it asked for: fewer rounds.
    for listed in asking.values():
        for name, arc in listed:
            if name in short:
                found = missing.setdefault(name, set())
                found |= {arc, *_walk(ahead[name], arc.end, True)}
                found |= set(_walk(behind[name], arc.start, False))
    return Priced(math.fsum(total.values()), missing)


def _nearest(seeds: Mapping[str, float], edges: Edges) -> tuple[dict[str, float], dict[str, Arc]]:
    """Least of ``seed + way`` at every place, and the arc by which it comes (none at a seed)."""
    best = dict(seeds)
    by: dict[str, Arc] = {}
    waiting = [(value, place) for place, value in seeds.items()]
    heapq.heapify(waiting)
    while waiting:
        value, place = heapq.heappop(waiting)
        if value > best[place]:
            continue
        for other, cost, arc in edges.get(place, ()):
            if value + cost < best.get(other, math.inf) - 1e-15:
                best[other] = value + cost
                by[other] = arc
                heapq.heappush(waiting, (value + cost, other))
    return best, by


def _walk(by: Mapping[str, Arc], place: str, ahead: bool) -> list[Arc]:
    """The arcs from a place to a seed (ahead), or from a seed to it."""
    found: list[Arc] = []
    while place in by and len(found) <= len(by):
        arc = by[place]
        found.append(arc)
        place = arc.end if ahead else arc.start
    return found


def near_paths(
    origin: Origin,
    arcs: tuple[Arc, ...],
    ends: Iterable[str],
    length: Mapping[str, float],
    stretch: float,
) -> set[Arc]:
    """Arcs on ways to some end that are no longer than the nearest end's way, stretched."""
    forward: dict[str, list[tuple[str, float, Arc]]] = {}
    backward: dict[str, list[tuple[str, float, Arc]]] = {}
    for arc in arcs:
        forward.setdefault(arc.start, []).append((arc.end, length[arc.route], arc))
        backward.setdefault(arc.end, []).append((arc.start, length[arc.route], arc))
    out, _ = _nearest({origin.place: 0.0}, forward)
    back, _ = _nearest(dict.fromkeys(ends, 0.0), backward)
    limit = stretch * back.get(origin.place, math.inf)
    return {
        arc
        for arc in arcs
        if out.get(arc.start, math.inf) + length[arc.route] + back.get(arc.end, math.inf) <= limit
    }
