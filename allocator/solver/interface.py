"""The seam to HiGHS: a statement is handed over as arrays, and HiGHS is then driven directly.

Honest statuses, bounds, warm starts, rows added and bounds changed without building again. Other
solvers go through PuLP: :mod:`allocator.solver.other_solver`.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from allocator.base.status import Status
from allocator.model.model import Model, ModelColumn, Row
from allocator.solver.refining import refined
from allocator.solver.safe_bounds import safe_bound

INF = float("inf")
ASKED_EVERY = 0.2
"""Seconds between two questions whether a solver should give up."""
_OUTPUT = threading.Lock()
"""Held by the one thread that has sent standard output away."""
POINTS_SOUGHT: dict[str, float | bool] = {
    "mip_heuristic_effort": 0.05,
    "mip_heuristic_run_rens": True,
    "mip_heuristic_run_rins": True,
    "mip_heuristic_run_root_reduced_cost": True,
    "mip_heuristic_run_feasibility_jump": True,
}
"""HiGHS's options that say how hard it looks for points, as it has them by itself."""
DUAL_FIXING_PROBING = 1 << 20
"""HiGHS's bit for a rule of its presolve. After the elimination of columns (Fourier-Motzkin) it has
cut off the best point of small programs, which a worse one was then called (HiGHS 1.16)."""
LARGE = 10_000
"""Columns above which a program with a cutoff is not begun anew when some are fixed."""
INTEGER_TOLERANCE = 1e-7
FINE_TOLERANCE = 1e-9
"""By how much rows and whole numbers of an integer program may be missed, scaled; the second where
the first leaves a bound that the best amounts do not reach."""
LINEAR_TOLERANCE = 1e-9
"""How far a row of a linear program may be broken, scaled; :mod:`refining` does the rest."""


@dataclass(frozen=True, slots=True)
class Solved:
    """One solve. ``status``: optimal, infeasible, time_limit, node_limit, interrupted, failed.

    ``point``: column values or None. ``value`` and ``bound`` of the minimised objective.
    ``certified``: the bound is safe against rounding (:mod:`allocator.solver.safe_bounds`).
    """

    status: Status
    point: np.ndarray | None
    value: float | None
    bound: float | None
    certified: bool = False


@contextlib.contextmanager
def quiet_output() -> Iterator[None]:
    """Send the process's standard output away for a moment.

    The solver prints a banner when it is first made, whatever is asked; standard output is
    data here, so the banner must not reach it.
    """
    with _OUTPUT:
        sys.stdout.flush()
        try:
            kept = os.dup(1)
        except OSError:
            yield
            return
        away = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(away, 1)
            yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
            os.close(away)


