"""What carrying takes of the stocks at the least, by origin and end: a bound without any pipes.

The multicommodity formulation has a flow for each origin on each pipe, too many at a thousand
sources. Here there are no pipes. Take rows ``r`` of the model in which laid builds use up a limit,
each divided by it, and add them up: laying build k of link d uses ``a[d,k]``, all else ``t``, and

    sum over d, k of a[d,k] * lay[d,k]  +  t  <=  n        (n: the number of rows).

Choose weights ``w[o,d] >= 0`` for each origin and link such that no build *collects* more than it
uses, with M_o the most that o can ever send:

    max {sum_o w[o,d] f_o : 0 <= f_o <= M_o, sum_o f_o <= capacity_k}  <=  a[d,k]      for all d, k.

Then in every plan, with g[o,e] sent from origin o to end e and D[o,e] the least sum of o's weights
along any way from o to e,

    sum over o, e of D[o,e] * g[o,e]  +  t  <=  n.                                  (carrying row)

Proof. Split the flow of a plan by origin as ``disaggregated.py`` does; no origin then has more on a
link than M_o, and all together no more than the capacity of the build that is laid there. So what
is laid on d uses no less than ``sum_o w[o,d] f[o,d]``. That sum over all links is, path by path, no
less than D times what the path carries. On the mean basis each way of a pipe is a link, and a pipe
is laid in one way.

The bound has the rows of the model in which pipes are only a burden, without pipes (rows in which
they are not are left out; both relax), what leaves an origin and comes to an end in balance, and
carrying rows. Rows for any number of weights hold together, so that turns only add some: the duals
of the linear program say what ends are worth, subgradient steps
(:mod:`allocator.search.bounds.regions`) find weights for these prices, and the weights are lowered
until the condition above holds. With the best weights this is the bound of the multicommodity
relaxation with all threshold cuts, where one limit alone rules (linear programming duality).
"""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.expressions import scaled
from allocator.model.goals import Goal, goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import INFINITY, Key, Model, Row, Terms
from allocator.model.rules import state_rules
from allocator.model.variables import declare
from allocator.search.bounds.arrays import Floats, network_arrays_of
from allocator.search.bounds.disaggregated import DROPPED, DROPPED_ROWS, PipeLink
from allocator.search.bounds.multicommodity import given, origins_of, taken, takers
from allocator.search.bounds.path_columns import PathFormulation
from allocator.search.bounds.regions import (
    distances,
    improved,
    lowered,
    packed_regions,
    regions_of,
)
from allocator.search.bounds.relaxation import LOOSE, StoreCuts
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

LAID = ("lay", "way")
STOCKS = ("stock[", "money_cap")
"""Rows of limits that laid builds use up."""
PART = 2.0
"""Share of the value by which a subgradient step tries to lower it, at first. Fitted to a generated
site of 100 sources: with 0.1 the bound stayed above 27 MW there, with this it came to 23.6 MW."""


class PipelessModel(Model):
    """A model that is stated without pipes. ``uses``: by row of a limit, what laid builds use."""

    def __init__(self, check: Callable[[], None] | None = None) -> None:
        super().__init__(check)
        self.uses: dict[str, tuple[dict[Key, float], Terms, float]] = {}

    def variable(self, key: Key, *given: float, **named: float) -> Key:
        """Add a variable; one of a pipe is left out."""
        return key if _of_pipe(key) else super().variable(key, *given, **named)  # type: ignore[arg-type]

    def row(
        self, name: str, terms: Terms, *, low: float = -INFINITY, high: float = INFINITY
    ) -> Row | None:
        """Add a row without pipes where they are a burden in it; else leave it out."""
        if name.startswith(DROPPED_ROWS):
            return None
        piped = [(value, key) for value, key in terms if _of_pipe(key)]
        if not piped:
            return super().row(name, terms, low=low, high=high)
        sign = 1.0 if low == -INFINITY else -1.0
        burden = all(sign * value >= 0.0 for value, _ in piped)
        if not burden or (low != -INFINITY and high != INFINITY):
            return None
        kept = [(value, key) for value, key in terms if not _of_pipe(key)]
        if name.startswith(STOCKS) and 0.0 < high < INFINITY:
            laid: dict[Key, float] = {}
            for value, key in piped:
                laid[key] = laid.get(key, 0.0) + value
            self.uses[name] = laid, kept, high
        return super().row(name, kept, low=low, high=high)

    def summed(self, terms: Terms) -> dict[int, float]:
        """Scaled coefficients by column; those of pipes are left out."""
        return super().summed([term for term in terms if not _of_pipe(term[1])])


