"""The pipeless model with carrying rows in it (:mod:`allocator.search.bounds.carrying`)."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.expressions import scaled
from allocator.model.goals import Goal, goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Row, Terms
from allocator.model.rules import state_rules
from allocator.model.variables import declare
from allocator.model.ways import way
from allocator.search.bounds.arrays import Floats, arcs_by_number, network_arrays_of
from allocator.search.bounds.disaggregated import PipeLink
from allocator.search.bounds.multicommodity import given, origins_of, taken, takers
from allocator.search.bounds.path_columns import PathFormulation
from allocator.search.bounds.path_program import Carried, Prices
from allocator.search.bounds.pipeless import PipelessModel, is_of_pipe
from allocator.search.bounds.reducer import CarriedNetwork, CarryingPrices
from allocator.search.bounds.regions import distances, lowered, packed_regions, regions_of
from allocator.search.bounds.relaxation import LOOSE, StoreCuts
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel


class _Stated(NamedTuple):
    """A carrying row: its number in the solver and scale, distances by end, weights, excesses.

    Weights are megabytes, so in single precision: the row is that of these very figures.
    ``extra``, ``spent``: of cover cuts, as :class:`Prices` has them; None where there are none.
    """

    row: int
    scale: float
    ways: Floats
    weight: NDArray[np.float32]
    single: Floats
    extra: Floats | None
    spent: Floats | None


class LaidLimit(NamedTuple):
    """What laid builds take from the limit, by build, and how much there is.

    A build that may not be laid has a cost of ``NEVER``. What a build that must be laid costs at
    the least may be taken from both.
    """

    cost: Floats
    shares: float


class CarryingRows:
    """The bound by the rows that are stated."""

    def __init__(
        self, sets: IndexSets, settings: Settings, clock: Clock, store_cuts: StoreCuts
    ) -> None:
        began = time.perf_counter()
        self.sets = sets
        self.model = PipelessModel(clock.check)
        declare(self.model, self.sets)
        state_rules(self.model, self.sets)
        self.clock, self._settings = clock, settings
        self._store_cuts = store_cuts
        self._carried: list[Carried] = []
        links = tuple(_links(self.sets))
        self.limit = LaidLimit(self._costs(links), math.fsum(1.0 for _ in self.model.uses))
        cost = self.limit.cost
        ends = self._balances()
        origins = origins_of(self.sets)
        self._formulation = PathFormulation(self.model, links, origins, ends, 1.0)
        self._net, self._ends = network_arrays_of(self._formulation, self.sets)
        even = np.array(
            [
                min((cost[k] / self._net.capacity[k] for k in range(low, high)), default=0.0)
                for low, high in zip(self._net.build[:-1], self._net.build[1:], strict=True)
            ]
        )
        self._regions = regions_of(self._net, self._ends, even)
        self._packed = packed_regions(self._regions)
        self.even = even[self._regions.slot_link]
        self._reached = np.isfinite(distances(self._packed, self.even))
        for one in self._carried:
            if not one.own and not self._reached[one.end]:
                self.model.close(one.key)
        self._store_rows: list[Row] = []
        """Store cuts that were found here since the last turn."""
        self._stated: list[_Stated] = []
        """Carrying rows that may have a price."""
        self._carrying_rows: list[int] = []
        """The numbers of all in the solver."""
        self._point: np.ndarray | None = None
        """The last solution."""
        self.bound: float | None = None
        """The best so far (minimised, SI)."""
        clock.spend("build", time.perf_counter() - began)
        self._solver_model = SolverModel(self.model, lambda values, tolerance: [], settings, clock)
        if self.goal is not None:
            self._solver_model.aim(self.goal)

    def renew(self, limit: LaidLimit) -> None:
        """Begin anew, with another limit and the store cuts that were found."""
        self._solver_model.solver.remove_rows(self._carrying_rows)
        self.limit, self.bound = limit, None
        self._stated, self._carrying_rows = [], []

    def _costs(self, links: tuple[PipeLink, ...]) -> Floats:
        """What each build of the links uses, all limits together."""
        total: dict[Key, float] = {}
        for laid, _, high in self.model.uses.values():
            for key, value in laid.items():
                total[key] = total.get(key, 0.0) + value / high
        return np.array([total.get(key, 0.0) for link in links for _, key in link.builds])

    def _balances(self) -> dict[str, dict[str, str]]:
        """State what leaves origins and comes to ends; the ends of each origin."""
        model, sets = self.model, self.sets
        ends: dict[str, dict[str, str]] = {}
        arriving: dict[tuple[str, str], Terms] = {}
        for fluid in sets.fluid_shapes:
            for place in takers(sets, fluid):
                arriving[fluid, place] = []
        number = 0
        for origin in origins_of(sets):
            mine = ends.setdefault(origin.name, {})
            own = f"source_capacity[{origin.name.removeprefix('source:')}]"
            for place, terms in origin.ends.items():
                mine[f"end[{origin.name},{place}]"] = place
                self._carried += [Carried(key, number, own, True) for _, key in terms]
                number += 1
            if not origin.supplies:
                continue
            collected = {key for terms in origin.ends.values() for _, key in terms}
            home: Terms = [(value, key) for value, key in origin.out if key not in collected]
            for (fluid, place), listed in arriving.items():
                if fluid != origin.fluid:
                    continue
                mine[f"taken[{fluid},{place}]"] = place
                key = model.variable(("carried", origin.name, place))
                self._carried.append(Carried(key, number, f"taken[{fluid},{place}]", False))
                listed.append((1.0, key))
                home.append((-1.0, key))
                number += 1
            model.row(f"home[{origin.name}]", home, low=0.0)
        for fluid in sets.fluid_shapes:
            for place, terms in takers(sets, fluid).items():
                listed = arriving[fluid, place]
                model.row(f"taken[{fluid},{place}]", listed + scaled(terms, -1.0), low=0.0)
            for shape in sets.fluid_shapes[fluid]:
                every: Terms = given(sets, fluid, shape)
                for terms in taken(sets, fluid, shape).values():
                    every = every + scaled(terms, -1.0)
                model.row(f"shape[{fluid},{shape}]", every, low=0.0)
        return ends

    @property
    def goal(self) -> Goal | None:
        """The first goal; None where pipes have a part in it, or use up no limit."""
        goals = goals_of(self.model, self.sets)
        plain = goals and not any(is_of_pipe(key) for _, key in goals[0].terms)
        return goals[0] if plain and self.limit.cost.any() else None

    def _priced(self) -> list[tuple[float, _Stated]] | None:
        """Carrying rows with their prices; those without one are forgotten: they are megabytes.

        None where rows were added since the last solve.
        """
        duals = self._solver_model.solver.duals()
        if len(duals) < self._solver_model.solver.row_count:
            return None
        priced = [(max(0.0, -float(duals[one.row])) / one.scale, one) for one in self._stated]
        self._stated = [one for price, one in priced if price > 0.0]
        return [entry for entry in priced if entry[0] > 0.0]

    def _forget(self) -> None:
        """Take rows without a price from the solver where they are many: it has each in full.

        To be called after ``_priced``; the solver has no duals then until it has solved again.
        """
        kept = {one.row for one in self._stated}
        gone = [number for number in self._carrying_rows if number not in kept]
        if len(gone) < BOUND.idle_rows:
            return
        self._solver_model.solver.remove_rows(gone)
        fewer = np.searchsorted(gone, self._carrying_rows).tolist()
        number_of = dict(zip(self._carrying_rows, fewer, strict=True))
        self._stated = [one._replace(row=one.row - number_of[one.row]) for one in self._stated]
        self._carrying_rows = [n - number_of[n] for n in self._carrying_rows if n in kept]

    @property
    def pipes(self) -> int:
        """How many pipes there are."""
        return int(self._net.pipe.max(initial=-1)) + 1

    def _costs_with(self, prices: Prices) -> tuple[Floats, Floats]:
        """What each build may collect, and the excess of each pipe that this takes."""
        pipe = np.repeat(self._net.pipe, np.diff(self._net.build))
        cost = self.limit.cost - prices.spent
        single = prices.single.copy()
        np.maximum.at(single, pipe, -cost)  # what cover cuts spend of a build beyond its cost
        found: Floats = np.maximum(0.0, cost + single[pipe])
        return found, single

    def state(self, prices: Prices) -> None:
        """A carrying row for some prices, their weights lowered."""
        began = time.perf_counter()
        cost, single = self._costs_with(prices)
        stored = single_precision(lowered(self._packed, cost, prices.weight))
        covers = bool(prices.spent.any())
        taken = stored.astype(np.float64) + prices.extra
        ways = np.where(self._reached, distances(self._packed, taken), 0.0)
        terms: Terms = [(float(ways[one.end]), one.key) for one in self._carried]
        for _, kept, high in self.model.uses.values():
            terms += scaled(kept, 1.0 / high)
        name = f"carrying[{len(self._carrying_rows)}]"
        most = self.limit.shares + math.fsum(single.tolist())
        row = self.model.scaled_row(name, terms, high=most)
        if row is not None:
            self._solver_model.add([row])
            number = self._solver_model.solver.row_count - 1
            self._carrying_rows.append(number)
            extra, spent = (prices.extra, prices.spent) if covers else (None, None)
            self._stated.append(_Stated(number, row.scale, ways, stored, single, extra, spent))
        self.clock.spend("multipliers", time.perf_counter() - began)

    def solve(self, ends: float | None, hear: Callable[[float], object] | None = None) -> None:
        """Solve, with store cuts, for a better bound; ``hear`` is told where there is one."""
        solver_model, before = self._solver_model, self.bound
        solver = solver_model.solver
        solver.relax(True)
        try:
            for turn in range(1, BOUND.carrying_cuts + 1):
                left = None if ends is None else ends - time.perf_counter()
                if left is not None and left <= 0.0:
                    break
                solved = solver_model.run(time_limit=left)
                if solved.status != Status.OPTIMAL or solved.point is None:
                    break
                self._point = solved.point
                rows = self._store_cuts(self.model, self._values(solved.point), LOOSE)
                if not rows or turn == BOUND.carrying_cuts or over(ends):
                    self._take(solved.bound)
                    break
                self._store_rows += rows
                solver_model.add(rows)
        finally:
            solver.relax(False)
        if hear is not None and self.bound is not None and self.bound != before:
            hear(self.bound)

    def alone(self) -> CarryingPrices | None:
        """What the carrying row with the highest price proves by itself; None where none has one.

        The other rows are given up for it.
        """
        priced = self._priced()
        if not priced:
            return None
        best = max(priced, key=lambda entry: entry[0])[1]
        solver_model, solver = self._solver_model, self._solver_model.solver
        for number in self._carrying_rows:
            if number != best.row:
                solver.bound_row(number, -math.inf, math.inf)
        solver.relax(True)
        solved = solver_model.run()
        solver.relax(False)
        safe, step = solver.safe_bound(), solver_model.unscaled(1.0)
        bound = solver_model.unscaled(solved.bound if safe is None else safe)
        price = max(0.0, -float(solver.duals()[best.row])) / best.scale
        if solved.status != Status.OPTIMAL or bound is None or step is None or price <= 0.0:
            return None
        costs = np.maximum(0.0, solver.reduced_costs())
        reduced = np.full(len(self._ends.node), np.inf)
        for one in self._carried:
            number = self.model.index(one.key)
            cost = float(costs[number]) / self.model.columns[number].unit
            reduced[one.end] = min(reduced[one.end], cost / price)
        taken: Terms = []
        for _, kept, high in self.model.uses.values():
            taken += scaled(kept, 1.0 / high)
        weight = best.weight.astype(np.float64)
        return CarryingPrices(
            bound,
            price * step,
            self.limit.cost if best.spent is None else self.limit.cost - best.spent,
            weight,
            weight if best.extra is None else weight + best.extra,
            best.single,
            best.ways,
            reduced,
            taken,
            self.limit.shares,
        )

    def network(self) -> CarriedNetwork:
        """What reductions need of the site."""
        formulation = self._formulation
        laid, ways = [], []
        for link in formulation.links:
            route, fluid = link.pipe
            for _, key in link.builds:
                laid.append(key)
                if link.start is not None and isinstance(key, tuple):
                    ways.append(way(route, link.start, str(key[2]), fluid))
        return CarriedNetwork(
            self._regions,
            laid,
            ways,
            arcs_by_number(formulation, self.sets),
            [origin.name for origin in formulation.origins],
            [list(formulation.ends[origin.name].values()) for origin in formulation.origins],
        )

    def _left(self) -> float:
        """What the last solution leaves of the limit for pipes."""
        point, taken = self._point, 0.0
        if point is not None:
            for _, kept, high in self.model.uses.values():
                summed = self.model.summed(scaled(kept, 1.0 / high))
                taken += math.fsum(value * float(point[c]) for c, value in summed.items())
        return max(0.0, self.limit.shares - taken)

    def _take(self, value: float | None) -> None:
        safe = self._solver_model.solver.safe_bound()
        bound = self._solver_model.unscaled(value if safe is None else safe)
        if bound is not None and (self.bound is None or bound > self.bound):
            self.bound = bound

    def _values(self, point: np.ndarray) -> dict[Key, float]:
        columns = self.model.columns
        return {c.key: v * c.unit for c, v in zip(columns, point.tolist(), strict=True)}


def _links(sets: IndexSets) -> list[PipeLink]:
    """Pipes, or on the mean basis each way of them, with builds by what is laid."""
    found = []
    for (route, fluid), pipe in sets.pipes.items():
        builds = sorted((sets.site.capacity(route, b, fluid), b) for b in pipe.builds)
        keys = tuple((capacity, ("lay", route, b, fluid)) for capacity, b in builds)
        starts = [arc.start for arc in sets.arcs_along(route, fluid)] if sets.lossless else [None]
        for start in starts:
            name = f"{route},{fluid},{start}"
            found.append(PipeLink(name, (), keys, (route, fluid), start))
    return found


def single_precision(weight: Floats) -> NDArray[np.float32]:
    """Weights in single precision, none of them larger: then no build collects more."""
    near = weight.astype(np.float32)
    return np.where(near > weight, np.nextafter(near, np.float32(0.0)), near)


def over(ends: float | None) -> bool:
    return ends is not None and time.perf_counter() >= ends
