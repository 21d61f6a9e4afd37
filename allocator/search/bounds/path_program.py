"""The program that carrying rows are duals of, on paths that are stated as they are needed.

What goes from an origin to an end is a sum of flows along paths of the origin's region. The builds
``lay[d,k]`` of the links that they use take from one limit, one build a pipe:

    paths through d                      <=  sum over k of capacity_k * lay[d,k]        for all d,
    paths of origins A through d         <=  sum over k of min(capacity_k, M(A)) * lay[d,k],
    paths of origins A through d         <=  sum over builds of several links of share * lay,
    sum over builds of a pipe of lay     <=  1,
    sum of cost[d,k] * lay[d,k]  +  t    <=  n       (see :mod:`allocator.search.bounds.carrying`).

The second are threshold cuts (``disaggregated.py``), the third cover cuts (:mod:`.cover_cuts`),
both stated where they are broken. With some paths alone this bounds nothing. Its duals, in shares
of the price of the limit, are weights of links by origin, what ends are worth, what it is worth
that a pipe has one build alone, and prices of cover cuts: carrying rows are made of these, whatever
they are.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.goals import Goal
from allocator.model.model import INFINITY, Key, Model, Row, Terms
from allocator.search.bounds.arrays import Floats, Ints
from allocator.search.bounds.cover_cuts import CoverCut, CoverFinder
from allocator.search.bounds.raising import broken_cuts
from allocator.search.bounds.regions import packed_regions
from allocator.search.bounds.relaxation import LOOSE, StoreCuts
from allocator.solver.interface import Highs
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

CUT_ROUNDS = 3
"""Solves between two rounds of pricing."""
FIRST_LOOSE, FINER = 0.1, 0.25
"""A threshold cut is not worth a row at first where it is broken by less than this share of what it
speaks of; where none is, so many times as little counts. Cuts broken by little are of no use later,
and each makes the program slower."""
COVER_LOOSE = 0.01
"""A cover cut is worth a row where it is broken by more than this share, or by a smaller one that
is enough for threshold cuts by then."""
MANY = 0.05
"""Share of new columns from which on the primal simplex method is quicker. At 300 sources the first
ten turns take 9 s with it for 16 s, later ones half as long with the dual method."""
NEVER = 1e6
"""Cost of a build that may not be laid, in shares of the limit."""
LEAST_PRICE = 1e-12
"""Price of the limit, as a share of the objective, below which it counts for nothing."""


class Carried(NamedTuple):
    """Something sent to an end: its column, and the number of the end among all of its origin."""

    key: Key
    end: int
    row: str
    """What is taken there; the source's own row where this origin alone is collected there."""
    own: bool


class Prices(NamedTuple):
    """What duals say, in shares of the limit's price: by end, by slot, and by pipe.

    ``gain``: what flow is worth at an end; ``weight``: what a link takes; ``single``: what it is
    worth that a pipe has one build alone. Of cover cuts ``extra``, by slot, what a link takes more,
    and ``spent``, by build, what that takes from the cost of builds.
    """

    gain: Floats
    weight: Floats
    single: Floats
    extra: Floats
    spent: Floats

    @property
    def taken(self) -> Floats:
        """What a link takes in all, by slot."""
        found: Floats = self.weight + self.extra
        return found

    def toward(self, other: Prices, share: float) -> Prices:
        """So much of the way to others."""
        mixed = [(1.0 - share) * mine + share * its for mine, its in zip(self, other, strict=True)]
        return Prices(*mixed)


class SharedLimit(NamedTuple):
    """What builds take from (``cost`` by build), what else takes from it, and how much there is."""

    cost: Floats
    taken: Terms
    shares: float


class _Cut(NamedTuple):
    """A threshold cut: its row in the solver, the scale of that, and its slots.

    ``cover``: it is a cover cut, of these builds.
    """

    row: int
    scale: float
    slots: Ints
    cover: CoverCut | None = None