def _of_pipe(key: Key) -> bool:
    return isinstance(key, tuple) and (key[0] in LAID or key[0] in DROPPED)


class Carried(NamedTuple):
    """Something sent to an end: its column, and the number of the end among all of its origin."""

    key: Key
    end: int
    row: str
    """What is taken there; the source's own row where this origin alone is collected there."""
    own: bool


class CarryingBound:
    """The bound of a site on one goal, better turn by turn."""

    def __init__(
        self, sets: IndexSets, settings: Settings, clock: Clock, store_cuts: StoreCuts
    ) -> None:
        began = time.perf_counter()
        self.sets = sets
        self.model = PipelessModel(clock.check)
        declare(self.model, self.sets)
        state_rules(self.model, self.sets)
        self.clock = clock
        self._store_cuts = store_cuts
        self._carried: list[Carried] = []
        links = tuple(_links(self.sets))
        self._shares = math.fsum(1.0 for _ in self.model.uses)
        self._cost = self._costs(links)
        ends = self._balances()
        origins = origins_of(self.sets)
        formulation = PathFormulation(self.model, links, origins, ends, 1.0)
        self._net, self._ends = network_arrays_of(formulation, self.sets)
        even = np.array(
            [
                min((self._cost[k] / self._net.capacity[k] for k in range(low, high)), default=0.0)
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
        self._weights: dict[int, Floats] = {}
        """Of the carrying rows that had a price of late, or are new."""
        self._ways: list[Floats] = []
        """Distances by end, of each carrying row that is stated."""
        self._carrying: list[int] = []
        """Their numbers in the solver, and the scale of each."""
        self._scales: list[float] = []
        self.bound: float | None = None
        """The best so far (minimised, SI)."""
        clock.spend("build", time.perf_counter() - began)
        self._solver_model = SolverModel(self.model, lambda values, tolerance: [], settings, clock)
        self._rows = {row.name: number for number, row in enumerate(self.model.rows)}
        self._row_count = len(self.model.rows)
        if self.goal is not None:
            self._solver_model.aim(self.goal)

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
        plain = goals and not any(_of_pipe(key) for _, key in goals[0].terms)
        return goals[0] if plain and self._cost.any() else None

    def run(self, ends: float | None, hear: Callable[[float], object]) -> None:
        """Turn by turn until a time of the clock; ``hear`` is called with better bounds."""
        if self.goal is None:
            return
        weights, steps, idle = [self.even], BOUND.carrying_steps, 0
        for turn in itertools.count():
            if ends is None and turn >= BOUND.carrying_turns:
                return
            for weight in weights:
                self.state(weight)
            before = self.bound
            prices = self.solve(ends)
            if self.bound is not None and self.bound != before:
                hear(self.bound)
            if prices is None:
                return
            gained = math.inf if before is None or self.bound is None else self.bound - before
            idle = idle + 1 if gained < BOUND.carrying_better * abs(self.bound or 0.0) else 0
            if idle > BOUND.carrying_idle or self.clock.interrupted or _over(ends):
                return
            steps = steps if idle == 0 else min(4 * BOUND.carrying_steps, 2 * steps)
            gain, start = prices
            began = time.perf_counter()
            weights = list(improved(self._packed, gain, self._cost, start, steps, PART))
            self.clock.spend("multipliers", time.perf_counter() - began)

    def state(self, weight: Floats) -> None:
        """A carrying row for some weights, lowered."""
        began = time.perf_counter()
        weight = lowered(self._packed, self._cost, weight)
        ways = np.where(self._reached, distances(self._packed, weight), 0.0)
        terms: Terms = [(float(ways[one.end]), one.key) for one in self._carried]
        for _, kept, high in self.model.uses.values():
            terms += scaled(kept, 1.0 / high)
        row = self.model.scaled_row(f"carrying[{len(self._ways)}]", terms, high=self._shares)
        if row is not None:
            self._weights[len(self._ways)] = weight
            self._ways.append(ways)
            self._carrying.append(self._row_count)
            self._scales.append(row.scale)
            self._add([row])
        self.clock.spend("multipliers", time.perf_counter() - began)

    def _add(self, rows: list[Row]) -> None:
        self._solver_model.add(rows)
        self._row_count += len(rows)

    def solve(self, ends: float | None) -> tuple[Floats, Floats] | None:
        """Solve, with store cuts; worth by end and weights to begin with, in shares of a limit."""
        solver_model = self._solver_model
        solver, prices = solver_model.solver, None
        solver.relax(True)
        try:
            for _ in range(BOUND.carrying_cuts):
                left = None if ends is None else ends - time.perf_counter()
                if left is not None and left <= 0.0:
                    break
                solved = solver_model.run(time_limit=left)
                if solved.status != Status.OPTIMAL or solved.point is None:
                    break
                self._take(solved.bound)
                prices = self._prices()
                rows = self._store_cuts(self.model, self._values(solved.point), LOOSE)
                if not rows:
                    break
                self._add(rows)
        finally:
            solver.relax(False)
        return prices

    def _take(self, value: float | None) -> None:
        safe = self._solver_model.solver.safe_bound()
        bound = self._solver_model.unscaled(value if safe is None else safe)
        if bound is not None and (self.bound is None or bound > self.bound):
            self.bound = bound

    def _values(self, point: np.ndarray) -> dict[Key, float]:
        columns = self.model.columns
        return {c.key: v * c.unit for c, v in zip(columns, point.tolist(), strict=True)}

    def _prices(self) -> tuple[Floats, Floats] | None:
        """What ends are worth by the duals, and the mean of the weights by those of their rows."""
        solver = self._solver_model.solver
        duals, reduced = solver.duals(), solver.reduced_costs()
        prices = np.array(
            [
                max(0.0, -float(duals[row])) / scale
                for row, scale in zip(self._carrying, self._scales, strict=True)
            ]
        )
        total = float(prices.sum())
        if total <= 0.0 or not any(prices[n] > 0.0 for n in self._weights):
            return None

        def dual(name: str) -> float:
            number = self._rows.get(name)
            return 0.0 if number is None else float(duals[number]) / self.model.rows[number].scale

        gain = np.full(len(self._ends.node), -np.inf)
        way = sum(price * ways for price, ways in zip(prices, self._ways, strict=True))
        assert isinstance(way, np.ndarray)
        for one in self._carried:
            number = self.model.index(one.key)
            if one.own:
                # what other rows than the source's own and the carrying rows pay for it
                worth = -float(reduced[number]) / self.model.columns[number].unit
                worth += max(0.0, -dual(one.row)) + float(way[one.end])
            else:
                worth = max(0.0, dual(one.row))
            gain[one.end] = max(gain[one.end], worth / total)
        # weights of a thousand origins are megabytes: what has no price is forgotten
        self._weights = {n: one for n, one in self._weights.items() if prices[n] > 0.0}
        known = math.fsum(prices[n] for n in self._weights)
        start = np.zeros(len(self.even))
        for n, one_weight in self._weights.items():
            start += prices[n] / known * one_weight
        return gain, start


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


def _over(ends: float | None) -> bool:
    return ends is not None and time.perf_counter() >= ends
