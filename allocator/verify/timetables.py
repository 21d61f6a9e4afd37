"""The worst window of a store where timetables of some sources are known.

A known cycle turns on at ``start``, shifted by one unknown amount of at most ``error``; every other
cycle lies as it pleases. For a window that begins at t and lasts L, each cycle by itself is set so
that it gives least; the store must be large enough for all windows. Everything is a straight line
between moments t at which a known cycle may turn down, moments t + L at which one may turn up, and
lengths L from a turn down to a turn up of one cycle, so the worst window lies where two of these
meet, and all such windows are looked at one by one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from allocator.verify.cycle import Cycle
from allocator.verify.most_needed import MostNeeded

Array = np.ndarray

MOST_WINDOWS = 20_000_000
MOST_PAIRS = 400_000_000
"""Times of a cycle at which its rate falls, times those at which it grows."""
PAIRS_AT_ONCE = 1_000_000
AT_ONCE = 1_000
"""Windows: more of them at once would not stay in the processor's fast memory."""
COMPILED_FROM = 20_000
"""Windows times bursts of a source from which on loading the compiler is worth it."""
FIRST = 32
"""Lengths that are looked at before all others."""
SAME = 1e-12
"""Of a period: moments closer than this are one."""

Parts = Sequence[tuple[Cycle, float]]


def worst_known(parts: Parts, draw: float, end: float) -> tuple[float, float, float] | None:
    """Largest need over windows of up to ``end`` s: the need, its begin and its length.

    None where there are more windows than :data:`MOST_WINDOWS` or the timetables do not repeat
    together.
    """
    known = [(cycle, weight) for cycle, weight in parts if cycle.start is not None]
    period = together(cycle.period for cycle, _ in known)
    if period is None:
        return None
    begins = _moments([(c, c.drops - 0.5 * c.delay) for c, _ in known], period)
    ends = _moments([(c, c.rises + 0.5 * c.delay) for c, _ in known], period)
    if any(len(c.drops) * len(c.rises) > MOST_PAIRS for c, _ in parts):
        return None
    count = sum(len(_distances_of(c)) * (1 + end / c.period) for c, _ in parts if c.table is None)
    if count > MOST_WINDOWS:
        return None
    lengths = turning_lengths([cycle for cycle, _ in parts], end)
    turns = math.ceil(end / period) + 1
    all_ends = (np.arange(turns + 1)[:, None] * period + ends[None, :]).ravel()
    few = len(begins) * len(all_ends) + (len(begins) + len(ends)) * len(lengths)
    if few > MOST_WINDOWS:
        return None
    # At any phase of all cycles the need is no smaller, and between lengths at which what is sure
    # turns up it is convex: there it is at most that of the length before or after.
    most = most_at_any_phase(parts, draw, lengths)
    best = (0.0, 0.0, 0.0)
    likely = most.likeliest(FIRST)
    for moment in begins:
        best = _worst_of(parts, draw, np.full(likely.shape, moment), likely, end, best)
    for moment in ends:
        best = _worst_of(parts, draw, (moment - likely) % period, likely, end, best)
    for moment in begins:
        spans = np.concatenate((all_ends - moment, lengths))
        spans = spans[most.passes(spans, best[0])]
        best = _worst_of(parts, draw, np.full(spans.shape, moment), spans, end, best)
    for moment in ends:
        spans = lengths[most.passes(lengths, best[0])]
        best = _worst_of(parts, draw, (moment - spans) % period, spans, end, best)
    return best


def most_at_any_phase(parts: Parts, draw: float, lengths: Array) -> MostNeeded:
    """What windows need at the most at any phase of all cycles.

    ``lengths``: as :func:`turning_lengths` says.
    """
    free = [(replace(cycle, start=None, error=0.0), weight) for cycle, weight in parts]

    def needs(spans: Array) -> Array:
        found = list(_needs(free, draw, np.zeros(len(spans)), spans))
        return np.concatenate(found) if found else np.zeros(0)

    return MostNeeded(free, draw, lengths, needs)


