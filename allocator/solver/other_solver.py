"""Integer programs by any other solver that PuLP finds, and the choice of a solver by name."""

from __future__ import annotations

import inspect
import itertools
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pulp

from allocator.base.errors import AllocatorError
from allocator.base.status import Status
from allocator.model.model import Model, Row
from allocator.solver.interface import INTEGER_TOLERANCE, Highs, Solved, quiet_output
from allocator.solver.pulp_model import PulpColumn, problem_of
from allocator.solver.refining import Matrix

WHOLE = 1e-5
"""How far from a whole number an integer variable of another solver's point may be."""
FINER = 0.01
"""Share of the gap that is asked for, which is asked of another solver: one that tells no bound has
that of the gap within which it ended, and more than that gap is often known."""
ALSO = {"cbc": "COIN_CMD", "scip": "SCIP_PY"}
"""Solvers that PuLP lists under names in which their own does not stand, or stands twice."""
ANY = {"cmd", "dll", "py", "pulp"}
"""Parts of PuLP's names that name no solver."""
TOLERANCES: dict[str, list[object]] = {"SCIP_PY": ["numerics/feastol", 1e-9]}
"""Options with which a solver keeps rows as HiGHS does. CBC is left at its 1e-7: asked for 1e-9 it
has called programs infeasible that had a point."""


class SolverError(AllocatorError, ValueError):
    """A solver that is not available here, or that does not work."""


def solver_named(name: str) -> str:
    """PuLP's name of a solver that is available here; "HiGHS" needs no looking for.

    Raises:
        SolverError: no such solver is available.
    """
    wanted = name.lower()
    if wanted == "highs":
        return "HiGHS"
    with quiet_output():  # some of them announce themselves when they are looked for
        listed = pulp.listSolvers(onlyAvailable=True)
    exact = [known for known in listed if known.lower() == wanted]
    exact += [known for known in listed if known == ALSO.get(wanted)]
    parts = [known for known in listed if wanted in set(known.lower().split("_")) - ANY]
    if not exact and not parts:
        raise SolverError(
            f"solver {name!r} is not available here; available: {', '.join(sorted(listed))}"
        )
    return str((exact + parts)[0])


