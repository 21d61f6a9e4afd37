"""Figures of a sweep: quantiles, the share of draws that keep a promise, what matters most."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from allocator.studies.sweep_cases import Swept

LEVELS = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
SAME = 1e-5
"""Figures that differ by no more than this share of the largest count as equal in ranks."""
FIGURES = ("firm_clean", "firm_total", "fluid")
ALL = (*FIGURES, "counted")
_NINETY_FIVE = 1.959963984540054  # of the standard normal distribution, two-sided


@dataclass(frozen=True, slots=True)
class Summary:
    """One point of the grids. ``planned``: the figure with values as planned with, None: failed.

    ``others``: the other figures of the same case. ``quantiles``: at :data:`LEVELS`, over draws.
    ``kept``: draws in which the promise holds, of ``draws`` that were worked out. ``untouched``:
    draws without a second short, valves as they are; None where not simulated.
    """

    point: Mapping[str, float]
    planned: float | None
    quantiles: tuple[float, ...]
    draws: int
    kept: int | None = None
    untouched: int | None = None
    others: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Effect:
    """How a figure goes with one value over all cases.

    ``rank``: Spearman's rank correlation, -1 to 1. ``low``, ``high``: mean of the figure in the
    third of the cases in which the value is lowest and highest. ``chance``: a rank correlation
    that values without any effect would pass in one case of twenty; None where ``cases`` are so
    few that even 1 would pass as often.
    """

    address: str
    rank: float
    low: float
    high: float
    chance: float | None
    cases: int


def main_figure(rows: Sequence[Swept]) -> str:
    """The figure that a sweep is about: the first of :data:`FIGURES` that the cases change.

    Where they change none, the first that is ever above 0.
    """
    for name in FIGURES:
        low, high = extent(rows, name)
        if high - low > SAME * high:
            return name
    return next((name for name in FIGURES if extent(rows, name)[1] > 0), FIGURES[0])


def figures_told(rows: Sequence[Swept]) -> list[str]:
    """Figures that are ever above 0; firm power not, where all of it is clean in every case."""
    clean = all(row.firm_total == row.firm_clean for row in rows)
    return [n for n in ALL if extent(rows, n)[1] > 0 and not (clean and n == "firm_total")]


def extent(rows: Sequence[Swept], figure: str) -> tuple[float, float]:
    """The least and the most of a figure over all cases with a result; 0 where there is none."""
    values = [value for row in rows if (value := getattr(row, figure)) is not None]
    return min(values, default=0.0), max(values, default=0.0)


def summaries(rows: Sequence[Swept], figure: str) -> list[Summary]:
    """One summary for each point of the grids, in order."""
    found = []
    for point in _distinct([row.point for row in rows]):
        here = [row for row in rows if row.point == point]
        first = next((row for row in here if row.draw == 0), None)
        draws = [row for row in here if row.draw > 0 and getattr(row, figure) is not None]
        values = [getattr(row, figure) for row in draws]
        kept = [row.kept for row in draws if row.kept is not None]
        hours = [row.hours_short for row in draws if row.hours_short is not None]
        found.append(
            Summary(
                point,
                None if first is None else getattr(first, figure),
                tuple(float(q) for q in np.quantile(values, LEVELS)) if values else (),
                len(draws),
                sum(kept) if kept else None,
                sum(hour <= 0 for hour in hours) if hours else None,
                {} if first is None else {n: getattr(first, n) for n in ALL if n != figure},
            )
        )
    return found


def _distinct(points: Sequence[Mapping[str, float]]) -> list[Mapping[str, float]]:
    return list({tuple(point.items()): point for point in points}.values())


def effects(rows: Sequence[Swept], figure: str) -> list[Effect]:
    """What goes with a figure most, strongest first; values that never vary are left out.

    Rank correlation sees any effect that goes one way. It says nothing of cause: values are drawn
    independently, so that what it sees is an effect or chance.
    """
    varied = len({tuple(row.values.items()) for row in rows if row.draw > 0}) > 0
    used = [
        row for row in rows if getattr(row, figure) is not None and (row.draw > 0 or not varied)
    ]
    if len(used) < 3:
        return []
    target = np.array([getattr(row, figure) for row in used])
    same = SAME * float(np.abs(target).max())
    if same > 0:  # what differs by the solver's tolerance alone is equal
        target = np.round(target / same) * same
    found = []
    for address in used[0].values:
        values = np.array([row.values[address] for row in used])
        if values.min() == values.max():
            continue
        third = max(1, len(used) // 3)
        found.append(
            Effect(
                address,
                rank_correlation(values, target),
                _mean_of_lowest(values, target, third),
                _mean_of_lowest(-values, target, third),
                chance_of(len(used)),
                len(used),
            )
        )
    return sorted(found, key=lambda effect: (-abs(effect.rank), effect.address))


def _mean_of_lowest(values: np.ndarray, target: np.ndarray, count: int) -> float:
    """Mean target of so many cases of the lowest values. Cases of one value count all alike, by

    their mean: their order says nothing."""
    total, left = 0.0, count
    for value in np.unique(values):
        alike = target[values == value]
        taken = min(left, len(alike))
        total += taken * float(alike.mean())
        left -= taken
        if not left:
            break
    return total / count


def chance_of(cases: int) -> float | None:
    """The rank correlation that chance alone passes in one of twenty, by the normal law of

    Spearman's coefficient (its deviation is 1 / sqrt(n - 1)); None where that is 1 or more. So it
    is up to four cases, where by counting no order is rarer than one of twenty: 2 of 4! = 24.
    """
    most = _NINETY_FIVE / math.sqrt(cases - 1)
    return most if most < 1.0 else None


def rank_correlation(first: np.ndarray, second: np.ndarray) -> float:
    """Spearman's rank correlation: Pearson's of the ranks, equal values sharing a mean rank.

    0 where one of the two never varies.
    """
    a, b = _ranks(first), _ranks(second)
    a, b = a - a.mean(), b - b.mean()
    size = math.sqrt(float(a @ a) * float(b @ b))
    return float(a @ b) / size if size > 0 else 0.0


def _ranks(values: np.ndarray) -> np.ndarray:
    _, which, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    return np.asarray((last - 0.5 * (counts - 1))[which], dtype=np.float64)


def likely_share(kept: int, count: int) -> tuple[float, float]:
    """Between which shares the true one lies, at 95 %, when ``kept`` of ``count`` draws keep.

    The score interval of E. B. Wilson, Journal of the American Statistical Association 22 (1927).
    """
    z2 = _NINETY_FIVE**2
    share = kept / count
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = (
        _NINETY_FIVE
        * math.sqrt(share * (1 - share) / count + z2 / (4 * count * count))
        / (1 + z2 / count)
    )
    return max(0.0, middle - half), min(1.0, middle + half)