def need_until(parts: Parts, draw: float, end: float) -> float:
    """Largest need over windows that begin at 0 s or later and end at a time.

    A known cycle is shifted so that it gives least: to an end of its error, or until it turns up
    as the window ends, or down as it begins; so the worst begin is at a drop of one shifted so.
    """
    found = [np.array([end])]
    for cycle in {id(cycle): cycle for cycle, _ in parts if not cycle.steady}.values():
        if cycle.start is None:
            found.append(turning_lengths([cycle], end))
            continue
        late, period = 0.5 * cycle.delay, cycle.period
        shifts = (end - late - cycle.start - cycle.rises) % period
        shifts = np.concatenate((shifts, shifts - period, [-cycle.error, cycle.error]))
        shifts = shifts[np.abs(shifts) <= cycle.error]
        marks = (cycle.drops[:, None] + cycle.start - late + shifts[None, :]).ravel()
        turns = np.arange(math.floor(end / period) + 2) * period
        found.append(end - (turns[:, None] + (marks % period)[None, :]).ravel())
    lengths = np.unique(np.concatenate(found))
    lengths = lengths[(lengths > 0.0) & (lengths <= end)]
    need = draw * lengths
    for cycle, weight in parts:
        need = need - weight * least_in(cycle, end - lengths, lengths)
    return max(0.0, float(need.max()))


def together(periods: Iterable[float]) -> float | None:
    """The time after which cycles of some periods repeat together; None: not within 64 turns."""
    found = list(periods)
    longest = max(found)
    for turns in range(1, 65):
        whole = turns * longest
        if all(abs(whole / p - round(whole / p)) <= 1e-9 for p in found):
            return float(whole)
    return None


def _moments(marks: Sequence[tuple[Cycle, Array]], period: float) -> Array:
    found = []
    for cycle, times in marks:
        assert cycle.start is not None
        for shift in {-cycle.error, cycle.error}:
            turns = np.arange(round(period / cycle.period)) * cycle.period
            found.append((turns[:, None] + times[None, :] + cycle.start + shift).ravel() % period)
    return _distinct(np.concatenate(found), period)


def turning_lengths(cycles: Sequence[Cycle], end: float) -> Array:
    """Lengths of windows up to an end at which what is sure of a cycle at any phase turns up, s."""
    found = [np.array([end])]
    for cycle in {id(cycle): cycle for cycle in cycles}.values():
        if cycle.table is not None:
            ups = cycle.table.rises_up_to(end) + cycle.delay
            found.append(ups[ups <= end])
            continue
        between = _distances_of(cycle)
        turns = np.arange(math.floor(end / cycle.period) + 1) * cycle.period
        every = (turns[:, None] + np.append(between, cycle.period)[None, :]).ravel() + cycle.delay
        if cycle.delay > 0.0:
            every = np.append(every, cycle.delay)
        found.append(every[(every > 0.0) & (every <= end)])
    return _distinct(np.concatenate(found), end)


def _distances_of(cycle: Cycle) -> Array:
    """Times from a fall of a cycle's rate to a growth, within a period."""
    return _distances(cycle.period, cycle.drops.tobytes(), cycle.rises.tobytes())