class OtherSolver(Highs):
    """Another solver for the integer programs; linear programs stay with HiGHS.

    The other solver is handed the integer program as it stands, cuts and all. What is taken from
    its answer is the whole numbers: the amounts for them are worked out again by HiGHS, for
    solvers that are run through files give eight digits, and the promises of a plan are held to
    more. So a point is sound whoever found its whole numbers, and a bound is that solver's word.
    """

    def __init__(self, statement: Model, name: str, threads: int, seed: int) -> None:
        super().__init__(statement, threads, seed)
        self.name = name
        self._threads = threads
        with quiet_output():
            made = type(pulp.getSolver(name, msg=False))
        self._options = frozenset(inspect.signature(made.__init__).parameters)
        self._works = False

    def solve(
        self,
        *,
        time_limit: float | None = None,
        node_limit: int | None = None,
        gap: float = 0.0,
        start: np.ndarray | None = None,
        stop: Callable[[], bool] | None = None,
        cutoff: float | None = None,
        tolerance: float = INTEGER_TOLERANCE,
        interior: bool = False,
    ) -> Solved:
        """Solve the model; see :meth:`Highs.solve`. A start and a cutoff are not handed on.

        Nor is the tolerance: amounts are found anew by HiGHS.

        Raises:
            SolverError: the solver does not work at all, or takes no node limit.
        """
        del cutoff, tolerance, interior
        if self._relaxed or not self._integer.any():
            return super().solve(time_limit=time_limit, stop=stop)
        began = time.perf_counter()
        gap *= FINER
        low, high, problem, variables = self._stated()
        options = self._asked_for(time_limit, node_limit, gap)
        try:
            with quiet_output():
                answer = problem.solve(pulp.getSolver(self.name, msg=False, **options))
        except KeyboardInterrupt:
            return Solved(Status.INTERRUPTED, None, None, None)
        except (pulp.PulpError, OSError) as error:
            if self._works:
                return Solved(Status.FAILED, None, None, None)
            raise SolverError(f"solver {self.name} does not work here: {error}") from error
        self._works = True
        if stop is not None and stop():
            ended = Status.INTERRUPTED
        elif node_limit is not None:
            ended = Status.NODE_LIMIT
        else:
            ended = Status.FAILED if time_limit is None else Status.TIME_LIMIT
        infeasible, proven = _said(problem, answer)
        if infeasible:
            # what has a point that is known to be sound is not infeasible
            return Solved(Status.INFEASIBLE if start is None else Status.FAILED, None, None, None)
        values = [variable.varValue for variable in variables]
        columns = np.array([np.nan if v is None else v for v in values])
        left = None if time_limit is None else time_limit - (time.perf_counter() - began)
        solved = self._with_amounts(columns, low, high, left)
        # PuLP calls a search that its time limit ended optimal as well: the status of the solution
        # tells them apart, and whether numbers are whole or values within the gap is looked at here
        bound = self._bound(problem)
        if proven and bound is None:
            bound = self._least(columns, solved.value, gap)
        if solved.value is None or bound is None:
            return Solved(ended, solved.point, solved.value, bound)
        within = solved.value - bound <= gap * max(abs(bound), abs(solved.value)) + 1e-6
        return Solved(
            Status.OPTIMAL if proven or within else ended, solved.point, solved.value, bound
        )

    def _asked_for(
        self, time_limit: float | None, node_limit: int | None, gap: float
    ) -> dict[str, Any]:
        """The options that the solver takes of those that are asked for."""
        if node_limit is not None and "maxNodes" not in self._options:
            raise SolverError(
                f"solver {self.name} takes no node limit through PuLP; give a time limit"
            )
        wanted: dict[str, Any] = {
            "gapRel": gap,
            "gapAbs": 1e-9,
            "threads": self._threads if self._threads > 1 else None,
            "timeLimit": None if time_limit is None else max(time_limit, 0.1),
            "maxNodes": node_limit,
            "options": TOLERANCES.get(self.name),
        }
        return {
            name: value
            for name, value in wanted.items()
            if value is not None and name in self._options
        }

    def _stated(self) -> tuple[np.ndarray, np.ndarray, Any, list[Any]]:
        """Bounds of the columns as they stand, and the program as a PuLP problem.

        Variables are in the order of HiGHS's columns.
        """
        lp = self.model.getLp()
        matrix = Matrix(lp)
        integer = self._integer
        order = np.lexsort((matrix.columns, matrix.rows))
        ends = np.searchsorted(matrix.rows[order], np.arange(len(matrix.row_low) + 1))
        columns, values = matrix.columns[order], matrix.values[order]
        rows = (
            Row(
                f"r{number}",
                tuple(columns[first:last].tolist()),
                tuple(values[first:last].tolist()),
                float(matrix.row_low[number]),
                float(matrix.row_high[number]),
            )
            for number, (first, last) in enumerate(itertools.pairwise(ends))
        )
        costs = np.array(lp.col_cost_)
        problem, variables = problem_of(
            (
                PulpColumn(f"v{n}", float(matrix.low[n]), float(matrix.high[n]), bool(integer[n]))
                for n in range(len(integer))
            ),
            rows,
            {int(n): float(costs[n]) for n in np.nonzero(costs)[0]},
            "program",
        )
        return matrix.low, matrix.high, problem, variables

    def _with_amounts(
        self, columns: np.ndarray, low: np.ndarray, high: np.ndarray, left: float | None
    ) -> Solved:
        """The best amounts for the whole numbers of a point; no point where they are not whole."""
        whole = np.nonzero(self._integer)[0]
        numbers = columns[whole]
        lowest, highest = low[whole], high[whole]
        rounded = np.clip(np.round(numbers), lowest, highest)
        if not np.all(np.abs(numbers - rounded) <= WHOLE):  # nor where they are not told
            return Solved(Status.FAILED, None, None, None)
        self.bounds(whole, rounded, rounded)
        self.relax(True)
        try:
            return super().solve(time_limit=None if left is None else max(left, 1.0))
        finally:
            self.relax(False)
            self.bounds(whole, lowest, highest)

    def _bound(self, problem: Any) -> float | None:
        """The bound of a solver that tells one to Python; PuLP itself hands none on."""
        tells = getattr(getattr(problem, "solverModel", None), "getDualbound", None)
        bound = None if tells is None else float(tells())
        return bound if bound is not None and abs(bound) < 1e19 else None

    def _least(self, columns: np.ndarray, value: float | None, gap: float) -> float | None:
        """The bound of a search that ended within its gap, by its own value and by ours."""
        own = float(self._costs @ columns)
        least = own if value is None else min(own, value)
        return least - abs(least) * gap / (1.0 - gap) if np.isfinite(least) else None


def solver_for(statement: Model, name: str, threads: int | None, seed: int) -> Highs:
    """The solver by name, built for the statement.

    Raises:
        SolverError: no such solver is available here.
    """
    found, count = solver_named(name), threads or 1
    if found == "HiGHS":
        return Highs(statement, count, seed)
    return OtherSolver(statement, found, count, seed)


def _said(problem: Any, answer: Any) -> tuple[bool, bool]:
    """Whether a solver says that there is no point, and that its point is the best.

    From version 4 on PuLP returns what it knows of a solve; before, the problem holds it.
    """
    kinds = getattr(pulp, "LpSolveStatus", None)
    if kinds is not None:
        return answer.status == kinds.Infeasible, answer.status == kinds.Optimal
    infeasible: bool = problem.status == pulp.LpStatusInfeasible
    return infeasible, problem.sol_status == pulp.LpSolutionOptimal
