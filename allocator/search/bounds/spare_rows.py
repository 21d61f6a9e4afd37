"""Rows that a linear program is solved without until a point breaks them.

At an optimum of a program under pressure four of five rows are basic: they hold, most as ``0 <=
0``, and the optimum is one without them as well. What the program is worth with fewer rows is a
bound of what it is worth with all. So rows that were idle at the first optimum are put aside, all
points are looked at, and what they break comes back: the dual simplex method then takes a third of
the steps, and each of them a third of the time.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from allocator.model.model import Row


class SpareRows:
    """Rows that are put aside. ``rows``: all that were, as far as none of them came back."""

    def __init__(self, rows: Iterable[Row] = ()) -> None:
        self.rows: list[Row] = [row for row in rows if row.columns]
        lengths = np.array([len(row.columns) for row in self.rows], dtype=np.int64)
        self._starts = np.concatenate([[0], np.cumsum(lengths)])[:-1].astype(np.int64)
        self._columns = np.array([c for row in self.rows for c in row.columns], dtype=np.int64)
        self._values = np.array([v for row in self.rows for v in row.coefficients])
        self._low = np.array([row.low for row in self.rows])
        self._high = np.array([row.high for row in self.rows])
        self._aside = np.ones(len(self.rows), dtype=bool)
        self._all = list(self.rows)

    def take_broken(self, point: np.ndarray, tolerance: float) -> list[Row]:
        """Rows that a point (scaled) breaks by more than a tolerance; they are aside no more."""
        if not self.rows:
            return []
        sums = np.add.reduceat(self._values * point[self._columns], self._starts)
        broken = (sums < self._low - tolerance) | (sums > self._high + tolerance)
        return self._take(broken & self._aside)

    def take_all(self) -> list[Row]:
        """All of them; none is aside then."""
        return self._take(self._aside.copy())

    def _take(self, taken: np.ndarray) -> list[Row]:
        found = [self._all[n] for n in np.nonzero(taken)[0].tolist()]
        if found:
            self._aside &= ~taken
            self.rows = [self._all[n] for n in np.nonzero(self._aside)[0].tolist()]
        return found
