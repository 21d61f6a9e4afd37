"""A path formulation with its solver: cut round by round, given new path columns in place."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.clock import Clock
from allocator.model.goals import Goal
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Row
from allocator.search.bounds.arrays import EndArrays, Floats, network_arrays_of
from allocator.search.bounds.disaggregated import PipeLink
from allocator.search.bounds.multipliers import cheapest_paths
from allocator.search.bounds.packed import packed_ends, packed_net
from allocator.search.bounds.path_columns import (
    PathColumn,
    capacity_row,
    home_row,
    path_formulation,
    without_flow,
)
from allocator.search.bounds.relaxation import LOOSE, StoreCuts
from allocator.search.bounds.thresholds import Threshold, broken_thresholds, threshold_row
from allocator.solver.interface import Highs
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

CUT_ROUNDS = 3
"""Solves between two rounds of pricing: path columns and cuts are found together."""

NEAR_ENDS = 4
"""Ends of each origin, the nearest, to which a path column is stated at first."""
AGREES = 1e-5
"""Reduced costs worked out from the duals may differ from the solver's by this at most."""


@dataclass(frozen=True)
class Duals:
    """What a solved relaxation says; scaled as the objective, else SI.

    ``bound``: its value, which bounds nothing yet. ``gains``: by origin and end, worth there less
    worth at home. ``multipliers``: by origin and link. ``cost``: by build of the links in turn,
    what its use costs in the relaxation and its reduced cost.
    """

    bound: float
    gains: EndArrays
    multipliers: Floats
    cost: Floats


@dataclass(frozen=True, slots=True)
class _CutRow:
    """A threshold cut, its row in the solver, and the scale of that."""

    cut: Threshold
    row: int
    scale: float


