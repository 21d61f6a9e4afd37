"""The worst window of a store: the most that it must give beyond what surely comes in.

For cycles c with weights w (a source's capture rate; a demand's following draw) and a constant
draw d less what comes in steadily, the need over windows of length L is

    n(L) = d L - sum_c w_c m_c(L),

with m_c(L) the least integral of cycle c over any window of length L (sources: guaranteed
on-time; demands, whose sign is turned: minus the largest demand). A store keeps its promise for
every phase if and only if its size is at least n(L) for all L > 0: the backlog bound of network
calculus (Le Boudec & Thiran, *Network Calculus*, Springer LNCS 2050, 2001, section 1.4).

How far to look: m_c(A + B) >= m_c(A) + m_c(B), so n(A + B) <= n(A) + n(B). Where n(H) <= 0, no
window is worse than the worst up to H. Where no such H is found, the straight lines
m_c(L) >= mean_c L - lag_c speak for all windows longer than those searched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import blake2b

import numpy as np

from allocator.verify import timetables
from allocator.verify.cycle import Cycle

ROUNDING = 1e-12
"""Relative to the terms of a need: what the arithmetic of this module may be wrong by."""

MOST_PERIODS = 64
"""Windows are searched one by one up to this many of the longest period."""

MOST_STEPS = 4_000_000


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A store that is too small: by ``amount`` (kg or J) in windows of ``length`` s.

    ``kind``: ``window`` (found and exact), ``tail`` (all windows longer than ``length``, by the
    straight lines), or ``unproven`` (the search was given up). ``begin``: s, where timetables are
    known; None at any phase.
    """

    length: float
    amount: float
    kind: str
    begin: float | None = None


_WALKED: dict[bytes, Shortfall | None] = {}
MOST_WALKED = 1024
"""Answers that are kept: one plan is judged again and again, and each time by the same windows."""


def shortfall(
    parts: Sequence[tuple[Cycle, float]],
    draw: float,
    size: float,
    precision: float = 1e-3,
    steps: int = MOST_STEPS,
) -> Shortfall | None:
    """By how much a store of a size fails in its worst window; None: it never fails.

    ``parts``: cycle and weight >= 0. ``draw``: constant draw less steady inflow, a second. The
    long-run rates must balance: ``draw <= sum of weight * mean``. ``precision``: how exact a
    shortfall is, relative to the need; whether there is one is exact either way. ``steps``: after
    these the search is given up. The same figures are searched once.
    """
    asked = _digest(parts, (draw, size, precision, float(steps)))
    if asked in _WALKED:
        return _WALKED[asked]
    found = _searched(parts, draw, size, precision, steps)
    if len(_WALKED) >= MOST_WALKED:
        _WALKED.clear()
    _WALKED[asked] = found
    return found


def _digest(parts: Sequence[tuple[Cycle, float]], figures: Sequence[float]) -> bytes:
    """Of all that a search depends on."""
    found = blake2b(np.array(figures).tobytes())
    known: dict[int, bytes] = {}
    for cycle, weight in parts:
        if id(cycle) not in known:
            known[id(cycle)] = cycle.digest() + np.int64(len(known)).tobytes()  # merged by identity
        found.update(known[id(cycle)] + np.float64(weight).tobytes())
    return found.digest()


