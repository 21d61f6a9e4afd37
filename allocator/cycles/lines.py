"""Piecewise-linear curves over window length that repeat, plus a gain, every period."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def frozen(values: Array) -> Array:
    """A read-only float array with the same values (so that records stay as they are)."""
    result = np.array(values, dtype=np.float64)
    result.setflags(write=False)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class RepeatingLine:
    """A curve c with c(L + period) = c(L) + gain from L = ``onset`` on, given by its corners.

    ``lengths`` (s) rises from 0 to ``onset + period``; ``values`` from 0 on. ``kinks`` are the
    lengths in (0, onset + period] where the slope may change; ``peaks`` those of them where a
    shortfall (draw less supply) can be greatest: where a guaranteed curve turns up, or a
    largest-demand curve turns down. Both rise. ``steepest``: no slope is greater.
    """

    period: float
    gain: float
    lengths: Array
    values: Array
    kinks: Array
    peaks: Array
    steepest: float = 1.0
    onset: float = 0.0

    def at(self, lengths: Array) -> Array:
        """The curve at any lengths >= 0 (array of any shape)."""
        whole = self._turns(lengths)
        rest = lengths - whole * self.period
        return whole * self.gain + np.interp(rest, self.lengths, self.values)

    def peaks_between(self, low: float, high: float) -> Array:
        """All peak lengths in [low, high], sorted."""
        return self._tiled(self.peaks, low, high)

    def peaks_up_to(self, lengths: Array) -> NDArray[np.int64]:
        """How many peak lengths are <= each length."""
        whole = self._turns(lengths)
        rest = lengths - whole * self.period
        within = np.searchsorted(self.peaks, rest, side="right")
        every = len(self.peaks) - self._early(self.peaks)
        return (whole.astype(np.int64) * every + within).astype(np.int64)

    def peak_number(self, numbers: NDArray[np.int64]) -> Array:
        """The lengths of the peaks with these numbers, counted from 0 at the least."""
        early = self._early(self.peaks)
        whole, place = np.divmod(numbers - early, len(self.peaks) - early)
        first = numbers < early
        place = np.where(first, numbers, place + early)
        return np.where(first, 0, whole) * self.period + self.peaks[place]

    def _turns(self, lengths: Array) -> Array:
        beyond = np.maximum(lengths - self.onset, 0.0) if self.onset else lengths
        return np.asarray(np.floor(beyond / self.period))

    def _early(self, marks: Array) -> int:
        """How many marks come once only, before the curve repeats."""
        return int(np.searchsorted(marks, self.onset, side="right")) if self.onset else 0

    def _tiled(self, marks: Array, low: float, high: float) -> Array:
        early = self._early(marks)
        found = _tiled(marks[early:], self.period, low, high, self.onset)
        once = marks[:early]
        if early:
            found = np.concatenate((once[(once >= low) & (once <= high)], found))
        return found

    def mirrored(self) -> RepeatingLine:
        """The curve of complement windows: gain - c(period - L) for L in one period.

        A window and the rest of its period share the period's on-time, so the least over
        windows of one length is the gain less the most over windows of the other.
        """
        kinks = np.unique(frozen(self.period - self.kinks) % self.period)
        kinks = np.sort(np.where(kinks == 0.0, self.period, kinks))
        return RepeatingLine(
            self.period,
            self.gain,
            frozen(self.period - self.lengths[::-1]),
            frozen(self.gain - self.values[::-1]),
            frozen(kinks),
            frozen(kinks),
            self.steepest,
        )


def _tiled(within: Array, period: float, low: float, high: float, onset: float) -> Array:
    if high < low or len(within) == 0:
        return np.empty(0)
    first = max(0, int((low - onset) // period))
    last = int(high // period)
    every = (np.arange(first, last + 1)[:, None] * period + within[None, :]).ravel()
    if first > 0:  # a kink at the very end of the period before may round into the range
        every = np.concatenate(([first * period], every))
    return np.unique(every[(every >= low) & (every <= high)])


def straight(slope: float, period: float = 1.0) -> RepeatingLine:
    """The line slope * L, with no kinks."""
    ends = frozen(np.array([0.0, period]))
    none = frozen(np.empty(0))
    return RepeatingLine(period, slope * period, ends, frozen(slope * ends), none, none, slope)