class ColumnGeneration:
    """The relaxation of the path formulation of a model, on the path columns that it was given."""

    def __init__(
        self,
        full: Model,
        sets: IndexSets,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
    ) -> None:
        began = time.perf_counter()
        self._store_cuts = store_cuts
        self.formulation = path_formulation(full, sets)
        self.model = self.formulation.model
        self.net, self._ends = network_arrays_of(self.formulation, sets)
        clock.spend("build", time.perf_counter() - began)
        self.solver_model = SolverModel(self.model, lambda values, tolerance: [], settings, clock)
        assert isinstance(self.solver_model.solver, Highs)
        self._solver = self.solver_model.solver
        self.store_rows: list[Row] = []
        self.settled = False
        """Whether the last solve broke no cut by much."""
        self._units = [column.unit for column in self.model.columns]
        self._link = {link.name: number for number, link in enumerate(self.formulation.links)}
        self._origin = {origin.name: n for n, origin in enumerate(self.formulation.origins)}
        self._cuts: dict[int, list[_CutRow]] = {}
        """Threshold cuts by link."""
        self._row: dict[str, tuple[int, float]] = {}
        """Row in the solver and scale, by name."""
        self._rows = 0
        for row in self.model.rows:
            self._row[row.name] = (self._rows, row.scale)
            self._rows += 1
        self._builds = [key for link in self.formulation.links for _, key in link.builds]
        self._closed = np.zeros(len(self._builds), dtype=bool)
        # flow that is used where it begins, and the shortest paths of all others
        length = [sets.site.routes[link.pipe[0]].length for link in self.formulation.links]
        near = np.tile(np.array(length), (len(self.formulation.origins), 1))
        self.add_paths(self._nearest(near))

    @property
    def thresholds(self) -> list[Threshold]:
        """The threshold cuts that were found."""
        return [listed.cut for some in self._cuts.values() for listed in some]

    def aim(self, goal: Goal) -> None:
        """Make a goal of the model the objective."""
        self.solver_model.aim(replace(goal, terms=without_flow(goal.terms)))

    def hold(self, goal: Goal, low: float, high: float) -> None:
        """Keep a goal of the model between two values (SI)."""
        terms = without_flow(goal.terms)
        row = self.model.scaled_row(f"held[{goal.name}]", terms, low=low, high=high)
        if row is not None and row.columns:
            self._add([row])

    def close(self, keys: Iterable[Key] | None) -> int:
        """Lay some builds no more (None: lay all again); how many were new."""
        chosen = set(self._builds if keys is None else keys)
        wanted = np.array([key in chosen for key in self._builds], dtype=bool)
        columns = [self.model.columns[self.model.index(key)] for key in self._builds]
        new = wanted & (self._closed if keys is None else ~self._closed)
        new &= np.array([column.low <= 0.0 for column in columns], dtype=bool)
        numbers = np.nonzero(new)[0]
        highs = [columns[n].high if keys is None else 0.0 for n in numbers]
        places = np.array([self.model.index(self._builds[n]) for n in numbers], dtype=np.int64)
        self._solver.bounds(places, np.zeros(len(numbers)), np.array(highs))
        self._closed[new] = keys is not None
        return len(numbers)

    @property
    def closed(self) -> set[Key]:
        """The builds that are laid no more."""
        return {self._builds[n] for n in np.nonzero(self._closed)[0]}

    def _add(self, rows: list[Row]) -> None:
        self.solver_model.add(rows)
        self._rows += len(rows)

    def add_paths(self, paths: Iterable[PathColumn]) -> int:
        """State more path columns, in place; how many were new."""
        unit = self.formulation.unit
        columns, entries = [], []
        for path in paths:
            if path in self.formulation.known:
                continue
            self.formulation.take(path)
            self._units.append(unit)
            columns.append(self.model.columns[-1])
            rows, values = [], []
            for name, coefficient in self.formulation.rows_of(path):
                number, scale = self._row[name]
                rows.append(number)
                values.append(coefficient * unit / scale)
            for number in path.links:
                for listed in self._cuts.get(number, ()):
                    if path.origin in listed.cut.origins:
                        rows.append(listed.row)
                        values.append(unit / listed.scale)
            entries.append((np.array(rows, dtype=np.int32), np.array(values)))
        self._solver.add_columns(columns, entries)
        return len(columns)

    def cut(self, ends: float | None) -> Duals | None:
        """Solve, cut what is broken, a few times; the last duals, None where there are none.

        ``ends``: a time of the clock.
        """
        self._solver.relax(True)
        found = None
        try:
            for turn in range(CUT_ROUNDS):
                left = None if ends is None else ends - time.perf_counter()
                if left is not None and left <= 0.0:
                    break
                solved = self.solver_model.run(time_limit=left)
                if solved.point is None or solved.bound is None:
                    break
                found = self._duals(solved.bound)
                # rows do not change the duals that were read, and are there for the next solve
                self.settled = not self._cut_off(solved.point)
                if self.settled or turn + 1 == CUT_ROUNDS:
                    break
        finally:
            self._solver.relax(False)
        return found

    def _cut_off(self, point: np.ndarray) -> bool:
        """Add cuts that a point breaks; False where there are none."""
        began = time.perf_counter()
        keys = (column.key for column in self.model.columns)
        values = dict(zip(keys, (point * np.array(self._units)).tolist(), strict=True))
        rows = self._store_cuts(self.model, values, LOOSE)
        thresholds = broken_thresholds(self.formulation.loaded_links(), values, LOOSE)
        self.solver_model.clock.spend("cuts", time.perf_counter() - began)
        self.store_rows += rows
        self._add(rows)
        for cut in thresholds:
            number = self._link[cut.link]
            row = threshold_row(self.model, self.formulation.loaded(number), cut)
            if row is not None:
                self._cuts.setdefault(number, []).append(_CutRow(cut, self._rows, row.scale))
                self._add([row])
        return bool(rows or thresholds)

    def _duals(self, bound: float) -> Duals | None:
        """The duals of the last solve; None where they do not give its reduced costs."""
        duals, reduced = self._solver.duals(), self._solver.reduced_costs()
        origins, links = self.formulation.origins, self.formulation.links

        def of(name: str) -> float:
            number, scale = self._row[name]
            return float(duals[number]) / scale

        gains = []
        for origin in origins:
            home = max(0.0, of(home_row(origin.name)))
            gains += [max(0.0, of(end)) - home for end in self.formulation.ends[origin.name]]
        prices = [max(0.0, -of(capacity_row(link))) for link in links]
        multipliers = np.tile(np.array(prices), (len(origins), 1))
        cost = []
        for number, (link, price) in enumerate(zip(links, prices, strict=True)):
            paid = [capacity * price for capacity, _ in link.builds]
            for listed in self._cuts.get(number, ()):
                more = max(0.0, -float(duals[listed.row]) / listed.scale)
                if more > 0.0:
                    payers = [self._origin[name] for name in listed.cut.origins]
                    multipliers[payers, number] += more
                    together = math.fsum(float(self.net.most[o]) for o in payers)
                    for k, (capacity, _) in enumerate(link.builds):
                        paid[k] += more * min(capacity, together)
            for already, (_, key) in zip(paid, link.builds, strict=True):
                cost.append(already + self._free(key, reduced, link))
        if not self._agree(gains, multipliers, reduced):
            return None
        # what is not laid may collect whatever it likes
        costs = np.where(self._closed, np.inf, np.array(cost))
        return Duals(bound, self._ends._replace(gain=np.array(gains)), multipliers, costs)

    def _free(self, key: Key, reduced: np.ndarray, link: PipeLink) -> float:
        """The reduced cost of a build, with that of the pipe's build where it is one way."""

        def of(key: Key) -> float:
            number = self.model.index(key)
            return max(0.0, float(reduced[number]) / self._units[number])

        assert isinstance(key, tuple)
        if key[0] != "way":
            return of(key)
        route, fluid = link.pipe
        return of(key) + of(("lay", route, key[3], fluid))

    def _agree(self, gains: list[float], multipliers: Floats, reduced: np.ndarray) -> bool:
        names = [
            (o.name, end) for o in self.formulation.origins for end in self.formulation.ends[o.name]
        ]
        gain = dict(zip(names, gains, strict=True))
        for path in self.formulation.known:
            number = self.model.index(path.key)
            multiplier = float(multipliers[self._origin[path.origin], list(path.links)].sum())
            reported = float(reduced[number]) / self._units[number]
            cost = multiplier - gain[path.origin, path.end]
            if abs(cost - reported) > AGREES * max(1.0, abs(reported)):
                return False
        return True

    def _nearest(self, length: Floats) -> list[PathColumn]:
        everywhere = self._ends._replace(gain=np.zeros(len(self._ends.node)))
        return self.paths_by(everywhere, length, -math.inf, NEAR_ENDS)

    def paths_by(
        self, gains: EndArrays, multipliers: Floats, least: float, count: int
    ) -> list[PathColumn]:
        """Cheapest paths to ends where an origin gains ``least`` or more beyond the multipliers.

        At most ``count`` ends an origin, those with the most gain.
        """
        found = []
        net, ends = packed_net(self.net), packed_ends(gains)
        for number, origin in enumerate(self.formulation.origins):
            first, arcs, gain = cheapest_paths(net, ends, multipliers, number)
            listed = []
            for n, end in enumerate(self.formulation.ends[origin.name]):
                if gain[n] >= least and np.isfinite(gain[n]):
                    walk = self.net.link[arcs[first[n] : first[n + 1]]][::-1]
                    listed.append((-gain[n], PathColumn(origin.name, end, tuple(walk.tolist()))))
            listed.sort(key=lambda entry: (entry[0], entry[1].end))
            found += [path for _, path in listed[:count]]
        return found
