"""Bounds of linear programs that no rounding can make false.

For any row duals y the least value of ``c x`` over ``row_low <= A x <= row_high``,
``low <= x <= high`` is no less than

    sum_i (y_i row_low_i, or y_i row_high_i where y_i < 0) + sum_j min(r_j low_j, r_j high_j),

with r = c - A' y. The solver's duals make it nearly the optimum; every sum and product here is
rounded towards the bound that is less. A column without a finite bound on the side that counts gets
one from the rows. Source: A. Neumaier, O. Shcherbina, *Safe bounds in linear and mixed-integer
linear programming*, Mathematical Programming 99 (2004).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from allocator.solver.refining import Array, Matrix

ROUNDING = 2.0**-51
"""Four times the unit roundoff: so much of its size a rounded number may be wrong, with room."""
TINY = 1e-300
"""For products that are rounded to nothing."""
PASSES = 5
"""Times that bounds are derived from rows, each from those before."""


def safe_bound(lp: Any, duals: Array) -> float | None:
    """A value that no point of a linear program (a ``HighsLp``, minimised) is below.

    Args:
        lp: the program.
        duals: a number a row; the better the duals, the closer the bound.

    Returns:
        The bound; None where a column has no finite bound that its reduced cost needs.
    """
    matrix, costs = Matrix(lp), np.array(lp.col_cost_)
    free = ((duals > 0) & ~np.isfinite(matrix.row_low)) | (
        (duals < 0) & ~np.isfinite(matrix.row_high)
    )
    duals = np.where(free | ~np.isfinite(duals), 0.0, duals)
    reduced, error = _reduced(matrix, costs, duals)
    least, most = reduced - error, reduced + error
    low, high = matrix.low, matrix.high
    if np.any((least < 0) & ~np.isfinite(high)):
        high = _derived_high(matrix)
    if np.any((least < 0) & ~np.isfinite(high)) or np.any((most > 0) & ~np.isfinite(low)):
        return None
    ends = [
        _product(rate, end) for rate in (least, most) for end in (low, high)
    ]  # of an infinite end, that which is not wanted is +inf
    columns = np.minimum.reduce(ends)
    rows = np.where(duals > 0, _product(duals, matrix.row_low), _product(duals, matrix.row_high))
    rows = np.where(duals == 0, 0.0, rows)
    parts = np.nextafter([*columns.tolist(), *rows.tolist()], -np.inf)
    total = math.fsum(parts.tolist())
    return float(np.nextafter(total, -np.inf)) if math.isfinite(total) else None


def _product(rate: Array, end: Array) -> Array:
    """Products, +inf where an end is infinite: the sign of the rate has been looked at."""
    finite = np.isfinite(end)
    product = rate * np.where(finite, end, 0.0)  # at rate 0 no end matters
    return np.where(finite | (rate == 0.0), product, np.inf)


def _reduced(matrix: Matrix, costs: Array, duals: Array) -> tuple[Array, Array]:
    """Reduced costs, and how far from the true ones they may be."""
    terms = matrix.values * duals[matrix.rows]
    taken = np.bincount(matrix.columns, terms, len(costs))
    size = np.abs(costs) + np.bincount(matrix.columns, np.abs(terms), len(costs))
    count = np.bincount(matrix.columns, minlength=len(costs))
    error: Array = np.asarray((count + 3) * ROUNDING * size + np.where(size > 0, TINY, 0.0))
    return costs - taken, error


def _derived_high(matrix: Matrix) -> Array:
    """Upper bounds of the columns, those that are infinite derived from rows where they can be."""
    high = matrix.high.copy()
    positive = matrix.values > 0
    count = np.bincount(matrix.rows, minlength=len(matrix.row_low))
    # a x <= limit - (least of the rest), from the row's upper end; the lower end with signs changed
    for _ in range(PASSES):
        before = high.copy()
        for sign, ends in ((1.0, matrix.row_high), (-1.0, -matrix.row_low)):
            values = sign * matrix.values
            at = np.where(values > 0, matrix.low[matrix.columns], high[matrix.columns])
            known = np.isfinite(at)
            terms = np.where(known, values * np.where(known, at, 0.0), 0.0)
            unknown = np.bincount(matrix.rows, ~known, len(ends))
            least = np.bincount(matrix.rows, terms, len(ends))
            size = np.bincount(matrix.rows, np.abs(terms), len(ends))
            size += np.where(np.isfinite(ends), np.abs(ends), 0.0)
            rising = positive if sign > 0 else ~positive
            open_ = rising & (unknown[matrix.rows] == ~known) & np.isfinite(ends[matrix.rows])
            row, column = matrix.rows[open_], matrix.columns[open_]
            room = ends[row] - (least[row] - terms[open_]) + (count[row] + 3) * ROUNDING * size[row]
            found = room / values[open_]
            found += 3 * ROUNDING * np.abs(found) + TINY
            np.minimum.at(high, column, found)
        # a bound that was finite stays as the program has it
        high = np.where(np.isfinite(matrix.high), matrix.high, high)
        if np.array_equal(high, before):
            break
    return high
