"""The order in which parts of a plan are built, for most firm energy until a time.

Everyone works on one step at a time. A part is begun once all steps that it needs are done, so a
schedule is an order of the parts: between two of them no step of a later one is worth doing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations
from operator import itemgetter

WORK = 60_000
"""Sets of parts times parts up to which the order is proven best."""

Required = Callable[[frozenset[int]], float]
"""s of work before a set of parts has begun, all that they need included."""

Gains = Callable[[Sequence[int]], Iterable[float]]
"""W that each part of an order adds to those before it; in all the same for each order."""


def in_turn(
    firm: Sequence[tuple[int, float]], gains: Gains
) -> tuple[tuple[int, float, float], ...]:
    """(part, time from which it is firm, W that it adds then), in the order of these times."""
    turn = sorted(firm, key=itemgetter(1))
    more = gains([part for part, _ in turn])
    return tuple((part, time, gain) for (part, time), gain in zip(turn, more, strict=True))


@dataclass(frozen=True, slots=True)
class BuildPart:
    """A part: ``power`` W that it promises from ``firm(t)`` s on if it is begun at ``t`` s.

    ``firm`` never falls as ``t`` grows.
    """

    power: float
    firm: Callable[[float], float]


@dataclass(frozen=True, slots=True)
class BuildSequence:
    """An order of parts, by number. ``missed``: J not promised by then, for want of the parts.

    ``proven``: no order misses less.
    """

    order: tuple[int, ...]
    missed: float
    proven: bool


@dataclass
class _Costs:
    """What an order misses, each set of parts worked out once."""

    parts: Sequence[BuildPart]
    required: Required
    until: float
    gains: Gains | None = None
    done: dict[frozenset[int], float] = field(default_factory=dict)
    known: dict[tuple[int, float], float] = field(default_factory=dict)

    def begun(self, members: frozenset[int]) -> float:
        if members not in self.done:
            self.done[members] = self.required(members)
        return self.done[members]

    def missed(self, part: int, begun: float) -> float:
        """J that a part does not promise by then if it is begun at a time."""
        one = self.parts[part]
        if one.power <= 0.0:
            return 0.0
        return one.power * min(self._firm(part, begun), self.until)

    def _firm(self, part: int, begun: float) -> float:
        key = part, begun
        if key not in self.known:
            self.known[key] = self.parts[part].firm(begun)
        return self.known[key]

    def of(self, order: Sequence[int]) -> float:
        if self.gains is not None:
            begun = [self.begun(frozenset(order[: k + 1])) for k in range(len(order))]
            firm = [(n, self._firm(n, time)) for n, time in zip(order, begun, strict=True)]
            return math.fsum(
                gain * min(time, self.until) for _, time, gain in in_turn(firm, self.gains)
            )
        total, members = 0.0, frozenset[int]()
        for part in order:
            members |= {part}
            total += self.missed(part, self.begun(members))
        return total


def best_order(
    parts: Sequence[BuildPart],
    required: Required,
    until: float,
    first: Sequence[int],
    work: int = WORK,
    gains: Gains | None = None,
) -> BuildSequence:
    """The order that misses least by ``until`` s.

    ``gains``: where what a part promises depends on those that are firm before it. Then few parts
    are tried in every order, and more are moved as below.

    With few parts by dynamic programming over sets of them (Held and Karp's recursion): the best
    way to have begun a set ends with one of its parts, at the time that the whole set takes. With
    more, from ``first`` on parts are moved until no move of one part helps.
    """
    costs = _Costs(parts, required, until, gains)
    count = len(parts)
    if gains is None and count and count * 2**count <= work:
        return _exact(costs, tuple(first))
    if gains is not None and count and count * math.factorial(count) <= work:
        tries = permutations(first)  # the order that was given is the first, and kept on a tie
        missed, exact = min(((costs.of(one), one) for one in tries), key=itemgetter(0))
        return BuildSequence(exact, missed, True)
    order: Sequence[int] = list(first)
    value = costs.of(order)
    better = True
    while better:
        better = False
        for part in tuple(order):
            rest = [other for other in order if other != part]
            tried = [[*rest[:at], part, *rest[at:]] for at in range(count)]
            best = min(tried, key=costs.of)
            if costs.of(best) < value * (1.0 - 1e-12):
                order, value, better = best, costs.of(best), True
    return BuildSequence(tuple(order), value, count <= 1)


def _exact(costs: _Costs, first: tuple[int, ...]) -> BuildSequence:
    best: dict[frozenset[int], tuple[float, tuple[int, ...]]] = {frozenset(): (0.0, ())}
    for _ in first:
        layer: dict[frozenset[int], tuple[float, tuple[int, ...]]] = {}
        for members, (value, order) in best.items():
            for part in first:  # ties keep the order that was given
                if part in members:
                    continue
                more = members | {part}
                found = value + costs.missed(part, costs.begun(more))
                if more not in layer or found < layer[more][0]:
                    layer[more] = found, (*order, part)
        best = layer
    ((value, order),) = best.values()
    return BuildSequence(order, value, True)


def firm_energy(times: Sequence[tuple[float, float]], until: float) -> float:
    """J promised by ``until`` s, of parts that promise power (W) from a time (s) on."""
    total, power = 0.0, 0.0
    marks = [*sorted((min(time, until), gain) for time, gain in times), (until, 0.0)]
    for (time, gain), (later, _) in pairwise(marks):
        power += gain
        total += power * (later - time)
    return total
