"""Parts of a site that share nothing but power and stock, each as an integer program of its own.

Columns that stand in one row belong to one part; the rows that join parts, of power, stock, cost
and emission, are left out for that. Of a site with several fluids the pipes, taps, holders and
machines of each are so a part, unless a machine makes one of the other.

Let y be the duals of the joining rows at some optimum of the relaxation, and ``w = c - y A`` over
the columns of one part. For the least z of ``w x`` over the integer points x of the rows of the
part alone,

    sum over the part of w_j x_j  >=  z.

*Proof.* Every plan, restricted to the part, is such a point. With these rows the relaxation is
worth no less than ``bound + sum over parts of (z - w x)`` at that optimum x: y with a multiplier
of 1 for each of them is a dual point of that value (Lagrangian relaxation, Geoffrion 1974). A
bound of the integer program serves as z.

A part is small where the whole is not, so that its program is proven in seconds. One that is most
of the site is not asked: its program is no smaller than that of the whole.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.clock import Clock
from allocator.model.model import Key, Model, Row, Terms
from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.relaxation import Optimum, Relaxation
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

JOINING = (
    "stock[",
    "emission_cap",
    "money_cap",
    "power[",
    "own_load[",
    "share[",
    "line_capacity[",
    "charge_rate[",
    "discharge_rate[",
    "burst_long_run[",
    "battery_behind[",
    "swing_reserve[",
    "target",
)
"""Names of rows that join parts begin so. A row that is missing here joins parts into one."""
SPARE = 1e-6
"""Share of the bound that is left to rounding."""
WORTH = 1e-4
"""Share of the bound that a part must improve it by."""
ROUNDS = 12
"""Solves of a part at the most: while its points break cuts without whole numbers, then with them.
"""
PART = 1e-3
"""How far from whole a number is that is not whole."""


@dataclass(frozen=True, slots=True)
class PartCut:
    """``terms >= low`` (SI terms, scaled as the objective), and the columns of the part."""

    terms: Terms
    low: float
    keys: tuple[Key, ...]


def parts_of(model: Model) -> list[np.ndarray]:
    """The columns of each part, the smallest part first, joining rows left out."""
    root = np.arange(len(model.columns))

    def top(column: int) -> int:
        while root[column] != column:
            root[column] = root[root[column]]
            column = int(root[column])
        return column

    for row in model.rows:
        if row.columns and not row.name.startswith(JOINING):
            first = top(row.columns[0])
            for column in row.columns[1:]:
                root[top(column)] = first
    tops = np.array([top(column) for column in range(len(root))])
    found = [np.nonzero(tops == one)[0] for one in np.unique(tops)]
    return sorted(found, key=len)


class Parts:
    """The parts of a relaxation that states all flows."""

    def __init__(self, relaxation: Relaxation, settings: Settings, clock: Clock) -> None:
        self._relaxation, self._settings, self._clock = relaxation, settings, clock
        columns = relaxation.model.columns
        self._whole = np.array([column.integer for column in columns], dtype=bool)
        self._of = np.zeros(len(columns), dtype=np.int64)
        """The part of each column."""
        self._parts = parts_of(relaxation.model)
        for number, part in enumerate(self._parts):
            self._of[part] = number

    def cuts(self, last: Optimum, nodes: int, ends: float | None) -> list[PartCut]:
        """What the small parts add at an optimum, each within some nodes of the solver."""
        relaxation, found = self._relaxation, list[PartCut]()
        inner, weights = self._priced(last)
        little = WORTH * abs(self._relaxation.solver_model.scaled(last.bound))
        for number, part in enumerate(self._parts):
            whole = part[self._whole[part]]
            broken = np.abs(last.point[whole] - np.round(last.point[whole])) > PART
            small = len(part) <= min(BOUND.part_columns, 0.5 * len(self._of))
            if not small or not broken.any() or not weights[part].any():
                continue
            left = None if ends is None else ends - time.perf_counter()
            if self._clock.interrupted or (left is not None and left < BOUND.least_seconds):
                break
            rows = [row for row, at in zip(relaxation.rows, inner, strict=False) if at == number]
            rows += [row for row in relaxation.spare.rows if self._part_of(row) == number]
            low = self._least(part, rows, weights[part], last.point, nodes, little, ends)
            now = float(weights[part] @ last.point[part])
            if low - now < little:
                continue
            terms: Terms = [
                (float(weights[c]) / relaxation.units[c], relaxation.model.columns[c].key)
                for c in part
                if weights[c]
            ]
            keys = tuple(relaxation.model.columns[c].key for c in part)
            found.append(PartCut(terms, low - SPARE * little / WORTH, keys))
        return found

    def _priced(self, last: Optimum) -> tuple[list[int], Floats]:
        """The part of each row (-1: it joins parts), and what columns cost with joining rows."""
        weights, inner = self._relaxation.costs.copy(), list[int]()
        rows = self._relaxation.rows[: len(last.duals)]
        for row, dual in zip(rows, last.duals.tolist(), strict=True):
            inner.append(self._part_of(row))
            if dual and inner[-1] < 0:
                weights[list(row.columns)] -= dual * np.array(row.coefficients)
        return inner, weights

    def _part_of(self, row: Row) -> int:
        """The part that all columns of a row are of, or -1."""
        parts = self._of[list(row.columns)]
        return int(parts[0]) if len(parts) and (parts == parts[0]).all() else -1

    def _least(
        self,
        part: np.ndarray,
        rows: Sequence[Row],
        weights: Floats,
        relaxed: np.ndarray,
        nodes: int,
        little: float,
        ends: float | None,
    ) -> float:
        """A bound of what a part costs at the least, cut where its points break cuts.

        ``relaxed``: the point of the whole. ``little``: what is not worth another round.
        """
        relaxation = self._relaxation
        inside = {int(column): n for n, column in enumerate(part)}
        program = Model()
        for c in part:
            column = relaxation.model.columns[c]
            low, high = column.low * column.unit, column.high * column.unit
            program.variable(column.key, low, high, column.unit, column.integer)

        def of_part(row: Row) -> Row:
            return replace(row, columns=tuple(inside[column] for column in row.columns))

        program.rows = [of_part(row) for row in rows]
        solver = SolverModel(program, lambda values, tolerance: [], self._settings, self._clock)
        solver.aim_at(dict(enumerate(weights.tolist())))
        solver.solver.relax(True)
        bound, whole = -math.inf, False
        for turn in range(ROUNDS):
            left = None if ends is None else ends - time.perf_counter()
            if left is not None and left < BOUND.least_seconds:
                break
            # with a cutoff, if an endless one, points are not looked for
            solved = solver.run(
                time_limit=left, node_limit=nodes, gap=self._settings.gap, cutoff=math.inf
            )
            found = solver.unscaled(solved.bound)
            before, bound = bound, bound if found is None else max(bound, found)
            if whole or solved.point is None:
                break
            point = relaxed.copy()
            point[part] = solved.point
            broken = [
                row
                for row in relaxation.broken_at(point)
                if row.columns and all(column in inside for column in row.columns)
            ]
            relaxation.add(broken)
            solver.add([of_part(row) for row in broken])
            whole = bound - before < little or not broken or turn == ROUNDS - 2
            solver.solver.relax(not whole)
        return bound
