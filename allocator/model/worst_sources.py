"""Which sources to lose, or to find at their low end, so that a promise breaks soonest.

A promise that withstands ``lost`` and ``low`` (:class:`~allocator.plans.records.Robustness`)
holds for every choice X of at most ``lost`` sources that give nothing and at most ``low`` others
that give the share 1 - delta_s of what they should, with no valve touched:

    B (1 - loss L) + sum_s (1 - x_s) r_s tau_s(L) + w L  >=  d L + sum_j f_j beta_j(L)

for every L > 0 and every x with x_s = 1 on the lost, delta_s on the low, 0 elsewhere. That is the
budgeted uncertainty set of Bertsimas & Sim, "The Price of Robustness", Operations Research 52
(2004), with whole budgets: their dual rows and these, one a choice, say the same; these are found
lazily as the windows are. A source that gives the share 1 - delta of its flow can give each of
its destinations that share, so delta_s = 1 - low_s / flow_s of every rate is a safe loss.

Sources with one duty cycle lose in step: only the total matters that a cycle can lose, so choices
are told apart by how many of each cycle's sources are lost or low, the heaviest first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from allocator.base.grouped import grouped
from allocator.cycles import Curve
from allocator.plans.records import Robustness

MOST_CHOICES = 5000
"""Choices of lost and low sources that are looked at for one promise."""


class TooManyChoicesError(ValueError):
    """More ways to lose sources than can be looked at."""


class Feeder(NamedTuple):
    """A source that feeds a promise: its curve, ``rate`` while on, share ``low`` it may miss;

    ``reliable``: it cannot be lost."""

    name: str
    curve: Curve
    rate: float
    low: float
    reliable: bool = False


@dataclass(frozen=True, slots=True)
class SourceChoice:
    """``missing``: source -> share of its rate that is missing. ``lost``: of the mean, a second."""

    missing: Mapping[str, float]
    lost: float


def choices_against(feeders: Sequence[Feeder], robustness: Robustness) -> list[SourceChoice]:
    """Every choice that may be the worst for some window, that of the greatest mean loss first.

    Raises:
        TooManyChoicesError: there are more than :data:`MOST_CHOICES`.
    """
    groups = _by_cycle(feeders)
    lost = min(robustness.lost, sum(not f.reliable for f in feeders))
    low = min(robustness.low, sum(f.low > 0 for f in feeders))
    number = choices_count([len(group) for group in groups], robustness)
    if number > MOST_CHOICES:
        raise TooManyChoicesError(too_many(number))
    tables = [_heaviest(group, lost, low) for group in groups]
    found: dict[tuple[tuple[str, float], ...], SourceChoice] = {}
    for counts in _shared_out([len(group) for group in groups], lost, low):
        missing: dict[str, float] = {}
        total = 0.0
        for group, table, count in zip(groups, tables, counts, strict=True):
            weight, chosen = table[count]
            missing.update(chosen)
            total += group[0].curve.duty * weight
        found.setdefault(tuple(sorted(missing.items())), SourceChoice(missing, total))
    return sorted(found.values(), key=lambda choice: (-choice.lost, sorted(choice.missing)))


def too_many(number: int) -> str:
    """What to say of too many choices."""
    return (
        f"there are {grouped(number)} ways to choose the sources that one store must do without, "
        f"and no more than {grouped(MOST_CHOICES)} are looked at; ask for fewer lost and low "
        "sources"
    )


def choices_count(sizes: Sequence[int], robustness: Robustness) -> int:
    """An upper bound on the choices for cycles of so many sources each."""
    total, distinct = sum(sizes), len(sizes)
    if not total:
        return 1
    lost, low = min(robustness.lost, total), min(robustness.low, total)
    # every choice is one of multisets over the cycles, and one of sets of sources
    sets = math.comb(total, lost) * math.comb(total - lost, min(low, total - lost))
    many = math.comb(distinct + lost - 1, lost) * math.comb(distinct + low - 1, low)
    return min(sets, many)


def _by_cycle(feeders: Sequence[Feeder]) -> list[list[Feeder]]:
    groups: dict[int, list[Feeder]] = {}
    for feeder in feeders:
        groups.setdefault(id(feeder.curve), []).append(feeder)
    return list(groups.values())


Table = dict[tuple[int, int], tuple[float, dict[str, float]]]


def _heaviest(group: Sequence[Feeder], lost: int, low: int) -> Table:
    """(lost, low) -> the greatest rate that so many of a cycle's sources miss, and which."""
    table: Table = {(0, 0): (0.0, {})}
    for feeder in group:
        grown = dict(table)
        for (i, j), (weight, chosen) in table.items():
            for step, share in (((i + 1, j), 1.0), ((i, j + 1), feeder.low)):
                if step[0] > lost or step[1] > low or share <= 0:
                    continue
                if feeder.reliable and step[0] > i:
                    continue
                heavier = weight + share * feeder.rate
                if step not in grown or heavier > grown[step][0]:
                    grown[step] = (heavier, {**chosen, feeder.name: share})
        table = grown
    # where fewer can be lost or low than asked for, fewer are
    for i in range(lost + 1):
        for j in range(low + 1):
            for fewer in ((i, j - 1), (i - 1, j)):
                if (i, j) not in table and fewer in table:
                    table[i, j] = table[fewer]
    return table


def _shared_out(sizes: Sequence[int], lost: int, low: int) -> Iterator[tuple[tuple[int, int], ...]]:
    """Every way to share the lost and the low out over cycles of so many sources."""

    @cache
    def room(number: int) -> int:
        return sum(sizes[number:])

    def shared(number: int, i: int, j: int) -> Iterator[tuple[tuple[int, int], ...]]:
        if number == len(sizes):
            yield ()
            return
        for a in range(min(i, sizes[number]) + 1):
            for b in range(min(j, sizes[number] - a) + 1):
                # what the cycles after this one cannot take must be taken here
                if i - a + j - b > room(number + 1):
                    continue
                for rest in shared(number + 1, i - a, j - b):
                    yield ((a, b), *rest)

    # where all sources are lost, no others can be low
    yield from shared(0, lost, min(low, max(0, sum(sizes) - lost)))