class Highs:
    """HiGHS, with a statement handed over once and changed in place; columns keep their numbers."""

    name = "HiGHS"

    def __init__(self, statement: Model, threads: int, seed: int) -> None:
        import highspy

        self._hs = highspy
        with quiet_output():
            model = highspy.Highs()
        model.setOptionValue("output_flag", False)
        model.passModel(_as_solved(statement, highspy))
        self.model: Any = model
        self._integer = np.array([c.integer for c in statement.columns], dtype=bool)
        self._asked_whole = np.array([c.integer and not c.implied for c in statement.columns])
        self._low = np.array([c.low for c in statement.columns])
        self._high = np.array([c.high for c in statement.columns])
        model.setOptionValue("threads", threads)
        model.setOptionValue("random_seed", seed)
        model.setOptionValue("presolve_rule_off", DUAL_FIXING_PROBING)
        self._costs = np.zeros(len(self._integer))
        self._relaxed = False
        # each one object, by which it is known again
        self._asked, self._told, self._given = self._ask, self._tell, self._give
        self._given_up = False
        self._listening = (False, False)
        """Whether to interruptions, and to points."""
        self._improved: np.ndarray | None = None
        self._suggested: np.ndarray | None = None
        self.exchanging = False
        """Whether integer programs that may be stopped give and take points while they run."""

    def set_objective(self, costs: dict[int, float]) -> None:
        """Minimise ``sum(cost * column)``."""
        self._costs = np.zeros(len(self._integer))
        for column, cost in costs.items():
            self._costs[column] = cost
        numbers = np.arange(len(self._costs), dtype=np.int32)
        self.model.changeColsCost(len(self._costs), numbers, self._costs)

    def suggest(self, point: np.ndarray) -> None:
        """Hand a point to the integer program that is being solved (from any thread)."""
        self._suggested = point

    def take_improved(self) -> np.ndarray | None:
        """The best point so far of the integer program that is being solved, where it is new."""
        point, self._improved = self._improved, None
        return point

    def add_rows(self, rows: Sequence[Row]) -> None:
        """Add rows in place."""
        for row in rows:
            self.model.addRow(
                row.low,
                row.high,
                len(row.columns),
                np.array(row.columns, dtype=np.int32),
                np.array(row.coefficients),
            )

    def add_columns(
        self,
        columns: Sequence[ModelColumn],
        entries: Sequence[tuple[np.ndarray, np.ndarray]],
        costs: Sequence[float] | None = None,
    ) -> None:
        """Add continuous columns in place; for each its rows and coefficients, and its cost."""
        paid = np.zeros(len(columns)) if costs is None else np.array(costs)
        for column, cost, (rows, values) in zip(columns, paid, entries, strict=True):
            self.model.addCol(cost, column.low, column.high, len(rows), rows, values)
        self._integer = np.concatenate([self._integer, np.zeros(len(columns), dtype=bool)])
        self._low = np.concatenate([self._low, [column.low for column in columns]])
        self._high = np.concatenate([self._high, [column.high for column in columns]])
        self._costs = np.concatenate([self._costs, paid])

    def add_bounded_row(self, row: Row) -> int:
        """Add a row that will be bounded anew; its number."""
        self.add_rows([row])
        return int(self.model.getNumRow()) - 1

    def bound_row(self, number: int, low: float, high: float) -> None:
        """Bound a row anew."""
        self.model.changeRowBounds(number, low, high)

    def coefficients(self, row: int, columns: np.ndarray, values: np.ndarray) -> None:
        """Change coefficients of a row."""
        for column, value in zip(columns.tolist(), values.tolist(), strict=True):
            self.model.changeCoeff(row, column, value)

    @property
    def row_count(self) -> int:
        """How many rows there are."""
        return int(self.model.getNumRow())

    def remove_rows(self, numbers: Sequence[int]) -> None:
        """Take back rows; those after them are numbered anew."""
        self.model.deleteRows(len(numbers), np.array(numbers, dtype=np.int32))

    def relax(self, relaxed: bool) -> None:
        """Drop (or bring back) the integer condition of all variables."""
        if relaxed == self._relaxed:
            return
        kinds = self._hs.HighsVarType
        whole = np.nonzero(self._asked_whole)[0]
        kind = kinds.kContinuous if relaxed else kinds.kInteger
        for column in whole:
            self.model.changeColIntegrality(int(column), kind)
        self._relaxed = relaxed

    def fix(self, point: np.ndarray | None) -> None:
        """Fix every integer variable at the point, rounded and within its bounds, or free them.

        What other searches propose may pass a bound, such as more units than may stand at a place.
        """
        whole = np.nonzero(self._integer)[0]
        low, high = self._low[whole], self._high[whole]
        if point is not None:
            low = high = np.clip(np.round(point[whole]), low, high)
        self.bounds(whole, low, high)

    def use_primal(self, primal: bool) -> None:
        """Solve linear programs by the primal simplex method, or again by the dual one."""
        self.model.setOptionValue("simplex_strategy", 4 if primal else 1)

    def bounds(self, columns: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        """Change bounds of some columns (scaled numbers)."""
        self.model.changeColsBounds(
            len(columns), columns.astype(np.int32), np.array(low), np.array(high)
        )

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
        """Solve the model; ``stop`` is asked now and then whether to give up.

        ``interior``: solve a linear program by an interior point, then a basis.
        ``tolerance``: by how much an integer program's rows and whole numbers may be missed.
        ``cutoff``: of an integer program, ask only whether there is a point as good as a value
        (minimised, scaled). What is worse is cut off, and points are not looked for, but those
        that come up on the way are taken. A bound beyond the cutoff says no more than it does.
        """
        model = self.model
        for option, value in POINTS_SOUGHT.items():
            model.setOptionValue(option, value if cutoff is None else type(value)(0))
        # The solver prunes and fixes by it from the root on, and does without its feasibility
        # pump, which no option turns off.
        model.setOptionValue("objective_bound", INF if cutoff is None else cutoff)
        # A restart works through the root again, for little: the cutoff has fixed most.
        model.setOptionValue("mip_allow_restart", cutoff is None or len(self._integer) <= LARGE)
        mixed = bool(self._integer.any()) and not self._relaxed
        # A mixed run leaves its own tolerance behind as the linear one (HiGHS 1.16), which is
        # a hundred times larger: set it anew each time.
        model.setOptionValue("primal_feasibility_tolerance", LINEAR_TOLERANCE)
        model.setOptionValue("dual_feasibility_tolerance", LINEAR_TOLERANCE)
        # For linear programs the solver's clock adds up over the runs of a model; for mixed
        # ones it begins anew with each run.
        spent = 0.0 if mixed else float(model.getRunTime())
        limit = INF if time_limit is None else spent + max(time_limit, 0.01)
        model.setOptionValue("time_limit", limit)
        model.setOptionValue("mip_max_nodes", 2147483647 if node_limit is None else node_limit)
        model.setOptionValue("mip_rel_gap", gap)
        model.setOptionValue("mip_feasibility_tolerance", tolerance)
        model.setOptionValue("mip_abs_gap", 1e-9)
        model.setOptionValue("solver", "ipm" if interior else "choose")
        if start is not None and mixed:
            self._begin_from(start)
        began = time.perf_counter()
        self._run(mixed, stop)
        solved = self._read(mixed)
        failed = solved.status == Status.FAILED
        given = mixed and (start is not None or self.exchanging)
        if not failed and (not given or self._tells_its_value(solved)):
            return solved
        # Presolve may end in a program that HiGHS cannot solve, or better a start in its own
        # reduced space and then hand back the start with the better point's value (both seen in
        # HiGHS 1.16): solve again without presolve.
        left = None if time_limit is None else time_limit - (time.perf_counter() - began)
        if left is None or left > 0.05:
            model.setOptionValue("presolve", "off")
            if left is not None:
                spent = 0.0 if mixed else float(model.getRunTime())
                model.setOptionValue("time_limit", spent + left)
            if start is not None and mixed:
                self._begin_from(start)
            self._run(mixed, stop)
            model.setOptionValue("presolve", "choose")
            again = self._read(mixed)
            if failed or (again.point is not None and self._tells_its_value(again)):
                return again
        honest = float(self._costs @ solved.point) if solved.point is not None else None
        status = Status.TIME_LIMIT if solved.status == Status.OPTIMAL else solved.status
        return Solved(status, solved.point, honest, solved.bound)

    def _begin_from(self, start: np.ndarray) -> None:
        solution = self._hs.HighsSolution()
        solution.col_value = start.tolist()
        self.model.setSolution(solution)

    def _tells_its_value(self, solved: Solved) -> bool:
        if solved.point is None or solved.value is None:
            return True
        honest = float(self._costs @ solved.point)
        return abs(honest - solved.value) <= 1e-6 * max(1.0, abs(honest))

    def _run(self, mixed: bool, stop: Callable[[], bool] | None) -> None:
        model = self.model
        # A thread's first run fixes how many threads its solvers may have, and another number
        # would fail.
        model.resetThreadScheduler(True)
        self._listen(mixed and stop is not None)
        if stop is None or not mixed:
            model.run()
            return
        # The solver works in a thread of its own, so that an interrupt is noticed here. It is not
        # the thread that highspy offers: that holds a lock which all its models share.
        self._given_up = False
        fault: list[BaseException] = []

        def work() -> None:
            try:
                model.run()
                model.resetThreadScheduler(False)
            except BaseException as raised:
                fault.append(raised)

        thread = threading.Thread(target=work, name="solver", daemon=True)
        thread.start()
        try:
            while thread.is_alive():
                thread.join(ASKED_EVERY)
                if thread.is_alive() and stop():
                    self._given_up = True
        finally:
            self._given_up = True
            thread.join()
        if fault:
            raise fault[0]

    def _listen(self, listen: bool) -> None:
        """Have the solver ask now and then whether to give up, or not."""
        wanted = (listen, listen and self.exchanging)
        if wanted == self._listening:
            return
        model = self.model
        events = (model.cbMipInterrupt, model.cbMipImprovingSolution, model.cbMipUserSolution)
        heard = (self._asked, self._told, self._given)
        on = (wanted[0], wanted[1], wanted[1])
        before = (self._listening[0], self._listening[1], self._listening[1])
        # By integer programs alone: the simplex method would ask at every step, and wait each
        # time until no other thread is at work in Python.
        for event, function, now, then in zip(events, heard, on, before, strict=True):
            if now and not then:
                event.subscribe(function)
            elif then and not now:
                event.unsubscribe(function)
        self._listening = wanted

    def _ask(self, event: Any) -> None:
        # Said each time: HiGHS keeps a wish to end, and would end the next solves at once.
        event.interrupt(self._given_up)

    def _tell(self, event: Any) -> None:
        self._improved = np.array(event.data_out.mip_solution)

    def _give(self, event: Any) -> None:
        point, self._suggested = self._suggested, None
        if point is not None:
            event.data_in.setSolution(point)

    def _read(self, mixed: bool) -> Solved:
        model, names = self.model, self._hs.HighsModelStatus
        status = model.getModelStatus()
        info = model.getInfo()
        words = {
            names.kOptimal: Status.OPTIMAL,
            names.kInfeasible: Status.INFEASIBLE,
            names.kObjectiveBound: Status.INFEASIBLE,  # nothing within the cutoff
            names.kUnboundedOrInfeasible: Status.INFEASIBLE,
            names.kUnbounded: Status.FAILED,
            names.kTimeLimit: Status.TIME_LIMIT,
            names.kSolutionLimit: Status.NODE_LIMIT,
            names.kIterationLimit: Status.NODE_LIMIT,
            names.kInterrupt: Status.INTERRUPTED,
            names.kModelEmpty: Status.OPTIMAL,
        }
        word = words.get(status, Status.FAILED)
        feasible = int(info.primal_solution_status) == 2
        if word == Status.OPTIMAL and not feasible and len(self._integer):
            word = Status.FAILED
        usable = feasible and word != Status.INFEASIBLE
        if not mixed and word != Status.OPTIMAL:
            usable = False  # a linear program stopped early has no point to stand on
        point = None
        if usable:
            point = np.array(model.getSolution().col_value)
        bound: float | None = None
        if mixed and word != Status.FAILED:
            bound = float(info.mip_dual_bound)
            if not np.isfinite(bound):
                bound = None
        elif word == Status.OPTIMAL:
            bound = float(info.objective_function_value)
        value = float(info.objective_function_value) if usable else None
        return Solved(word, point, value, bound)

    def refined(self, point: np.ndarray) -> np.ndarray | None:
        """The point of the last linear program to the last digits; None where it has none."""
        with quiet_output():
            model = self._hs.Highs()
        model.setOptionValue("output_flag", False)
        for option in ("primal_feasibility_tolerance", "dual_feasibility_tolerance"):
            model.setOptionValue(option, LINEAR_TOLERANCE)
        model.setOptionValue("presolve", "off")
        lp = self.model.getLp()
        model.passModel(lp)
        model.setBasis(self.model.getBasis())
        return refined(model, lp, point)

    def duals(self) -> np.ndarray:
        """Row duals of the last linear program."""
        return np.array(self.model.getSolution().row_dual)

    def safe_bound(self) -> float | None:
        """A bound of the last linear program that no rounding can make false, if any."""
        return safe_bound(self.model.getLp(), self.duals())

    def reduced_costs(self) -> np.ndarray:
        """Reduced costs of the columns in the last linear program, scaled as the objective."""
        return np.array(self.model.getSolution().col_dual)


def _as_solved(statement: Model, highspy: Any) -> Any:
    """The statement as HiGHS holds a program, at no cost."""
    columns, rows = statement.columns, statement.rows
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(columns), len(rows)
    lp.col_cost_ = np.zeros(len(columns))
    lp.col_lower_ = np.array([column.low for column in columns])
    lp.col_upper_ = np.array([column.high for column in columns])
    lp.row_lower_ = np.array([row.low for row in rows])
    lp.row_upper_ = np.array([row.high for row in rows])
    lengths = np.array([len(row.columns) for row in rows], dtype=np.int64)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
    lp.a_matrix_.index_ = np.array([c for row in rows for c in row.columns], dtype=np.int32)
    lp.a_matrix_.value_ = np.array([v for row in rows for v in row.coefficients])
    kinds = highspy.HighsVarType
    kind = (kinds.kContinuous, kinds.kInteger)
    lp.integrality_ = [kind[column.integer and not column.implied] for column in columns]
    return lp
