"""The last digits of a linear program's point: iterative refinement.

A simplex solver calls a point feasible when no row is broken by more than a tolerance (1e-9 here,
scaled). What is left is solved as a program of its own: with x = x0 + y / s, the rows ask

    s (low - A x0) <= A y <= s (high - A x0),    s (lower - x0) <= y <= s (upper - x0),

for s one over the largest breach of x0. A y that keeps these to 1e-9 makes an x that keeps the
rows to 1e-9 / s. Source: A. M. Gleixner, D. E. Steffy, K. Wolter, *Iterative refinement for linear
programming*, INFORMS Journal on Computing 28 (2016) (named from memory). ``A x0`` is added in
extended precision where the machine has it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.int64]
GRAIN = 1e-13
"""A row holds when it is broken by no more than this share of its largest term."""
ROUNDS = 4
DUST = 1e-24
"""Amounts, in steps of their variable, that are nothing: what adding and taking away leaves."""


class Matrix:
    """The rows of a HiGHS linear program: entries, and bounds of rows and columns."""

    def __init__(self, lp: Any) -> None:
        entries = lp.a_matrix_
        starts = np.array(entries.start_)
        major = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
        minor = np.array(entries.index_, dtype=np.int64)[: len(major)]
        colwise = "ColWise" in str(entries.format_) or "Colwise" in str(entries.format_)
        self.rows: Places = minor if colwise else major
        self.columns: Places = major if colwise else minor
        self.values = np.array(entries.value_)[: len(major)]
        self.row_low, self.row_high = np.array(lp.row_lower_), np.array(lp.row_upper_)
        self.low, self.high = np.array(lp.col_lower_), np.array(lp.col_upper_)

    def sums(self, point: Array) -> tuple[Array, Array, Array]:
        """For each row: what is missing to its lower end, to its upper end, its largest term."""
        total = np.zeros(len(self.row_low), dtype=np.longdouble)
        largest = np.zeros(len(self.row_low))
        terms = self.values.astype(np.longdouble) * point[self.columns]
        np.add.at(total, self.rows, terms)
        np.maximum.at(largest, self.rows, np.abs(terms).astype(np.float64))
        for end in (self.row_low, self.row_high):
            np.maximum(largest, np.where(np.isfinite(end), np.abs(end), 0.0), out=largest)
        return (
            np.asarray(self.row_low - total, dtype=np.float64),
            np.asarray(self.row_high - total, dtype=np.float64),
            largest,
        )


def refined(model: Any, lp: Any, point: Array) -> Array | None:
    """The point of a linear program with its rows kept to :data:`GRAIN`.

    Args:
        model: an empty HiGHS model, to solve what is left; the basis of the point is set if known.
        lp: the linear program (a ``HighsLp``), whose point it is; whole numbers are fixed in it.
        point: values in the program's columns, near feasible.

    Returns:
        The refined point, or None where the program, to that precision, has none.
    """
    matrix = Matrix(lp)
    columns = np.arange(len(point), dtype=np.int32)
    rows = np.arange(len(matrix.row_low), dtype=np.int32)
    point = np.clip(point, matrix.low, matrix.high)
    for _ in range(ROUNDS):
        below, above, largest = matrix.sums(point)
        broken = np.maximum(np.maximum(below, -above), 0.0)
        if not np.any(broken > GRAIN * largest):
            return point
        scale = float(2.0 ** np.floor(-np.log2(broken.max())))
        model.changeRowsBounds(len(rows), rows, below * scale, above * scale)
        model.changeColsBounds(
            len(columns), columns, (matrix.low - point) * scale, (matrix.high - point) * scale
        )
        model.run()
        if int(model.getInfo().primal_solution_status) != 2:
            return None
        moved = np.array(model.getSolution().col_value) / scale
        point = point + moved
        point[np.abs(point) < DUST] = 0.0
        point = np.clip(point, matrix.low, matrix.high)
    return None