class PathProgram:
    """The program on the paths that it was given, and on the links that these use.

    ``base``: a model without pipes, whose rows are kept; ``carried``: its columns that paths stand
    for; ``covers``: finds the cover cuts of its regions.
    """

    def __init__(
        self,
        base: Model,
        goal: Goal,
        carried: Sequence[Carried],
        covers: CoverFinder,
        limit: SharedLimit,
        store_cuts: StoreCuts,
        settings: Settings,
        clock: Clock,
    ) -> None:
        began = time.perf_counter()
        self._base, self._carried, self._covers = base, carried, covers
        self._regions = regions = covers.regions
        self._packed = packed_regions(regions)
        self._cost, self._store_cuts = limit.cost, store_cuts
        self.model = model = Model(clock.check)
        for column in base.columns:
            low, high = column.low * column.unit, column.high * column.unit
            model.variable(column.key, low, high, column.unit)
        for one in carried:
            model.close(one.key)  # paths stand for it
        made = model.scaled_row("limit", limit.taken, high=limit.shares)
        row = Row("limit", (), (), -INFINITY, limit.shares) if made is None else made
        self._limit, self._limit_scale = len(base.rows), row.scale
        model.rows = [*base.rows, row]
        clock.spend("build", time.perf_counter() - began)
        self._solver_model = SolverModel(model, lambda values, tolerance: [], settings, clock)
        assert isinstance(self._solver_model.solver, Highs)
        self._solver = self._solver_model.solver
        self._solver_model.aim(goal)
        self._rows = len(model.rows)
        self._begin_carried(goal)
        self._laid_column = np.full(len(regions.capacity), -1, dtype=np.int64)
        """By build: its column; by link and by pipe: their rows. -1: not stated yet."""
        self._link_row = np.full(len(regions.pipe), -1, dtype=np.int64)
        self._pipe_row = np.full(int(regions.pipe.max(initial=-1)) + 1, -1, dtype=np.int64)
        self._link_scale = np.ones(len(regions.pipe))
        self._known: set[tuple[int, tuple[int, ...]]] = set()
        self._path_carried: list[int] = []
        """By path: the number of what it carries, and its column."""
        self._path_column: list[int] = []
        self._path_slot: list[int] = []
        """Slot by slot of all paths, and the path of each."""
        self._slot_path: list[int] = []
        self._through: dict[int, list[int]] = {}
        """By slot: the paths that use it."""
        self._paths_of: list[list[int]] = [[] for _ in carried]
        self._cuts: dict[int, list[_Cut]] = {}
        """Threshold and cover cuts by link."""
        self.store_rows: list[Row] = []
        """Store cuts that were found here and not taken yet."""
        self._loose = FIRST_LOOSE
        """As ``LOOSE``, of threshold cuts."""
        self._solved = 0
        """Columns of the last solve."""
        self.settled = False
        """Whether the last solve broke no cut by much."""
        self.value: float | None = None
        """Of the last solve (minimised, SI)."""
        self._point: Floats = np.zeros(0)

    def _begin_carried(self, goal: Goal) -> None:
        """Entries of the columns that paths stand for, in rows and in the objective."""
        model = self.model
        columns = [model.index(one.key) for one in self._carried]
        self._number = {column: n for n, column in enumerate(columns)}
        self._units = np.array([model.columns[column].unit for column in columns])
        self._end = np.array([one.end for one in self._carried], dtype=np.int64)
        self._by_end: dict[int, list[int]] = {}
        for n, one in enumerate(self._carried):
            self._by_end.setdefault(one.end, []).append(n)
        sign = -1.0 if goal.maximise else 1.0
        costs = model.summed(goal.terms)
        self._costs = np.array(
            [self._solver_model.scaled(sign * costs.get(c, 0.0)) for c in columns]
        )
        self._entries: list[list[tuple[int, float]]] = [[] for _ in columns]
        self._entry: tuple[list[float], ...] = ([], [], [])
        """Number, row and coefficient of all entries."""
        for number, row in enumerate(model.rows):
            self._enter(number, row)

    def _enter(self, number: int, row: Row) -> None:
        for column, value in zip(row.columns, row.coefficients, strict=True):
            n = self._number.get(column)
            if n is not None:
                self._entries[n].append((number, value))
                for listed, new in zip(self._entry, (n, number, value), strict=True):
                    listed.append(new)

    def add_paths(self, paths: tuple[Ints, Ints, Ints]) -> int:
        """State more paths (ends, where the slots of each begin, slots); how many were new."""
        ends, first, slots = (part.tolist() for part in paths)
        new = []
        for end, low, high in zip(ends, first[:-1], first[1:], strict=True):
            path = tuple(slots[low:high])
            for n in self._by_end.get(end, ()):
                if (n, path) not in self._known:
                    self._known.add((n, path))
                    new.append((n, path))
        used = self._regions.slot_link[[slot for _, path in new for slot in path]]
        self._open(np.unique(used[self._link_row[used] < 0]).tolist())
        entries = [self._state(n, path) for n, path in new]
        columns = self.model.columns[len(self.model.columns) - len(new) :]
        self._solver.add_columns(columns, entries, [float(self._costs[n]) for n, _ in new])
        return len(new)

    def _open(self, links: Sequence[int]) -> None:
        """State some links: their builds, what they carry, and that a pipe has one build."""
        regions = self._regions
        columns, entries = [], []
        for link in links:
            pipe = int(regions.pipe[link])
            if self._pipe_row[pipe] < 0:
                self._pipe_row[pipe] = self._rows
                self._add(Row(f"pipe[{pipe}]", (), (), -INFINITY, 1.0))
            builds = range(int(regions.build[link]), int(regions.build[link + 1]))
            capacity = regions.capacity[builds.start : builds.stop]
            middle = math.sqrt(float(capacity.min(initial=1.0)) * float(capacity.max(initial=0.0)))
            scale = 2.0 ** round(math.log2(middle)) if middle > 0.0 else 1.0
            self._link_scale[link] = scale
            self._link_row[link] = self._rows
            self._add(Row(f"link[{link}]", (), (), -INFINITY, 0.0, scale))
            for k in builds:
                self._laid_column[k] = len(self.model.columns)
                self.model.variable(("laid", k), high=0.0 if self._cost[k] >= NEVER else INFINITY)
                columns.append(self.model.columns[-1])
                rows = [self._limit, self._link_row[link], self._pipe_row[pipe]]
                takes = 0.0 if self._cost[k] >= NEVER else self._cost[k] / self._limit_scale
                values = [takes, -regions.capacity[k] / scale, 1.0]
                entries.append((np.array(rows, dtype=np.int32), np.array(values)))
        self._solver.add_columns(columns, entries)

    def _state(self, n: int, path: tuple[int, ...]) -> tuple[np.ndarray, Floats]:
        """Declare a path; its rows and coefficients."""
        unit, number = float(self._units[n]), len(self._path_carried)
        self._path_column.append(len(self.model.columns))
        self.model.variable(("path", number), unit=unit)
        self._path_carried.append(n)
        self._paths_of[n].append(number)
        rows = [row for row, _ in self._entries[n]]
        values = [value for _, value in self._entries[n]]
        for slot in path:
            link = int(self._regions.slot_link[slot])
            rows.append(int(self._link_row[link]))
            values.append(unit / float(self._link_scale[link]))
            for cut in self._cuts.get(link, ()):
                if slot in cut.slots:
                    rows.append(cut.row)
                    values.append(unit / cut.scale)
            self._path_slot.append(slot)
            self._slot_path.append(number)
            self._through.setdefault(slot, []).append(number)
        return np.array(rows, dtype=np.int32), np.array(values)

    def add_store_cuts(self, rows: Sequence[Row]) -> None:
        """Add store cuts of the base model."""
        for row in rows:
            columns, values = [], []
            for column, value in zip(row.columns, row.coefficients, strict=True):
                n = self._number.get(column)
                if n is None:
                    columns.append(column)
                    values.append(value)
                else:
                    for path in self._paths_of[n]:
                        columns.append(self._path_column[path])
                        values.append(value)
            self._enter(self._rows, row)
            made = replace(row, columns=tuple(columns), coefficients=tuple(values))
            self._add(made)

    def change(self, cost: Floats, shares: float) -> None:
        """Another cost of each build, and another limit; a build of a cost of ``NEVER`` is shut."""
        self._cost = cost
        self._solver.bound_row(self._limit, -INFINITY, shares / self._limit_scale)
        stated = np.nonzero(self._laid_column >= 0)[0]
        columns = self._laid_column[stated]
        high = np.where(cost[stated] < NEVER, INFINITY, 0.0)
        self._solver.bounds(columns, np.zeros(len(columns)), high)
        takes = np.where(cost[stated] < NEVER, cost[stated], 0.0) / self._limit_scale
        self._solver.coefficients(self._limit, columns, takes)

    @property
    def laid(self) -> Floats:
        """By build, what the last solution lays."""
        stated = (self._laid_column >= 0) & (self._laid_column < len(self._point))
        found: Floats = np.zeros(len(stated))
        found[stated] = self._point[self._laid_column[stated]]
        return found  # what was opened since then is not laid

    def _add(self, row: Row) -> None:
        self._solver_model.add([row])
        self._rows += 1

    def prices(self, ends: float | None) -> Prices | None:
        """Solve and cut a few times; what its duals say, None where the limit has no price.

        ``ends``: a time of the clock, after which there are none.
        """
        for turn in range(CUT_ROUNDS):
            left = None if ends is None else ends - time.perf_counter()
            if left is not None and left <= 0.0:
                return None
            # many new columns leave the last point feasible; else the last duals are nearly so
            columns = len(self.model.columns)
            self._solver.use_primal(columns - self._solved > MANY * columns)
            self._solved = columns
            solved = self._solver_model.run(time_limit=left)
            if solved.status != Status.OPTIMAL or solved.point is None:
                return None
            self.value, self._point = self._solver_model.unscaled(solved.bound), solved.point
            self.settled = False
            if turn + 1 == CUT_ROUNDS:
                break
            if not self._cut_off(solved.point, turn):
                self.settled = self._loose <= LOOSE
                self._loose = max(LOOSE, FINER * self._loose)
                break
        return self._prices()

    def _cut_off(self, point: np.ndarray, turn: int) -> bool:
        """Add cuts that a point breaks; False where there are none.

        Store cuts, which take long to find, in the first turn and where nothing else is broken.
        """
        began = time.perf_counter()
        regions = self._regions
        laid = np.where(self._laid_column < 0, 0.0, np.maximum(0.0, point[self._laid_column]))
        carried = np.array(self._path_carried, dtype=np.int64)
        amount = np.maximum(0.0, point[self._path_column]) * self._units[carried]
        on_slot = amount[np.array(self._slot_path, dtype=np.int64)]
        slots = np.array(self._path_slot, dtype=np.int64)
        flow = np.bincount(slots, weights=on_slot, minlength=len(regions.slot_link)).astype(float)
        links, first, chosen = broken_cuts(self._packed, flow, laid, self._loose)
        rows: list[Row] = []
        if turn == 0 or len(links) == 0:
            sums = np.bincount(carried, weights=amount, minlength=len(self._carried)).astype(float)
            rows = self._store_cuts(self._base, self._values(point, sums), LOOSE)
            self.store_rows += rows
            self.add_store_cuts(rows)
        for link, low, high in zip(links.tolist(), first[:-1], first[1:], strict=True):
            self._add_threshold(link, chosen[low:high])
        covers: list[CoverCut] = []
        if len(links) == 0:
            covers = self._covers.broken(
                flow, laid, self._main(amount), min(COVER_LOOSE, self._loose)
            )
        for cover in covers:
            self._add_cover(cover)
        self._solver_model.clock.spend("cuts", time.perf_counter() - began)
        return bool(rows or covers) or len(links) > 0

    def _main(self, amount: Floats) -> dict[int, list[int]]:
        """By slot that is used, the path that uses it most, from its home; ``amount`` by path."""
        found: dict[int, tuple[float, int]] = {}
        ways: dict[int, list[int]] = {}
        for slot, path in zip(self._path_slot, self._slot_path, strict=True):
            if amount[path] > 0.0:
                ways.setdefault(path, []).insert(0, slot)
                if slot not in found or amount[path] > found[slot][0]:
                    found[slot] = float(amount[path]), path
        return {slot: ways[path] for slot, (_, path) in found.items()}

    def _add_cover(self, cover: CoverCut) -> None:
        regions = self._regions
        links = np.unique(np.searchsorted(regions.build, cover.builds, side="right") - 1)
        self._open([link for link in links.tolist() if self._link_row[link] < 0])
        terms: Terms = [
            (1.0, ("path", path))
            for slot in cover.slots.tolist()
            for path in self._through.get(slot, ())
        ]
        shares = zip(cover.shares.tolist(), cover.builds.tolist(), strict=True)
        terms += [(-share, ("laid", k)) for share, k in shares]
        link = int(regions.slot_link[cover.slots[0]])
        row = self.model.scaled_row(f"cover[{link}]", terms, high=0.0)
        if row is not None:
            self._cuts.setdefault(link, []).append(_Cut(self._rows, row.scale, cover.slots, cover))
            self._add(row)

    def _values(self, point: np.ndarray, sums: Floats) -> dict[Key, float]:
        """Values (SI) of the base model's columns: those that are carried are sums of paths."""
        columns = self._base.columns
        listed = zip(columns, point[: len(columns)].tolist(), strict=True)
        values = {column.key: value * column.unit for column, value in listed}
        for one, value in zip(self._carried, sums.tolist(), strict=True):
            values[one.key] = value
        return values

    def _add_threshold(self, link: int, slots: Ints) -> None:
        regions, model = self._regions, self.model
        together = float(regions.most[regions.slot_origin[slots]].sum())
        terms: Terms = [
            (1.0, ("path", path)) for slot in slots.tolist() for path in self._through.get(slot, ())
        ]
        for k in range(int(regions.build[link]), int(regions.build[link + 1])):
            terms.append((-min(float(regions.capacity[k]), together), ("laid", k)))
        row = model.scaled_row(f"threshold[{link}]", terms, high=0.0)
        if row is not None:
            self._cuts.setdefault(link, []).append(_Cut(self._rows, row.scale, slots))
            self._add(row)

    def _prices(self) -> Prices | None:
        regions, duals = self._regions, self._solver.duals()
        price = -float(duals[self._limit]) / self._limit_scale
        if price <= LEAST_PRICE:
            return None
        by_link = np.where(self._link_row < 0, 0.0, -duals[self._link_row]) / self._link_scale
        weight = np.maximum(0.0, by_link)[regions.slot_link]
        extra, spent = np.zeros(len(weight)), np.zeros(len(regions.capacity))
        for cuts in self._cuts.values():
            for cut in cuts:
                if cut.row < len(duals) and duals[cut.row] < 0.0:
                    paid = -float(duals[cut.row]) / cut.scale
                    (weight if cut.cover is None else extra)[cut.slots] += paid
                    if cut.cover is not None:
                        spent[cut.cover.builds] += paid * cut.cover.shares
        single = np.where(self._pipe_row < 0, 0.0, np.maximum(0.0, -duals[self._pipe_row]))
        number, row = (np.array(part, dtype=np.int64) for part in self._entry[:2])
        known = row < len(duals)  # rows that were added since have none
        each = np.array(self._entry[2])[known] * duals[row[known]]
        worth = np.bincount(number[known], weights=each, minlength=len(self._costs))
        gain = np.full(len(regions.end_node), -np.inf)
        np.maximum.at(gain, self._end, (worth - self._costs) / self._units)
        return Prices(*(part / price for part in (gain, weight, single, extra, spent)))
