"""Linear programs stated by others, solved by HiGHS: rows and columns in, the least value out."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from allocator.solver.interface import LINEAR_TOLERANCE, quiet_output

Array = NDArray[np.float64]
MOST_STEPS = 400_000
"""Steps of the simplex method: a count and no clock, so that a bound is the same everywhere."""


class LinearRows(Protocol):
    """Minimise ``costs x`` with ``row_low <= A x <= row_high`` and ``low <= x <= high``.

    ``A`` holds ``coefficients[i]`` at (``rows[i]``, ``columns[i]``).
    """

    @property
    def costs(self) -> Array: ...
    @property
    def low(self) -> Array: ...
    @property
    def high(self) -> Array: ...
    @property
    def rows(self) -> np.ndarray: ...
    @property
    def columns(self) -> np.ndarray: ...
    @property
    def coefficients(self) -> Array: ...
    @property
    def row_low(self) -> Array: ...
    @property
    def row_high(self) -> Array: ...


def least_value(solver_model: LinearRows) -> float | None:
    """The least value of a linear program; None where it is not found in :data:`MOST_STEPS`.

    Columns and rows are scaled to sizes about 1 first, so that the solver's tolerance means the
    same for grams a second and gigajoules.
    """
    found = _solved(solver_model)
    return None if found is None else found[1] * float(found[0].getInfo().objective_function_value)


def best_columns(solver_model: LinearRows) -> Array | None:
    """The columns at the least value of a linear program; None as in :func:`least_value`."""
    found = _solved(solver_model)
    if found is None:
        return None
    column, _ = scales_of(solver_model)
    values = np.array(found[0].getSolution().col_value) * column
    return np.asarray(np.clip(values, solver_model.low, solver_model.high))


def _solved(solver_model: LinearRows) -> tuple[Any, float] | None:
    """The solver with the best point in it, and what its value was divided by."""
    import highspy

    column, row = scales_of(solver_model)
    # Duals of billions would be excessive to the solver.
    worth = float(np.abs(solver_model.costs * column).max(initial=0.0)) or 1.0
    weights = solver_model.coefficients * column[solver_model.columns] * row[solver_model.rows]
    order = np.lexsort((solver_model.rows, solver_model.columns))
    counts = np.bincount(solver_model.columns, minlength=len(column))
    with quiet_output():
        model: Any = highspy.Highs()
        model.setOptionValue("output_flag", False)
    record = highspy.HighsLp()
    record.num_col_, record.num_row_ = len(column), len(row)
    record.col_cost_ = solver_model.costs * column / worth
    record.col_lower_, record.col_upper_ = solver_model.low / column, solver_model.high / column
    record.row_lower_, record.row_upper_ = solver_model.row_low * row, solver_model.row_high * row
    record.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    record.a_matrix_.start_ = np.concatenate(([0], np.cumsum(counts)))
    record.a_matrix_.index_ = solver_model.rows[order]
    record.a_matrix_.value_ = weights[order]
    model.setOptionValue("threads", 1)
    model.setOptionValue("simplex_iteration_limit", MOST_STEPS)
    model.setOptionValue("primal_feasibility_tolerance", LINEAR_TOLERANCE)
    model.setOptionValue("dual_feasibility_tolerance", LINEAR_TOLERANCE)
    model.passModel(record)
    if model.run() == highspy.HighsStatus.kError:
        # Another solve in this process has fixed the number of threads already.
        model.setOptionValue("threads", 0)
        model.run()
    if model.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        return None
    return model, worth


def scales_of(solver_model: LinearRows) -> tuple[Array, Array]:
    """A factor a column and a factor a row, powers of two, that bring entries near 1."""
    size = np.abs(solver_model.coefficients)
    rows, columns = solver_model.rows, solver_model.columns
    bounded = np.isfinite(solver_model.high) & (solver_model.high > 0)
    column = np.where(bounded, solver_model.high, 0.0)
    largest = np.zeros(len(solver_model.row_low))
    np.maximum.at(largest, rows, size * column[columns])
    room = np.full(len(column), np.inf)
    known = (largest[rows] > 0) & (size > 0)
    np.minimum.at(room, columns[known], largest[rows[known]] / size[known])
    column = np.where(bounded, column, np.where(np.isfinite(room), room, 1.0))
    largest[:] = 0.0
    np.maximum.at(largest, rows, size * column[columns])
    row = 1.0 / np.where(largest > 0, largest, 1.0)
    return _power_of_two(column), _power_of_two(row)


def _power_of_two(values: Array) -> Array:
    return np.asarray(np.exp2(np.round(np.log2(values))))