@lru_cache(maxsize=64)
def _distances(period: float, drops: bytes, rises: bytes) -> Array:
    """Of nested stages few of all pairs differ: some thousand of a hundred million."""
    falls, grows = np.frombuffer(drops), np.frombuffer(rises)
    found = np.zeros(0)
    many = max(1, PAIRS_AT_ONCE // max(1, len(grows)))
    for at in range(0, len(falls), many):
        pairs = (grows[None, :] - falls[at : at + many, None]).ravel() % period
        found = _distinct(np.concatenate((found, pairs)), period)
    found.setflags(write=False)
    return found


def _distinct(times: Array, scale: float) -> Array:
    times = np.unique(times)
    return times[np.append(True, np.diff(times) > SAME * scale)] if len(times) else times


def _worst_of(
    parts: Parts,
    draw: float,
    begins: Array,
    lengths: Array,
    end: float,
    best: tuple[float, float, float],
) -> tuple[float, float, float]:
    fits = (lengths > 0.0) & (lengths <= end)
    begins, lengths = begins[fits], lengths[fits]
    at = 0
    for need in _needs(parts, draw, begins, lengths):
        top = int(np.argmax(need))
        if need[top] > best[0]:
            best = (float(need[top]), float(begins[at + top]), float(lengths[at + top]))
        at += len(need)
    return best


def _needs(parts: Parts, draw: float, begins: Array, lengths: Array) -> Iterator[Array]:
    """Needs over windows, so many at a time."""
    for at in range(0, len(lengths), AT_ONCE):
        t, span = begins[at : at + AT_ONCE], lengths[at : at + AT_ONCE]
        need = draw * span
        for cycle, weight in parts:
            need = need - weight * least_in(cycle, t, span)
        yield need


def least_in(cycle: Cycle, begins: Array, lengths: Array) -> Array:
    """Least integral of a cycle over windows, whatever its true phase may be."""
    if cycle.table is not None:
        return cycle.table.at(np.maximum(lengths - cycle.delay, 0.0))
    if cycle.start is None and len(lengths) * len(cycle.drops) > COMPILED_FROM:
        from allocator.verify import kernel

        windows = kernel.packed(kernel.windows_of([(cycle, 1.0)]))
        return np.asarray(kernel.least_integrals(windows, np.asarray(lengths)))
    return worst_shift(cycle, begins, lengths)[0]


def worst_shift(cycle: Cycle, begins: Array, lengths: Array) -> tuple[Array, Array]:
    """The least integral over windows, and where in its period the cycle is as each begins.

    Bursts that may be shifted are within a window that is shorter at both ends, whatever they do.
    """
    late = 0.5 * cycle.delay
    lengths = np.maximum(lengths - cycle.delay, 0.0)
    free = cycle.start is None or 2.0 * cycle.error >= cycle.period
    middle = np.zeros(begins.shape) if free else begins + late - (cycle.start or 0.0)
    error = cycle.period if free else cycle.error
    marks = [np.broadcast_to(cycle.drops, (len(begins), len(cycle.drops)))]
    marks.append(cycle.rises[None, :] - lengths[:, None])
    tried = [middle - error, middle + error]
    for mark in marks:
        moved = mark + cycle.period * np.round((middle[:, None] - mark) / cycle.period)
        inside = np.abs(moved - middle[:, None]) <= error
        tried += list(np.where(inside, moved, middle[:, None] + error).T)
    at = np.array(tried)
    gained = integral(cycle, at + lengths) - integral(cycle, at)
    least = np.argmin(gained, axis=0)
    column = np.arange(len(begins))
    value = gained[least, column] if cycle.table is None else cycle.table.at(lengths)
    return value, (at[least, column] - late) % cycle.period


def least_placed(cycle: Cycle, low: float, high: float, lengths: Array) -> Array:
    """The least integral over windows that begin where the cycle is at ``low`` to ``high`` s.

    As by :func:`worst_shift`. The least is where the window begins at an end of the range, or as
    the cycle turns off, or ends as it turns on.
    """
    late, period = 0.5 * cycle.delay, cycle.period
    if high - low >= period or cycle.table is not None:
        placed = replace(cycle, start=-0.5 * (low + high), error=0.5 * (high - low))
        return worst_shift(placed, np.zeros(lengths.shape), lengths)[0]
    low, width = low + late, high - low
    spans = np.maximum(lengths - cycle.delay, 0.0)
    drops = low + (cycle.drops - low) % period
    least = np.full(lengths.shape, np.inf)
    for at in (low, low + width, *drops[drops <= low + width].tolist()):
        begin = np.array([at])
        least = np.minimum(least, integral(cycle, at + spans) - integral(cycle, begin))
    rises, rows = np.sort(cycle.rises), np.arange(len(spans))
    first = (low + spans) % period
    node = np.searchsorted(rises, first)
    while len(rises) and len(rows):
        ahead = rises[node % len(rises)] + period * (node // len(rises)) - first[rows]
        inside = ahead <= width
        rows, node = rows[inside], node[inside] + 1
        at = low + ahead[inside]
        gained = integral(cycle, at + spans[rows]) - integral(cycle, at)
        least[rows] = np.minimum(least[rows], gained)
    return least


def integral(cycle: Cycle, times: Array) -> Array:
    """Integral of a cycle from 0 to some times, s."""
    turns, rest = np.divmod(times, cycle.period)
    node = np.searchsorted(cycle.times, rest, side="right") - 1
    part = cycle.integrals[node] + cycle.rates[node] * (rest - cycle.times[node])
    return np.asarray(turns * cycle.total + part)
