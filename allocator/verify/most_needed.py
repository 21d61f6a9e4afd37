"""What windows can need at the most, whatever the phases: few of many lengths are looked at.

Where sources' phases are free, the need n(L) of windows of length L is at least that at any known
phases. Between two lengths a and b with n(a) and n(b) known, every cycle gains at no less than its
lowest and no more than its highest rate, so with p = draw - sum w lowest, q = sum w highest - draw

    n(L) <= min(n(a) + p (L - a), n(b) + q (b - L)).

Blocks of lengths whose bound passes no value asked for are never looked at one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from allocator.verify.cycle import Cycle

Array = np.ndarray

BLOCK = 32
"""Lengths in a block at first."""
PARTS = 4
"""Into which a block is cut."""
ROUNDING = 1e-12
"""Of a need: two of the same window may differ by so much."""


class MostNeeded:
    """Upper bounds of needs by length, exact where some value asked for may be passed.

    Parameters
    ----------
    parts
        Cycles at any phase, with their weights.
    draw
        Constant, a second.
    lengths
        Rising, s: all at which what is sure turns up. Between two of them no need is higher than at
        both.
    needs
        Needs of windows of some lengths, kg or J.
    """

    def __init__(
        self,
        parts: Sequence[tuple[Cycle, float]],
        draw: float,
        lengths: Array,
        needs: Callable[[Array], Array],
    ) -> None:
        self.lengths = np.append(0.0, lengths)
        self._needs = needs
        self._rates = _steepest(parts, draw)
        last = len(lengths)
        self._marks = np.append(np.arange(0, last, BLOCK), last)
        self._exact = np.append(0.0, needs(self.lengths[self._marks[1:]]))
        self._bounds = self._between()

    def likeliest(self, count: int) -> Array:
        """The lengths of the highest needs that are known so far, highest first."""
        first = np.argsort(-self._exact[1:])[:count] + 1
        return np.asarray(self.lengths[self._marks[first]])

    def passes(self, spans: Array, value: float) -> Array:
        """Which windows of some lengths may need more than a value."""
        value -= ROUNDING * abs(value)
        self._look_above(value)
        block = np.searchsorted(self.lengths[self._marks], spans)
        return np.asarray(self._bounds[np.clip(block - 1, 0, len(self._bounds) - 1)] > value)

    def _look_above(self, value: float) -> None:
        """Cut every block whose bound passes a value, as far as there are lengths in it."""
        while True:
            wide = np.diff(self._marks) > 1
            asked = np.flatnonzero(wide & (self._bounds > value))
            if not len(asked):
                return
            low, high = self._marks[asked], self._marks[asked + 1]
            shares = np.arange(1, PARTS) / PARTS
            inner = np.unique(low[:, None] + ((high - low)[:, None] * shares[None, :]).astype(int))
            inner = np.setdiff1d(inner, self._marks)
            at = np.searchsorted(self._marks, inner)
            self._marks = np.insert(self._marks, at, inner)
            self._exact = np.insert(self._exact, at, self._needs(self.lengths[inner]))
            self._bounds = self._between()

    def _between(self) -> Array:
        """Upper bounds between marks."""
        up, down = self._rates
        widths = np.diff(self.lengths[self._marks])
        before, after = self._exact[:-1], self._exact[1:]
        meet = (after - before + down * widths) / (up + down) if up + down > 0.0 else widths
        found = np.minimum(before, after + down * widths)
        for at in (widths, np.clip(meet, 0.0, widths)):
            found = np.maximum(found, np.minimum(before + up * at, after + down * (widths - at)))
        near = np.diff(self._marks) == 1
        found[near] = np.maximum(before, after)[near]
        return np.asarray(found)


def _steepest(parts: Sequence[tuple[Cycle, float]], draw: float) -> tuple[float, float]:
    """p and q."""
    up, down = draw, -draw
    for cycle, weight in parts:
        rates = cycle.rates if cycle.table is None else cycle.table.rates
        lowest = float(rates.min())
        up -= weight * (min(0.0, lowest) if cycle.delay > 0.0 else lowest)
        down += weight * float(rates.max())
    return up, down
