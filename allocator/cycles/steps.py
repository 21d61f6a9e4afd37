"""Largest integral of a repeating step series over any window, exactly."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from allocator.cycles.lines import Array, RepeatingLine, frozen, straight


def check_steps(period: float, starts: Sequence[float], levels: Sequence[float]) -> None:
    """Raise ValueError unless starts rise from 0 within the period, one level each, all >= 0."""
    begin, level = np.asarray(starts), np.asarray(levels)
    if begin.shape != level.shape or begin.ndim != 1 or len(begin) == 0 or begin[0] != 0.0:
        raise ValueError("a series must start at 0 and have one level a start")
    if np.any(np.diff(np.append(begin, period)) <= 0.0) or np.any(level < 0.0):
        raise ValueError("starts must rise within the period and levels must not be negative")


def largest_line(period: float, starts: Sequence[float], levels: Sequence[float]) -> RepeatingLine:
    """Largest integral of a repeating step series over any window, as a line over length.

    A worst window begins or ends where the level changes (its integral changes at a constant
    rate as it moves until one end meets a change). For lengths between two neighbouring
    distances of changes each such window's integral is linear in the length, so the largest
    is the upper envelope of those lines there: it can turn down only at such a distance.

    Raises ValueError unless starts rise from 0 within the period, one level each, all >= 0.
    """
    check_steps(period, starts, levels)
    begin = np.asarray(starts, dtype=np.float64)
    level = np.asarray(levels, dtype=np.float64)
    changed = level != np.roll(level, 1)
    if not changed.any():
        return straight(float(level[0]), period)
    steepest = float(level.max())
    begin, level = _even(begin, level, period)
    edges = np.append(begin, period)
    total = np.concatenate(([0.0], np.cumsum(level * np.diff(edges))))
    if np.allclose(np.diff(edges), edges[1], rtol=1e-12, atol=0.0):
        return _even_line(period, total, steepest)
    return _uneven_line(period, edges, total, steepest)


_MOST_EVEN_STEPS = 20_000


def _even(begin: Array, level: Array, period: float) -> tuple[Array, Array]:
    """The same series on even steps, where its changes fall on a not too fine even grid."""
    step = float(np.min(np.diff(np.append(begin, period))))
    count = round(period / step)
    if count > _MOST_EVEN_STEPS:
        return begin, level
    step = period / count
    places = begin / step
    if np.max(np.abs(places - np.round(places))) > 1e-12 * count:
        return begin, level
    turns = np.diff(np.append(np.round(places), count)).astype(np.int64)
    return np.arange(count, dtype=np.float64) * step, np.repeat(level, turns)


def _even_line(period: float, total: Array, steepest: float) -> RepeatingLine:
    count = len(total) - 1
    step = period / count
    gain = float(total[-1])
    twice = np.concatenate((total, total[1:] + gain))
    sums = np.zeros(count)
    lengths, values = [0.0], [0.0]
    for steps in range(1, count + 1):
        longer = twice[steps : steps + count] - twice[:count]
        # The window that begins at a change, or (one place on) ends at one.
        reached = np.maximum(longer, np.roll(longer, 1))
        for share, value in _envelope(sums, reached):
            lengths.append((steps - 1 + share) * step)
            values.append(value)
        lengths.append(steps * step)
        values.append(float(longer.max()))
        sums = longer
    peaks = np.arange(1, count + 1, dtype=np.float64) * step
    return _line(period, gain, np.array(lengths), np.array(values), peaks, steepest)


def _uneven_line(period: float, edges: Array, total: Array, steepest: float) -> RepeatingLine:
    gain = float(total[-1])
    two_edges = np.concatenate((edges, edges[1:] + period))
    two_totals = np.concatenate((total, total[1:] + gain))
    begins, sums = edges[:-1], total[:-1]
    ahead = (begins[None, :] - begins[:, None]) % period
    cells = np.unique(np.append(ahead.ravel(), [0.0, period]))
    cells = cells[np.concatenate(([True], np.diff(cells) > period * 1e-13))]
    cells[-1] = period

    def windows(length: float) -> Array:
        onward = np.interp(begins + length, two_edges, two_totals) - sums
        back = sums + gain - np.interp(begins + period - length, two_edges, two_totals)
        return np.concatenate((onward, back))

    low = windows(0.0)
    lengths, values = [0.0], [0.0]
    for left, right in pairwise(cells):
        high = windows(float(right))
        for share, value in _envelope(low, high):
            lengths.append(float(left + share * (right - left)))
            values.append(value)
        lengths.append(float(right))
        values.append(float(high.max()))
        low = high
    return _line(period, gain, np.array(lengths), np.array(values), cells[1:], steepest)


def _line(
    period: float, gain: float, lengths: Array, values: Array, peaks: Array, steepest: float
) -> RepeatingLine:
    lengths[-1], values[-1] = period, gain
    return RepeatingLine(
        period, gain, frozen(lengths), frozen(values), frozen(lengths[1:]), frozen(peaks), steepest
    )


def _envelope(left: Array, right: Array) -> list[tuple[float, float]]:
    """Inner corners (share of the way, value) of the upper envelope of straight lines

    that run from ``left`` to ``right``.
    """
    found: list[tuple[float, float]] = []
    first, last = _highest(left, right), _highest(right, left)
    grain = 1e-14 * float(right[last])
    pending = [(first, last)]
    while pending:
        a, b = pending.pop()
        rise_a, rise_b = right[a] - left[a], right[b] - left[b]
        if rise_b - rise_a <= grain:
            continue
        share = float((left[a] - left[b]) / (rise_b - rise_a))
        if not 1e-12 < share < 1.0 - 1e-12:
            continue
        heights = left + share * (right - left)
        top = int(np.argmax(heights))
        if heights[top] <= heights[a] + grain:
            found.append((share, float(heights[a])))
        else:
            pending += [(top, b), (a, top)]
    return sorted(found)


def _highest(here: Array, there: Array) -> int:
    """The line highest here; of several, the one highest there."""
    ties = np.flatnonzero(here == here.max())
    return int(ties[np.argmax(there[ties])])
