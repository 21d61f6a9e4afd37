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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.cycles.balance import (
    ROUNDING,
    Balance,
    balance_of,
    common_period,
    search_limit,
    turning_lengths,
)
from allocator.cycles.curves import Supply
from allocator.cycles.demand import DemandCurve
from allocator.cycles.lines import Array, RepeatingLine


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
    above: float = 0.0,
) -> Window:
    """The window of greatest shortfall over all lengths L > 0.

    ``inflows``: (curve, kg/s while on), phases unknown; ``flat``: constant draw, kg/s;
    ``following``: (demand curve, mean kg/s); ``steady``: constant inflow, kg/s; ``horizon``:
    search no further than this, s, instead of :func:`search_length`; ``above``: a shortfall of
    no more than this, kg, is not looked for, and comes back as ``Window(0, above)``: much less
    work where the question is whether a store of that size is enough. Exact to rounding.
    """
    balance = balance_of(inflows, flat, following, steady)
    return worst_of(balance, horizon, above)


def worst_of(balance: Balance, horizon: float | None = None, above: float = 0.0) -> Window:
    """As :func:`worst_window`, for a balance."""
    if balance.rate > ROUNDING * balance.scale:
        return Window(math.inf, balance.rate)
    if not balance.lines or balance.lag <= above:  # no window needs more than the lags
        return Window(0.0, above)
    limit, enough = reach_of(balance, horizon)
    worst = worst_up_to(balance, limit, above)
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
    if (
        len(tries) > _MOST_TRIES
    ):  # any length that settles it will do; hundreds of periods give many
        tries = tries[np.linspace(0, len(tries) - 1, _MOST_TRIES).round().astype(np.int64)]
    for some in np.array_split(tries, -(-len(tries) // _TRIES_AT_ONCE)):
        settled = some[balance.at(some) <= ROUNDING * balance.scale * some]
        if len(settled):
            return float(settled[0]), True
    onset = max(line.onset for line in balance.lines)
    common = common_period([line.period for line in balance.lines]) if onset else None
    if common is not None and balance.rate <= ROUNDING * balance.scale:
        return onset + common, True  # from the onset on, g never grows from period to period
    return limit, False


_MOST_TRIES = 1024
_TRIES_AT_ONCE = 64
_FIRST_PARTS = 64
_PARTS = 4
_FEW_PEAKS = 4096
_PEAKS_AT_ONCE = 1 << 18
_GRAIN = 1e-13  # a bound that passes the best by no more than this share is rounding


def worst_up_to(balance: Balance, limit: float, above: float = 0.0) -> Window:
    """The worst window of length at most ``limit``, by branch and bound over lengths.

    ``above``: as in :func:`worst_window`.

    Lengths are cut into equal intervals. An interval is dropped when it holds no peak (its
    ends have been compared) or its bound does not pass the best found; what is left is cut
    again, or, once few peaks are left, they are all compared.
    """
    edges = _ends(balance, np.linspace(0.0, limit, _FIRST_PARTS + 1))
    best = _better(Window(0.0, above), edges.length[1:], edges.need[1:])
    low, high = edges.some(slice(None, -1)), edges.some(slice(1, None))
    while True:
        bound = _bound(balance, low, high)
        counts = high.peaks - low.peaks
        keep = (bound > best.shortfall * (1.0 + _GRAIN)) & (counts > 0)
        low, high, bound, counts = low.some(keep), high.some(keep), bound[keep], counts[keep]
        peaks = int(counts.sum())
        if peaks <= max(_FEW_PEAKS, _PARTS * len(counts)):  # cutting on would not save work
            return _compare(balance, best, low.length, high.length, counts)
        # Comparing the peaks of the most promising interval early gives a good best.
        first = int(np.argmax(bound))
        if counts[first] <= _FEW_PEAKS:
            one = slice(first, first + 1)
            best = _compare(balance, best, low.length[one], high.length[one], counts[one])
            others = np.arange(len(counts)) != first
            low, high = low.some(others), high.some(others)
        inner = _ends(balance, _between(low.length, high.length))
        best = _better(best, inner.length, inner.need)
        low, high = low.before(inner), inner.before(high)


class _Ends(NamedTuple):
    """Both sides of g, kg, and the number of peaks up to them, at ends of intervals."""

    length: Array
    draw: Array
    supply: Array
    peaks: NDArray[np.int64]

    @property
    def need(self) -> Array:
        return np.asarray(self.draw - self.supply)

    def some(self, which: slice | NDArray[np.bool_]) -> _Ends:
        return _Ends(self.length[which], self.draw[which], self.supply[which], self.peaks[which])

    def before(self, other: _Ends) -> _Ends:
        """These and the others by turns: a row of one of the two for each of the fewer ones."""
        rows = min(len(self.length), len(other.length))

        def joined(mine: Array, theirs: Array) -> Array:
            sides = (mine.reshape(rows, -1), theirs.reshape(rows, -1))
            return np.asarray(np.concatenate(sides, axis=1).ravel())

        return _Ends(
            joined(self.length, other.length),
            joined(self.draw, other.draw),
            joined(self.supply, other.supply),
            np.concatenate(
                (self.peaks.reshape(rows, -1), other.peaks.reshape(rows, -1)), axis=1
            ).ravel(),
        )


def _ends(balance: Balance, lengths: Array) -> _Ends:
    peaks = np.zeros(len(lengths), dtype=np.int64)
    for line in balance.lines:
        peaks += line.peaks_up_to(lengths)
    return _Ends(lengths, balance.draw(lengths), balance.supply(lengths), peaks)


def bound_between(balance: Balance, low: Array, high: Array) -> Array:
    """A value that g does not pass at any length in each interval [low, high].

    The draw side is at most the line up from its low value at its steepest, and the line back
    from its high value at its steepest fall; supply is at least its low value, and its high
    value less what its steepest rise can have added since. The difference is concave, so its
    greatest value is at an end or where two of the lines meet.
    """
    return _bound(balance, _ends(balance, low), _ends(balance, high))


def _bound(balance: Balance, low: _Ends, high: _Ends) -> Array:
    width = high.length - low.length
    up, down, rise = balance.steepest, balance.steepest_fall, balance.steepest_supply

    def passed(along: Array) -> Array:
        draw = np.minimum(low.draw + up * along, high.draw + down * (width - along))
        supply = np.maximum(low.supply, high.supply - rise * (width - along))
        return np.asarray(draw - supply)

    meet_draw = width
    if up + down > 0.0:
        meet_draw = np.clip((high.draw - low.draw + down * width) / (up + down), 0.0, width)
    meet_supply = width
    if rise > 0.0:
        meet_supply = np.clip(width - (high.supply - low.supply) / rise, 0.0, width)
    tries = [passed(along) for along in (np.zeros(len(width)), width, meet_draw, meet_supply)]
    return np.asarray(np.max(tries, axis=0))


def ends_of(lengths: Array, draw: Array, supply: Array) -> _Ends:
    """Ends of intervals whose two sides are known, for :func:`passed_between`."""
    return _Ends(lengths, draw, supply, np.zeros(lengths.shape, dtype=np.int64))


def passed_between(balance: Balance, low: _Ends, high: _Ends) -> Array:
    """As :func:`bound_between`, from both sides at the ends, by the balance's steepest rates."""
    return _bound(balance, low, high)


def _between(low: Array, high: Array) -> Array:
    """The lengths that cut each interval into equal parts, without its ends."""
    shares = np.arange(1, _PARTS) / _PARTS
    return np.asarray((low[:, None] + (high - low)[:, None] * shares[None, :]).ravel())


def _compare(
    balance: Balance, best: Window, low: Array, high: Array, counts: NDArray[np.int64]
) -> Window:
    """The best of all peaks in the intervals, in groups that fit in memory."""
    groups = np.cumsum(counts) // _PEAKS_AT_ONCE
    for group in np.unique(groups):
        best = _compare_group(balance, best, low[groups == group], high[groups == group])
    return best


def _compare_group(balance: Balance, best: Window, low: Array, high: Array) -> Window:
    # All lines' peaks at once: with hundreds of lines most of the time went into short arrays.
    lengths = np.concatenate([_peaks_of(line, low, high) for line in balance.lines])
    return _better(best, lengths, balance.at(lengths))


def _peaks_of(line: RepeatingLine, low: Array, high: Array) -> Array:
    """The line's peaks in (low, high] of all intervals."""
    first, last = line.peaks_up_to(low), line.peaks_up_to(high)
    counts = last - first
    offsets = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return line.peak_number(np.repeat(first, counts) + offsets)


def _better(best: Window, lengths: Array, shortfalls: Array) -> Window:
    if len(lengths) == 0:
        return best
    top = int(np.argmax(shortfalls))
    if shortfalls[top] > best.shortfall:
        return Window(float(lengths[top]), float(shortfalls[top]))
    return best
