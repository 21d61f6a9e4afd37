"""The worst window of a store: how much it must hold so that its draw never fails.

**Where to look.** g(L) = draw less guaranteed supply over windows of length L is piecewise
linear. Its local maxima lie where a guaranteed curve turns up or a largest-demand curve turns
down, so only those lengths are compared ("peaks").

**How far.** g is subadditive: g(a + b) <= g(a) + g(b). If g(H) <= 0, then any L = m H + x has
g(L) <= m g(H) + g(x) <= g(x) with x < H: the worst of all windows is among those up to H. For
one source, or periods with a common multiple, H = that multiple does whenever the long-run
rates do. For unrelated periods some H does whenever there is a margin in the rates; it is
looked for up to 64 of the longest periods. Where none is found there (a margin of nearly
nothing) the windows up to there are compared, and beyond it the *tail row* stands in:
tau(L) >= duty L - sigma and beta(L) <= L + sigma give g(L) <= rate L + lag, which falls with L.
That is sound and slightly strict; for unrelated periods and no margin it is the exact supremum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from allocator.duty.balance import (
    ROUNDING,
    Balance,
    balance_of,
    search_limit,
    turning_lengths,
)
from allocator.duty.curves import Supply
from allocator.duty.demand import DemandCurve
from allocator.duty.lines import Array


@dataclass(frozen=True, slots=True)
class Window:
    """A worst window: ``length`` s and ``shortfall`` kg (draw less supply in it).

    The store needed is the shortfall. Length 0 and shortfall 0: no window ever falls short.
    An infinite length: the long-run rates do not balance, ``shortfall`` is the deficit in kg/s.
    ``tail``: the row for all windows of at least ``length`` is worst (see the module).
    """

    length: float
    shortfall: float
    tail: bool = False


def worst_window(
    inflows: Sequence[tuple[Supply, float]],
    flat: float,
    following: Sequence[tuple[DemandCurve, float]] = (),
    steady: float = 0.0,
    horizon: float | None = None,
) -> Window:
    """The window of greatest shortfall over all lengths L > 0.

    ``inflows``: (curve, kg/s while on), phases unknown; ``flat``: constant draw, kg/s;
    ``following``: (demand curve, mean kg/s); ``steady``: constant inflow, kg/s; ``horizon``:
    search no further than this, s, instead of :func:`search_length`. Exact to rounding.
    """
    balance = balance_of(inflows, flat, following, steady)
    return worst_of(balance, horizon)


def worst_of(balance: Balance, horizon: float | None = None) -> Window:
    """As :func:`worst_window`, for a balance."""
    if balance.rate > ROUNDING * balance.scale:
        return Window(math.inf, balance.rate)
    if not balance.lines:
        return Window(0.0, 0.0)
    limit, enough = reach_of(balance, horizon)
    worst = worst_up_to(balance, limit)
    if not enough:
        beyond = balance.lag + balance.rate * limit
        if beyond > worst.shortfall:
            return Window(float(limit), float(beyond), True)
    return worst


def reach_of(balance: Balance, horizon: float | None = None) -> tuple[float, bool]:
    """How far windows must be compared, s, and whether that is enough without a tail row."""
    limit = horizon
    if limit is None:
        limit = search_limit(sorted({line.period for line in balance.lines}))[0]
    tries = turning_lengths(balance, limit)
    settled = tries[balance.at(tries) <= ROUNDING * balance.scale * tries]
    return (float(settled[0]), True) if len(settled) else (limit, False)


_FIRST_PARTS = 64
_PARTS = 4
_FEW_PEAKS = 4096
_PEAKS_AT_ONCE = 1 << 18
_GRAIN = 1e-13  # a bound that passes the best by no more than this share is rounding


def worst_up_to(balance: Balance, limit: float) -> Window:
    """The worst window of length at most ``limit``, by branch and bound over lengths.

    Lengths are cut into equal intervals. An interval is dropped when it holds no peak (its
    ends have been compared) or its bound does not pass the best found; what is left is cut
    again, or, once few peaks are left, they are all compared.
    """
    edges = np.linspace(0.0, limit, _FIRST_PARTS + 1)
    low, high = edges[:-1], edges[1:]
    best = Window(0.0, 0.0)
    while True:
        best = _better(best, high, balance.at(high))
        bound = bound_between(balance, low, high)
        counts = _peaks_within(balance, low, high)
        keep = (bound > best.shortfall * (1.0 + _GRAIN)) & (counts > 0)
        low, high, bound, counts = low[keep], high[keep], bound[keep], counts[keep]
        peaks = int(counts.sum())
        if peaks <= max(_FEW_PEAKS, _PARTS * len(low)):  # cutting on would not save work
            return _compare(balance, best, low, high, counts)
        # Comparing the peaks of the most promising interval early gives a good best.
        first = int(np.argmax(bound))
        if counts[first] <= _FEW_PEAKS:
            one = slice(first, first + 1)
            best = _compare(balance, best, low[one], high[one], counts[one])
            low, high = np.delete(low, first), np.delete(high, first)
        low, high = _cut(low, high)


def bound_between(balance: Balance, low: Array, high: Array) -> Array:
    """A value that g does not pass at any length in each interval [low, high].

    The draw side is at most the line up from its low value at its steepest, and the line back
    from its high value at its steepest fall; supply is at least its low value, and its high
    value less what its steepest rise can have added since. The difference is concave, so its
    greatest value is at an end or where two of the lines meet.
    """
    width = high - low
    draw_low, draw_high = balance.draw(low), balance.draw(high)
    supply_low, supply_high = balance.supply(low), balance.supply(high)
    up, down, rise = balance.steepest, balance.steepest_fall, balance.steepest_supply

    def passed(along: Array) -> Array:
        draw = np.minimum(draw_low + up * along, draw_high + down * (width - along))
        supply = np.maximum(supply_low, supply_high - rise * (width - along))
        return np.asarray(draw - supply)

    meet_draw = width
    if up + down > 0.0:
        meet_draw = np.clip((draw_high - draw_low + down * width) / (up + down), 0.0, width)
    meet_supply = width
    if rise > 0.0:
        meet_supply = np.clip(width - (supply_high - supply_low) / rise, 0.0, width)
    tries = [passed(along) for along in (np.zeros(len(low)), width, meet_draw, meet_supply)]
    return np.asarray(np.max(tries, axis=0))


def _peaks_within(balance: Balance, low: Array, high: Array) -> NDArray[np.int64]:
    counts = np.zeros(len(low), dtype=np.int64)
    for line in balance.lines:
        counts += line.peaks_up_to(high) - line.peaks_up_to(low)
    return counts


def _cut(low: Array, high: Array) -> tuple[Array, Array]:
    shares = np.arange(_PARTS + 1) / _PARTS
    edges = low[:, None] + (high - low)[:, None] * shares[None, :]
    edges[:, -1] = high
    return edges[:, :-1].ravel(), edges[:, 1:].ravel()


def _compare(
    balance: Balance, best: Window, low: Array, high: Array, counts: NDArray[np.int64]
) -> Window:
    """The best of all peaks in the intervals, in groups that fit in memory."""
    groups = np.cumsum(counts) // _PEAKS_AT_ONCE
    for group in np.unique(groups):
        best = _compare_group(balance, best, low[groups == group], high[groups == group])
    return best


def _compare_group(balance: Balance, best: Window, low: Array, high: Array) -> Window:
    for line in balance.lines:
        first, last = line.peaks_up_to(low), line.peaks_up_to(high)
        counts = last - first
        offsets = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        lengths = line.peak_number(np.repeat(first, counts) + offsets)
        best = _better(best, lengths, balance.at(lengths))
    return best


def _better(best: Window, lengths: Array, shortfalls: Array) -> Window:
    if len(lengths) == 0:
        return best
    top = int(np.argmax(shortfalls))
    if shortfalls[top] > best.shortfall:
        return Window(float(lengths[top]), float(shortfalls[top]))
    return best