def _searched(
    parts: Sequence[tuple[Cycle, float]], draw: float, size: float, precision: float, steps: int
) -> Shortfall | None:
    moving = _merged([(cycle, weight) for cycle, weight in parts if not cycle.steady])
    steady = [weight * cycle.mean for cycle, weight in parts if cycle.steady]
    draw = math.fsum([draw, *(-rate for rate in steady)])
    slope = math.fsum([draw, *(-weight * cycle.mean for cycle, weight in moving)])
    lag = math.fsum(weight * cycle.lag for cycle, weight in moving)
    if not moving or lag <= size:
        return None  # no window can need more than the lags, given rates that balance
    from allocator.verify import kernel

    windows = kernel.packed(kernel.windows_of(moving))
    longest = max(cycle.period for cycle, _ in moving)
    end, closed = MOST_PERIODS * longest, False
    for length in _likely_ends([cycle.period for cycle, _ in moving]):
        need, scale = kernel.need_at(windows, draw, length)
        if need <= ROUNDING * scale:
            end, closed = length, True
            break
    if slope < 0 and (lag - size) / -slope <= end:
        # from there on the straight lines prove every window
        end, closed = (lag - size) / -slope, True
    late = max(late_of(cycle) for cycle, _ in moving)
    if late > 0.0 and not closed:
        common = timetables.together(cycle.period for cycle, _ in moving)
        if common is not None:  # beyond that, no window is worse than one a period shorter
            end, closed = common + late, True
    rounding = ROUNDING * math.fsum([abs(draw), *(weight * abs(c.mean) for c, weight in moving)])
    need, length, finished = kernel.largest_need(
        windows, draw, end, size * (1 + ROUNDING), rounding, precision, steps
    )
    tail = slope * end + lag - size
    if closed or tail <= rounding * end:
        tail = 0.0
    found: Shortfall | None = None
    if need > size:
        found = Shortfall(length, need - size, "window")
    elif not finished:
        found = Shortfall(end, 0.0, "unproven")
    elif tail > 0.0:
        found = Shortfall(end, tail, "tail")
    if found is None or not any(cycle.start is not None for cycle, _ in moving):
        return found
    return _by_timetable(moving, draw, size, end, tail, found)


def _by_timetable(
    moving: Sequence[tuple[Cycle, float]],
    draw: float,
    size: float,
    end: float,
    tail: float,
    found: Shortfall,
) -> Shortfall | None:
    """What is left of a shortfall at any phase where timetables are known."""
    worst = timetables.worst_known(moving, draw, end)
    if worst is None:
        return found
    need, begin, length = worst
    scale = math.fsum([abs(draw), *(weight * abs(c.mean) for c, weight in moving)])
    if need > size * (1 + ROUNDING) + ROUNDING * scale * (begin + length):
        return Shortfall(length, need - size, "window", begin)
    return Shortfall(end, tail, "tail") if tail > 0.0 else None


def _likely_ends(periods: Sequence[float]) -> Sequence[float]:
    """Lengths where a need may be gone, shortest first: every cycle lags least after whole periods.

    Marks are the first 64 times the longest period, and sixteenths of it; at each of them, the
    nearest whole number of each period.
    """
    longest = max(periods)
    marks = longest * np.concatenate((np.arange(1, 16) / 16.0, np.arange(1, MOST_PERIODS + 1)))
    lengths = [marks, *(np.round(marks / period) * period for period in set(periods))]
    every = np.unique(np.concatenate(lengths))
    within = (every > 0.0) & (every <= MOST_PERIODS * longest * (1.0 + ROUNDING))
    return [float(length) for length in every[within]]


def settled_length(parts: Sequence[tuple[Cycle, float]], draw: float) -> float | None:
    """Length up to which windows say what all say, s; None: none is found.

    ``draw``: constant draw less steady inflow. Some need is then no more than 0, or windows repeat.
    """
    from allocator.verify import kernel

    moving = _merged(parts)
    if not moving:
        return None
    windows = kernel.packed(kernel.windows_of(moving))
    for length in _likely_ends([cycle.period for cycle, _ in moving]):
        need, scale = kernel.need_at(windows, draw, length)
        if need <= ROUNDING * scale:
            return length
    common = timetables.together(cycle.period for cycle, _ in moving)
    balanced = draw <= math.fsum(weight * cycle.mean for cycle, weight in moving) * (1 + ROUNDING)
    if common is None or not balanced:
        return None
    return common + max(late_of(cycle) for cycle, _ in moving)


def late_of(cycle: Cycle) -> float:
    """Length of windows from which on the least integral repeats, s."""
    return cycle.delay + (0.0 if cycle.table is None else cycle.table.onset)


def _merged(parts: Sequence[tuple[Cycle, float]]) -> list[tuple[Cycle, float]]:
    # Sources of one and the same cycle have one worst window: their weights add up.
    found: dict[int, tuple[Cycle, float]] = {}
    for cycle, weight in parts:
        if weight > 0:
            known = found.get(id(cycle), (cycle, 0.0))[1]
            found[id(cycle)] = (cycle, known + weight)
    return list(found.values())
