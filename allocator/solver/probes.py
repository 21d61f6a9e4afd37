"""Bounds of a linear program with one column held at a value, from the basis of its optimum."""

from __future__ import annotations

from allocator.solver.interface import INF, Highs

STEPS = 2147483647
"""The solver's own limit of steps of the simplex method."""


class Probes:
    """Probes of the linear program that a solver has just solved to its end."""

    def __init__(self, solver: Highs, enough: float, steps: int) -> None:
        """``enough``: a value (minimised, scaled) at which a probe ends; ``steps``: at most."""
        self._model = solver.model
        self._hs = solver._hs
        self._enough = enough
        self._steps = steps
        self._basis = self._model.getBasis()

    def bound(self, column: int, value: float, low: float, high: float) -> tuple[float, bool]:
        """What the program is worth at least with a column held at a value; whether that is known.

        Where it is not, the steps were out, and the figure is a guess. ``low`` and ``high`` are
        the column's bounds, which it has again afterwards.
        """
        model, names = self._model, self._hs.HighsModelStatus
        options = (
            ("objective_bound", self._enough, INF),
            ("simplex_iteration_limit", self._steps, STEPS),
            ("time_limit", INF, INF),
        )
        for option, now, _ in options:
            model.setOptionValue(option, now)
        model.changeColBounds(column, value, value)
        model.run()
        status = model.getModelStatus()
        found = float(model.getInfo().objective_function_value)
        model.changeColBounds(column, low, high)
        model.setBasis(self._basis)
        for option, _, before in options:
            model.setOptionValue(option, before)
        if status == names.kInfeasible:
            return INF, True
        if status == names.kObjectiveBound:
            return max(found, self._enough), True
        return found, status == names.kOptimal
