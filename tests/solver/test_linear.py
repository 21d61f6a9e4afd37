"""Linear programs of others: the same optimum as SciPy finds, however badly they are scaled."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import linprog

from allocator.solver.linear import least_value, scales_of

INF = float("inf")


def drawn(seed: int, spread: float) -> SimpleNamespace:
    """Four rows over six columns, each column and row in a unit of its own; 0 is a point of it."""
    draw = np.random.default_rng(seed)
    rows, columns = (a.ravel() for a in np.meshgrid(range(4), range(6), indexing="ij"))
    units = 10.0 ** draw.uniform(-spread, spread, 6)
    sizes = 10.0 ** draw.uniform(-spread, spread, 4)
    matrix = draw.uniform(-1.0, 2.0, (4, 6))
    return SimpleNamespace(
        costs=-draw.uniform(0.1, 1.0, 6) / units,
        low=np.zeros(6),
        high=np.where(np.arange(6) < 4, 3.0 * units, INF),
        rows=rows,
        columns=columns,
        coefficients=(np.abs(matrix) * sizes[:, None] / units).ravel(),
        row_low=np.full(4, -INF),
        row_high=draw.uniform(1.0, 2.0, 4) * sizes,
    )


@pytest.mark.parametrize("seed", range(12))
def test_agrees_with_scipy(seed: int) -> None:
    solver_model = drawn(seed, 0.0)
    matrix = np.zeros((4, 6))
    matrix[solver_model.rows, solver_model.columns] = solver_model.coefficients
    bounds = list(zip(solver_model.low, solver_model.high, strict=True))
    reference = linprog(solver_model.costs, matrix, solver_model.row_high, bounds=bounds)
    assert least_value(solver_model) == pytest.approx(reference.fun, rel=1e-7)


def test_units_do_not_matter() -> None:
    """The same program in other units has the same value."""
    for seed in range(8):
        plain = drawn(seed, 4.0)
        column, row = scales_of(plain)
        other = SimpleNamespace(**vars(plain))
        other.costs, other.high = plain.costs * column, plain.high / column
        other.coefficients = plain.coefficients * column[plain.columns] * row[plain.rows]
        other.row_high = plain.row_high * row
        assert least_value(plain) == pytest.approx(least_value(other), rel=1e-9)


def test_no_optimum_is_none() -> None:
    solver_model = drawn(0, 0.0)
    solver_model.row_low = solver_model.row_high + 1.0
    assert least_value(solver_model) is None
