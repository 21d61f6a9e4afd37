"""Compiled loops of the search for a store's worst window.

Import this module only where the search runs: it loads the compiler.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.base.compiling import compiled
from allocator.base.packing import Pointer, PointerType, define
from allocator.verify.cycle import Cycle

Array = NDArray[np.float64]


class Windows(NamedTuple):
    """Cycles one after the other, and the windows in which their integral can be least.

    Cycle c has nodes ``node_at[c]`` to ``node_at[c + 1]`` and windows ``window_at[c]`` to
    ``window_at[c + 1]``: first those that begin at an anchor (a drop of the rate), then those
    that end at one (a rise). ``bases``: the integral from 0 to the anchor. ``delays``: by which
    the windows of a cycle are shorter. ``onsets``: 0, or above it for a cycle that is given by
    length (one window, from 0 on) and repeats from there on only.
    """

    node_at: NDArray[np.int64]
    times: Array
    rates: Array
    integrals: Array
    periods: Array
    totals: Array
    least: Array
    most: Array
    means: Array
    lags: Array
    weights: Array
    window_at: NDArray[np.int64]
    anchors: Array
    bases: Array
    ends_there: NDArray[np.bool_]
    delays: Array
    onsets: Array


class _WindowsType(PointerType):
    """Of :class:`Windows`."""


class PackedWindows(Pointer):
    """What compiled loops see of :class:`Windows`."""


define(PackedWindows, _WindowsType, Windows)


def windows_of(parts: Sequence[tuple[Cycle, float]]) -> Windows:
    """Cycles with their weights, and the windows in which each can be least."""
    cycles = [cycle for cycle, _ in parts]
    nodes = [cycle.table or cycle for cycle in cycles]
    anchors = [
        np.concatenate((c.drops, c.rises)) if c.table is None else np.zeros(1) for c in cycles
    ]
    return Windows(
        np.cumsum([0, *(len(n.times) for n in nodes)]),
        np.concatenate([n.times for n in nodes]),
        np.concatenate([n.rates for n in nodes]),
        np.concatenate([n.integrals for n in nodes]),
        np.array([c.period for c in cycles]),
        np.array([c.total for c in cycles]),
        np.array([c.least for c in cycles]),
        np.array([c.most for c in cycles]),
        np.array([c.mean for c in cycles]),
        np.array([c.lag for c in cycles]),
        np.array([weight for _, weight in parts]),
        np.cumsum([0, *(len(a) for a in anchors)]),
        np.concatenate(anchors),
        np.concatenate(
            [n.integrals[np.searchsorted(n.times, a)] for n, a in zip(nodes, anchors, strict=True)]
        ),
        np.concatenate(
            [
                np.arange(len(a)) >= (len(c.drops) if c.table is None else 1)
                for c, a in zip(cycles, anchors, strict=True)
            ]
        ),
        np.array([c.delay for c in cycles]),
        np.array([0.0 if c.table is None else c.table.onset for c in cycles]),
    )


@compiled
def packed(w: Windows) -> Windows:
    """The same arrays behind a pointer."""
    return PackedWindows(
        w.node_at,
        w.times,
        w.rates,
        w.integrals,
        w.periods,
        w.totals,
        w.least,
        w.most,
        w.means,
        w.lags,
        w.weights,
        w.window_at,
        w.anchors,
        w.bases,
        w.ends_there,
        w.delays,
        w.onsets,
    )


@compiled
def given_by_length(w: Windows, c: int, length: float) -> float:
    """The integral of a cycle that is given by length."""
    turns = math.floor(max(0.0, length - w.onsets[c]) / w.periods[c])
    rest = length - turns * w.periods[c]
    node, high = w.node_at[c], w.node_at[c + 1]
    while high - node > 1:
        middle = (node + high) // 2
        if w.times[middle] <= rest:
            node = middle
        else:
            high = middle
    given: float = turns * w.totals[c] + w.integrals[node]
    return given + float(w.rates[node] * (rest - w.times[node]))


@compiled
def least_integral(
    w: Windows, c: int, length: float, chosen: NDArray[np.int64], count: int, values: Array
) -> float:
    """Least integral of cycle c over windows of a length, among ``count`` chosen ones.

    The integral over each chosen window is left in ``values``. Windows come in order of their
    anchors, so the place of the far end is found by galloping on from the last one.
    """
    period, total = w.periods[c], w.totals[c]
    if w.delays[c] > 0.0:
        length = max(0.0, length - w.delays[c])
    if w.onsets[c] > 0.0:
        given = given_by_length(w, c, length)
        values[0] = given
        return given
    # Whole periods first: what is left is short, and keeps its digits.
    rest = length % period
    whole = round((length - rest) / period) * total
    first, last = w.node_at[c], w.node_at[c + 1]
    node = first
    smallest = math.inf
    for i in range(count):
        window = chosen[i]
        anchor = w.anchors[window]
        turn = 0.0
        if w.ends_there[window]:
            far = anchor - rest
            if far < 0.0:
                far += period
                turn = -total
        else:
            far = anchor + rest
            if far >= period:
                far -= period
                turn = total
        if far < w.times[node]:
            node = first
        step = 1
        while node + step < last and w.times[node + step] <= far:
            node += step
            step *= 2
        high = min(node + step, last)
        while high - node > 1:
            middle = (node + high) // 2
            if w.times[middle] <= far:
                node = middle
            else:
                high = middle
        integral = w.integrals[node] + w.rates[node] * (far - w.times[node]) + turn
        if w.ends_there[window]:
            value = whole + (w.bases[window] - integral)
        else:
            value = whole + (integral - w.bases[window])
        values[i] = value
        smallest = min(smallest, value)
    return smallest


@compiled
def least_integrals(w: Windows, lengths: Array) -> Array:
    """Least integrals of the first cycle over windows of some lengths, at any phase."""
    everything = np.arange(w.window_at[1])
    values = np.empty(len(everything))
    found = np.empty(len(lengths))
    for i in range(len(lengths)):
        found[i] = least_integral(w, 0, lengths[i], everything, len(everything), values)
    return found


@compiled
def need_at(w: Windows, draw: float, length: float) -> tuple[float, float]:
    """``draw * length - sum of weight * least integral``, and the size of its terms."""
    everything = np.arange(len(w.anchors))
    values = np.empty(len(w.anchors))
    need = draw * length
    scale = abs(need)
    for c in range(len(w.periods)):
        a, b = w.window_at[c], w.window_at[c + 1]
        least = least_integral(w, c, length, everything[a:b], b - a, values[a:b])
        need -= w.weights[c] * least
        scale += abs(w.weights[c] * least)
    return need, scale


@compiled
def bound_between(
    w: Windows, draw: float, low: float, high: float, at_low: Array, at_high: Array
) -> tuple[float, float]:
    """Upper bound of the need for lengths from ``low`` to ``high``, and where it is reached.

    Each least integral m is at least the largest of three straight lines: m(low) plus the
    lowest rate, m(high) less the highest rate, and the mean less the lag. The bound is concave
    and has its top at a crossing of two of them or at an end.
    """
    cycles = len(w.periods)
    best, where = -math.inf, low
    for number in range(3 * cycles + 2):
        if number == 3 * cycles:
            length = low
        elif number == 3 * cycles + 1:
            length = high
        else:
            c = number // 3
            first = at_low[c] - w.least[c] * low
            second = at_high[c] - w.most[c] * high
            if number % 3 == 0:
                rise, run = first - second, w.most[c] - w.least[c]
            elif number % 3 == 1:
                rise, run = first + w.lags[c], w.means[c] - w.least[c]
            else:
                rise, run = -second - w.lags[c], w.most[c] - w.means[c]
            if run <= 0.0:
                continue
            length = rise / run
            if not low < length < high:
                continue
        value = draw * length
        for c in range(cycles):
            value -= w.weights[c] * max(
                at_low[c] + w.least[c] * (length - low),
                at_high[c] - w.most[c] * (high - length),
                w.means[c] * length - w.lags[c],
            )
        if value > best:
            best, where = value, length
    return best, where


@compiled
def largest_need(
    w: Windows,
    draw: float,
    end: float,
    size: float,
    rounding: float,
    precision: float,
    budget: int,
) -> tuple[float, float, bool]:
    """Largest need over lengths L up to ``end``, by branch and bound.

    Only needs above ``size + rounding * L`` count. Returns the largest of them that was found
    (-1e300 if there is none), its length, and whether the search finished within
    ``budget`` steps. ``precision``: relative; needs that pass the best one by less are not
    looked for. A part of the lengths carries the windows that can still be least in it, so
    that small parts cost little.
    """
    cycles, windows = len(w.periods), len(w.anchors)
    depth = 256
    lows, highs = np.zeros(depth), np.zeros(depth)
    begins = np.zeros(depth, np.int64)
    counts = np.zeros((depth, cycles), np.int64)
    at_lows, at_highs = np.zeros((depth, cycles)), np.zeros((depth, cycles))
    chosen = np.arange(4 * windows)
    values_low = np.zeros(4 * windows)
    mine, mine_low, mine_mid = np.empty(windows, np.int64), np.empty(windows), np.empty(windows)
    at_mid = np.empty(cycles)
    highs[0] = end
    best, best_length = -1e300, 0.0
    need = draw * end
    for c in range(cycles):
        a, b = w.window_at[c], w.window_at[c + 1]
        counts[0, c] = b - a
        at_highs[0, c] = least_integral(w, c, end, chosen[a:b], b - a, mine_mid)
        need -= w.weights[c] * at_highs[0, c]
    if need > size + rounding * end:
        best, best_length = need, end
    top, steps = 1, 0
    while top > 0:
        top -= 1
        low, high = lows[top], highs[top]
        bound, middle = bound_between(w, draw, low, high, at_lows[top], at_highs[top])
        threshold = max(size + rounding * high, best + precision * abs(best))
        if bound <= threshold or high - low <= 1e-13 * high or middle <= low or middle >= high:
            # At an end of the part the bound is the need itself, which is known already.
            continue
        steps += 1
        if steps > budget or top + 2 >= depth:
            return best, best_length, False
        if steps % 2 == 0 and (high - low) > 1e-9 * high:
            middle = 0.5 * (low + high)  # halving now and then keeps the parts from lingering
        begin = begins[top]
        held = 0
        need = draw * middle
        for c in range(cycles):
            count = counts[top, c]
            for i in range(held, held + count):  # a slice takes seconds to compile
                mine[i], mine_low[i] = chosen[begin + i], values_low[begin + i]
            at_mid[c] = least_integral(
                w, c, middle, mine[held : held + count], count, mine_mid[held : held + count]
            )
            need -= w.weights[c] * at_mid[c]
            held += count
        if need > best and need > size + rounding * middle:
            best, best_length = need, middle
        if begin + 2 * held > len(chosen):
            grown = np.empty(2 * (begin + 2 * held), np.int64)
            grown_low = np.empty(len(grown))
            for i in range(begin):
                grown[i], grown_low[i] = chosen[i], values_low[i]
            chosen, values_low = grown, grown_low
        at_high = at_highs[top].copy()
        at_low = at_lows[top].copy()
        old_counts = counts[top].copy()
        free = begin
        for part in range(2):
            part_low, part_high = (low, middle) if part == 0 else (middle, high)
            begins[top], lows[top], highs[top] = free, part_low, part_high
            position = 0
            for c in range(cycles):
                upper = at_mid[c] if part == 0 else at_high[c]
                at_lows[top, c] = at_low[c] if part == 0 else at_mid[c]
                at_highs[top, c] = upper
                # A window whose integral is larger at the low end than the least at the high
                # end (both at the lowest rate in between) cannot be least anywhere between.
                slack = 1e-12 * (abs(upper) + w.periods[c])
                limit = upper - w.least[c] * (part_high - part_low) + slack
                kept = 0
                for i in range(position, position + old_counts[c]):
                    value = mine_low[i] if part == 0 else mine_mid[i]
                    if value <= limit:
                        chosen[free] = mine[i]
                        values_low[free] = value
                        free += 1
                        kept += 1
                counts[top, c] = kept
                position += old_counts[c]
            top += 1
    return best, best_length, True
