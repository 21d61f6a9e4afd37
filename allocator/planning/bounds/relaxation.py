"""A statement by origin with its solver: cut round by round, priced where flows are left out."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from allocator.planning.bounds.lean import Duct, flow_key, lean_statement, lean_terms
from allocator.planning.bounds.origins import Origin, takers
from allocator.planning.bounds.pricing import Priced, Slack, completed
from allocator.planning.bounds.thresholds import Threshold, broken_thresholds, threshold_row
from allocator.planning.choices import Arc, Choices
from allocator.planning.clock import Clock
from allocator.planning.goals import Goal
from allocator.planning.program import Program
from allocator.planning.settings import Settings
from allocator.planning.statement import Key, Row, Statement

CUT_ROUNDS = 100
LOOSE = 1e-5
"""A cut that is broken by less than this share of what it speaks of is not worth a row."""
AGREES = 1e-5
"""Reduced costs worked out from the duals may differ from the solver's by this at the most."""

StoreCuts = Callable[[Statement, Mapping[Key, float], float], list[Row]]


@dataclass(frozen=True)
class Optimum:
    """One solved relaxation: value (minimised, SI), columns, reduced costs and duals (scaled)."""

    bound: float
    point: np.ndarray
    reduced: np.ndarray
    duals: np.ndarray


@dataclass(frozen=True)
class Tariff:
    """What the rows of a duct charge: one price for all, and one for the origins of each cut."""

    duct: Duct
    capacity: float
    cuts: list[tuple[Threshold, float]]

    def charge(self, origin: str) -> float:
        """The charge on an origin's flow."""
        return self.capacity + math.fsum(price for cut, price in self.cuts if origin in cut.origins)


