"""Bases of linear programs: kept and begun from again, and the rows that one does without."""

from __future__ import annotations

from typing import Any

import numpy as np

from allocator.solver.interface import INF, Highs
from allocator.solver.probes import STEPS

Basis = Any
"""A basis of a linear program, as the solver has it."""


def exact_costs(solver: Highs) -> None:
    """Solve linear programs by the dual simplex method with the costs as they are.

    HiGHS changes them a little, against ties, and mends in the end by the primal method what that
    hid. Where most rows are ``0 <= 0`` that takes longer than all else.
    """
    solver.model.setOptionValue("dual_simplex_cost_perturbation_multiplier", 0.0)


def idle_rows(solver: Highs) -> np.ndarray:
    """Numbers of the rows that are basic at the optimum: without them it is an optimum as well.

    Their duals are 0. What is left of the basis is one of the program without them.
    """
    basic = solver._hs.HighsBasisStatus.kBasic
    return np.array(
        [n for n, one in enumerate(solver.model.getBasis().row_status) if one == basic],
        dtype=np.int64,
    )


def basis_of(solver: Highs) -> Basis:
    """The basis of the last linear program."""
    return solver.model.getBasis()


def begin_from(solver: Highs, basis: Basis) -> None:
    """Begin the next linear program from a basis; rows that were added since are basic."""
    basic = solver._hs.HighsBasisStatus.kBasic
    new = solver.row_count - len(basis.row_status)
    begun = solver._hs.HighsBasis()
    begun.valid, begun.alien = True, False
    begun.col_status = basis.col_status
    begun.row_status = [*basis.row_status, *[basic] * new]
    solver.model.setBasis(begun)


def value_after(solver: Highs, steps: int) -> float:
    """The value (minimised, scaled) after some steps of the dual simplex method at the most.

    Infinite where there is no point. It is a guess, for ranking alone.
    """
    model, names = solver.model, solver._hs.HighsModelStatus
    model.setOptionValue("solver", "choose")
    model.setOptionValue("simplex_iteration_limit", steps)
    model.setOptionValue("time_limit", INF)
    model.run()
    model.setOptionValue("simplex_iteration_limit", STEPS)
    if model.getModelStatus() == names.kInfeasible:
        return INF
    return float(model.getInfo().objective_function_value)


def passed_bound(solver: Highs) -> bool:
    """Whether the last linear program ended since its value is beyond the cutoff that it had.

    HiGHS looks at the value of the dual point with the costs as they are.
    """
    return bool(solver.model.getModelStatus() == solver._hs.HighsModelStatus.kObjectiveBound)
