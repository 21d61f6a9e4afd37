"""How much a source gives while it is on and between bursts, and whether that falls.

A flow between bursts that hardly changes is a steady one besides; the bursts are what is above it.
A flow that falls is counted as that of the last third of the record, for the mean of all of it is
more than the source gives now. It falls where the last third is less than the first by ``FALLS``,
and by far more than parts of a third differ from each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from allocator.intake.change_rows import Floats, Marks
from allocator.intake.logs import Log

STEADY = 0.7
"""Share of the mean flow between bursts that 97.5 % of its readings reach, if it is steady."""
FLOOR = 0.05
"""Share of the flow when on: less between bursts is no source, for it may be the meter's zero."""
FALLS = 0.05
"""Share by which the last third is below the first, where a flow falls."""
SURE = 4.0
"""Standard errors by which it is."""
PARTS = 12
"""Parts of a third that are compared with each other."""
FEWEST = 4
"""Parts of a third that are needed, each of one reading at least."""
MOST_MISSED = 0.02
"""Share of the mean flow that may be left out without being told."""


@dataclass(frozen=True, slots=True)
class Level:
    """A mean flow, give or take ``half`` (95 %), and the 2.5 and 97.5 % quantiles of readings.

    ``falls``: means of the first and the last third of the record, if it falls; of the last then.
    """

    value: float
    half: float
    spread: tuple[float, float]
    falls: tuple[float, float] | None = None


def level_of(log: Log, rows: Marks) -> Level:
    """The level of some rows; each counts until the next one where the source turns at rows."""
    falls = falling(log, rows)
    if falls:
        rows = rows & _third(log, 2)
    flows = log.flows[rows]
    middle = float(np.mean(flows))
    low, high = np.quantile(flows, (0.025, 0.975))
    weight = _times_of(log, rows)
    if log.turns and weight.any():
        order = np.argsort(log.flows[:-1], kind="stable")
        share = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
        low, high = np.interp((0.025, 0.975), share, log.flows[order])
        middle = float(np.average(log.flows[:-1], weights=weight))
    half = 1.96 * float(np.std(flows)) / math.sqrt(len(flows))
    return Level(middle, half, (float(low), float(high)), falls)


def steady_below(log: Log, on: Marks, level: Level) -> Level | None:
    """The flow that goes on between bursts; None where there is none, or none that is steady."""
    if log.marks or log.listed or on.all():
        return None
    below = level_of(log, ~on)
    steady = below.spread[0] >= STEADY * below.value and below.value >= FLOOR * level.value
    return below if steady else None


def missed(log: Log, on: Marks) -> float:
    """Mean flow over the record of what comes between bursts; 0 where it is next to nothing."""
    if log.marks or log.listed:
        return 0.0
    weight = np.where(log.gaps, 0.0, np.diff(log.times)) * log.flows[:-1]
    between = float(weight[~on[:-1]].sum())
    time = float(_times_of(log, np.ones(len(on), dtype=bool)).sum())
    return between / time if between > MOST_MISSED * float(weight.sum()) else 0.0


def falling(log: Log, rows: Marks) -> tuple[float, float] | None:
    """Mean flow of some rows in the first and the last third of the record, where it falls."""
    first, last = (_parts(log, rows & third) for third in (_third(log, 0), _third(log, 2)))
    if log.marks or min(len(first), len(last)) < FEWEST:
        return None
    means = float(first.mean()), float(last.mean())
    error = math.sqrt(float(first.var(ddof=1)) / len(first) + float(last.var(ddof=1)) / len(last))
    fall = means[0] - means[1]
    return means if fall > max(FALLS * means[0], SURE * error) else None


def _third(log: Log, number: int) -> Marks:
    place = 3.0 * log.times / log.times[-1]
    return np.asarray((place >= number) & ((place < number + 1) | (number == 2)))


def _parts(log: Log, rows: Marks) -> Floats:
    """Means of the flow in parts of some rows, in order of time."""
    flows = log.flows[rows]
    split = np.array_split(flows, min(PARTS, max(len(flows), 1)))
    return np.array([float(part.mean()) for part in split if len(part)])


def _times_of(log: Log, rows: Marks) -> Floats:
    """Time from each row to the next, of rows that count and outside of gaps."""
    return np.where(log.gaps | ~rows[:-1], 0.0, np.diff(log.times))