class Relaxation:
    """A statement by origin, on all flows or on those that are allowed."""

    def __init__(
        self,
        full: Statement,
        choices: Choices,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
        allowed: Mapping[str, set[Arc]] | None = None,
    ) -> None:
        began = time.perf_counter()
        self._full, self._choices, self._store_cuts = full, choices, store_cuts
        self.lean = lean_statement(full, choices, allowed)
        self.statement = self.lean.statement
        clock.spend("build", time.perf_counter() - began)
        self.program = Program(self.statement, lambda values, tolerance: [], settings, clock)
        self.units = np.array([column.unit for column in self.statement.columns])
        self.last: Optimum | None = None
        self.thresholds: list[Threshold] = []
        self.store_rows: list[Row] = []
        self._ducts = {duct.name: duct for duct in self.lean.ducts}
        self._labels: list[tuple[str | Threshold, float]] = []
        """What each row of the solver's model is, and its scale."""
        for row in self.statement.rows:
            sides = 1 if row.low == row.high else int(np.isfinite([row.low, row.high]).sum())
            self._labels += [(row.name, row.scale)] * sides

    def aim(self, goal: Goal) -> None:
        """Make a goal of the program the objective."""
        terms = lean_terms(self.lean, self._choices, goal.terms)
        self.program.aim(replace(goal, terms=terms))
        self.last = None

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep a goal of the program between two values (SI)."""
        terms = lean_terms(self.lean, self._choices, goal.terms)
        row = self.statement.scaled_row(f"held[{goal.name}]", terms, low=low, high=high)
        if row is not None and row.columns:
            self.add([row])

    def add(self, rows: list[Row]) -> None:
        """Add rows for good."""
        self.program.add(rows)
        self._labels += [(row.name, row.scale) for row in rows]

    def add_store_cuts(self, rows: list[Row]) -> None:
        """Add store cuts, which every statement by origin of the program shares."""
        self.store_rows += rows
        self.add(rows)

    def add_thresholds(self, cuts: list[Threshold]) -> None:
        """Add threshold cuts."""
        for cut in cuts:
            row = threshold_row(self.statement, self._ducts[cut.duct], cut)
            if row is not None:
                self.thresholds.append(cut)
                self.program.add([row])
                self._labels.append((cut, row.scale))

    def cut(self, ends: float | None) -> bool:
        """Solve and cut until nothing is broken by much (True), or a time of the clock (False)."""
        solver = self.program.solver
        solver.relax(True)
        try:
            for _ in range(CUT_ROUNDS):
                left = None if ends is None else ends - time.perf_counter()
                if left is not None and left <= 0.0:
                    return False
                solved = self.program.run(time_limit=left)
                bound = self.program.unscaled(solved.bound)
                if solved.point is None or bound is None:
                    return False
                duals = solver.duals() if hasattr(solver, "duals") else np.zeros(0)
                self.last = Optimum(bound, solved.point, solver.reduced_costs(), duals)
                store_rows, thresholds = self._broken(solved.point)
                if not store_rows and not thresholds:
                    return True
                self.add_store_cuts(store_rows)
                self.add_thresholds(thresholds)
            return False
        finally:
            solver.relax(False)

    def _broken(self, point: np.ndarray) -> tuple[list[Row], list[Threshold]]:
        began = time.perf_counter()
        # Not by_key, which rounds: the point of a relaxation is not whole.
        keys = (column.key for column in self.statement.columns)
        values = dict(zip(keys, (point * self.units).tolist(), strict=True))
        rows = self._store_cuts(self.statement, values, LOOSE)
        thresholds = broken_thresholds(self.lean.ducts, values, LOOSE)
        self.program.clock.spend("cuts", time.perf_counter() - began)
        return rows, thresholds

    def priced(self) -> Priced | None:
        """What the flows left out can add to the last optimum; the lack is in the goal's SI.

        None where the duals do not give the reduced costs that the solver tells: then nothing is
        known.
        """
        if self.last is None or len(self.last.duals) != len(self._labels):
            return None
        rows: dict[str, float] = {}
        cuts: dict[str, list[tuple[Threshold, float]]] = {}
        for (label, scale), dual in zip(self._labels, self.last.duals.tolist(), strict=True):
            if isinstance(label, Threshold):
                cuts.setdefault(label.duct, []).append((label, max(0.0, -dual / scale)))
            else:
                rows[label] = rows.get(label, 0.0) + dual / scale
        tariffs = {
            duct.name: Tariff(
                duct, max(0.0, -rows.get(f"capacity[{duct.name}]", 0.0)), cuts.get(duct.name, [])
            )
            for duct in self.lean.ducts
        }
        origins = self.lean.origins
        worth = {o.name: self._worth(o, rows) for o in origins}
        by_arc = self._ducts_by_arc()
        if not self._agree(worth, self._charged(tariffs, by_arc)):
            return None
        found = completed(
            origins,
            self.lean.arcs,
            worth,
            {o.name: self._sinks(o, rows) for o in origins},
            self._charged(tariffs, by_arc),
            self._slacks(by_arc),
        )
        lack = self.program.unscaled(found.lack)
        assert lack is not None
        return replace(found, lack=lack)

    def _worth(self, origin: Origin, rows: Mapping[str, float]) -> dict[str, float]:
        places = {origin.place, *origin.ends}
        for arc in self.lean.held[origin.name]:
            places |= {arc.start, arc.end}
        names = {p: f"balance[{origin.fluid},{origin.name},{p}]" for p in places}
        return {p: max(0.0, rows[name]) for p, name in names.items() if name in rows}

    def _sinks(self, origin: Origin, rows: Mapping[str, float]) -> dict[str, float]:
        if all(isinstance(key, tuple) and key[0] == "collect" for _, key in origin.out):
            return {}
        fluid = origin.fluid
        return {
            place: max(0.0, rows.get(f"taken[{fluid},{place}]", 0.0))
            for place in takers(self._choices, fluid)
        }

    def _ducts_by_arc(self) -> dict[str, dict[Arc, Duct]]:
        at = {(duct.pipe, duct.start): duct for duct in self.lean.ducts}
        found: dict[str, dict[Arc, Duct]] = {}
        for fluid, arcs in self._choices.arcs.items():
            for arc in arcs:
                pipe = (arc.route, fluid)
                duct = at.get((pipe, arc.start), at.get((pipe, None)))
                if duct is not None:
                    found.setdefault(fluid, {})[arc] = duct
        return found

    def _charged(
        self, tariffs: Mapping[str, Tariff], by_arc: Mapping[str, Mapping[Arc, Duct]]
    ) -> dict[str, dict[Arc, float]]:
        return {
            origin.name: {
                arc: tariffs[by_arc[origin.fluid][arc].name].charge(origin.name)
                for arc in self.lean.arcs[origin.name]
            }
            for origin in self.lean.origins
        }

    def _agree(
        self, worth: Mapping[str, dict[str, float]], charged: Mapping[str, dict[Arc, float]]
    ) -> bool:
        assert self.last is not None
        worst = 0.0
        for origin in self.lean.origins:
            own = worth[origin.name]
            for arc in self.lean.held[origin.name]:
                number = self.statement.index(flow_key(origin, arc))
                cost = own.get(arc.start, 0.0) - own.get(arc.end, 0.0) + charged[origin.name][arc]
                told = self.last.reduced[number] / self.units[number]
                worst = max(worst, abs(cost - told) / max(1.0, abs(told)))
        return worst <= AGREES

    def _slacks(self, by_arc: Mapping[str, Mapping[Arc, Duct]]) -> dict[str, dict[Arc, Slack]]:
        """Reduced costs of builds that charges may be taken from; those of lay serve both ways."""
        assert self.last is not None
        reduced = self.last.reduced

        def free(key: Key) -> float:
            return max(0.0, float(reduced[self.statement.index(key)]))

        made: dict[str, Slack] = {}
        found: dict[str, dict[Arc, Slack]] = {}
        for fluid, arcs in by_arc.items():
            for arc, duct in arcs.items():
                if duct.name not in made:
                    left = []
                    for _, key in duct.builds:
                        assert isinstance(key, tuple)
                        room = free(key)
                        if key[0] == "way":
                            _, route, _, build, _ = key
                            room += free(("lay", route, build, fluid))
                        left.append(room)
                    capacities = tuple(capacity for capacity, _ in duct.builds)
                    made[duct.name] = Slack(str(duct.pipe), capacities, left)
                found.setdefault(fluid, {})[arc] = made[duct.name]
        return found
