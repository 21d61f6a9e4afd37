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

A build may collect more by ``p`` at a price: a pipe has one build in one direction, so what is laid
on it falls short of what is collected there by no more than the largest excess of any of its
builds, and the row holds with n plus these excesses, summed over the pipes, on its right side.

The bound has the rows of the model in which pipes are only a burden, without pipes (rows in which
they are not are left out; both relax), what leaves an origin and comes to an end in balance, and
carrying rows. Rows for any number of weights hold together, so that turns only add some. The best
weights are duals of a program with flow along paths (:mod:`allocator.search.bounds.path_program`):
with them this is the bound of the multicommodity relaxation with all threshold cuts, where one
limit alone rules (linear programming duality). That program has some paths at first. Its duals
know nothing of the others, so each turn lowers them until the condition above holds, raises them
where a way is too cheap (dual ascent, :mod:`allocator.search.bounds.raising`), states the carrying
row of these weights, and adds the paths that are still too cheap. Duals of such a program leap
from turn to turn: the row is of a mean with those that last made the bound better (Wentges 1997,
from memory).
On very large sites, where a turn of that takes many seconds, subgradient steps come first.
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
from allocator.model.model import Key, Row, Terms
from allocator.model.rules import state_rules
from allocator.model.variables import declare
from allocator.search.bounds.arrays import Floats, network_arrays_of
from allocator.search.bounds.disaggregated import PipeLink
from allocator.search.bounds.multicommodity import given, origins_of, taken, takers
from allocator.search.bounds.path_columns import PathFormulation
from allocator.search.bounds.path_program import Carried, PathProgram, Prices, SharedLimit
from allocator.search.bounds.pipeless import PipelessModel, is_of_pipe
from allocator.search.bounds.raising import raised, region_paths
from allocator.search.bounds.regions import distances, lowered, packed_regions, regions_of
from allocator.search.bounds.relaxation import LOOSE, StoreCuts
from allocator.search.bounds.weight_steps import stepped
from allocator.search.strategy.budgets import BOUND
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

KEPT = 0.6
"""Share in a turn's prices of those that last made the bound better."""
NEAR_ENDS = 4
"""Ends of each origin, the nearest, to which a path is stated at first."""
OWN_PATHS, MEAN_PATHS = 2, 3
"""Paths of an origin that a turn adds, by the program's own prices and by their mean."""
LEAST_GAIN = 1e-9
"""Share of the limit that a kg/s must gain beyond its way for the path to be stated."""
CLOSE = 1e-5
"""Turns end when the bound is as near the value of the program without cuts left."""


class _Stated(NamedTuple):
    """A carrying row: its number in the solver, its scale, distances by end, and weights."""

    row: int
    scale: float
    ways: Floats
    weight: Floats


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
        self.clock, self._settings = clock, settings
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
        self._store_rows: list[Row] = []
        """Store cuts that were found here since the last turn."""
        self._stated: list[_Stated] | None = []
        """Carrying rows that may have a price; None when that is of no use any more."""
        self._carrying_rows = 0
        self.bound: float | None = None
        """The best so far (minimised, SI)."""
        clock.spend("build", time.perf_counter() - began)
        self._solver_model = SolverModel(self.model, lambda values, tolerance: [], settings, clock)
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
        plain = goals and not any(is_of_pipe(key) for _, key in goals[0].terms)
        return goals[0] if plain and self._cost.any() else None

    def run(self, ends: float | None, hear: Callable[[float], object]) -> None:
        """Turn by turn until a time of the clock; ``hear`` is called with better bounds."""
        goal = self.goal
        if goal is None:
            return
        self.state(self.even)
        self.solve(ends, hear)
        centre = self._stepped(ends, hear) if self._large else None
        self._stated, idle = None, 0
        program = self._program(goal)
        first = Prices(np.zeros(len(self._ends.node)), self.even, np.zeros(self.pipes))
        for prices in (first,) if centre is None else (first, centre):
            paths = region_paths(self._packed, prices.weight, prices.gain, -np.inf, NEAR_ENDS)
            program.add_paths(paths)
        for turn in itertools.count():
            if ends is None and turn >= BOUND.carrying_turns:
                return
            program.add_store_cuts(self._store_rows)
            self._store_rows = []
            own = program.prices(ends)
            if own is None:
                return
            self._solver_model.add(program.store_rows)
            program.store_rows = []
            began = time.perf_counter()
            mean = own if centre is None else own.toward(centre, KEPT)
            own, mean = self._raised(own), self._raised(mean)
            new = program.add_paths(
                region_paths(self._packed, own.weight, own.gain, LEAST_GAIN, OWN_PATHS)
            )
            self.clock.spend("multipliers", time.perf_counter() - began)
            before = self.bound
            for prices in (mean,) if new else (mean, own):
                self.state(prices.weight, prices.single)
            self.solve(ends, hear)
            if centre is None or self.bound != before:
                centre = mean
            if self._converged(program) or self.clock.interrupted or _over(ends):
                return
            program.add_paths(
                region_paths(self._packed, mean.weight, mean.gain, LEAST_GAIN, MEAN_PATHS)
            )
            gained = math.inf if before is None or self.bound is None else self.bound - before
            idle = idle + 1 if gained < BOUND.carrying_better * abs(self.bound or 0.0) else 0
            if idle > BOUND.carrying_idle:
                return

    @property
    def _large(self) -> bool:
        """Whether the program on paths takes so long that subgradient steps come before it."""
        return len(self.even) > BOUND.stepped_weights

    def _stepped(self, ends: float | None, hear: Callable[[float], object]) -> Prices | None:
        """Turns of subgradient steps while they improve the bound by much; the prices after them.

        Each turn states the rows of the best weights and of the mean of the later ones.
        """
        began = time.perf_counter()
        until = None if ends is None else began + BOUND.stepped * (ends - began)
        found, steps, idle, turn = None, BOUND.steps, 0, 0
        while (prices := self._prices()) is not None:
            found, before = prices, self.bound
            out = turn >= BOUND.stepped_turns if until is None else time.perf_counter() >= until
            if out or idle > BOUND.stepped_idle or self.clock.interrupted:
                break
            turn, began = turn + 1, time.perf_counter()
            weights = stepped(self._packed, prices.gain, self._cost, prices.weight, steps)
            self.clock.spend("multipliers", time.perf_counter() - began)
            for weight in weights:
                self.state(weight)
            self.solve(ends, hear)
            gained = math.inf if before is None or self.bound is None else self.bound - before
            late = gained < BOUND.stepped_better * abs(self.bound or 0.0)
            idle = idle + 1 if late else 0
            steps = min(4 * BOUND.steps, 2 * steps) if late else steps
        return found

    def _prices(self) -> Prices | None:
        """What ends are worth by the duals, and the mean of the weights by those of their rows."""
        assert self._stated is not None
        solver = self._solver_model.solver
        duals, reduced = solver.duals(), solver.reduced_costs()
        if len(duals) < solver.row_count:
            return None  # rows were added since
        priced = [(max(0.0, -float(duals[one.row])) / one.scale, one) for one in self._stated]
        # weights of a thousand origins are megabytes: what has no price is forgotten
        self._stated = [one for price, one in priced if price > 0.0]
        total = math.fsum(price for price, _ in priced)
        if total <= 0.0:
            return None
        rows = {row.name: number for number, row in enumerate(self.model.rows)}

        def dual(name: str) -> float:
            number = rows.get(name)
            return 0.0 if number is None else float(duals[number]) / self.model.rows[number].scale

        way, weight = np.zeros(len(self._ends.node)), np.zeros(len(self.even))
        for price, one in priced:
            way += price * one.ways
            weight += price / total * one.weight
        gain = np.full(len(self._ends.node), -np.inf)
        for carried in self._carried:
            number = self.model.index(carried.key)
            if carried.own:
                # what other rows than the source's own and the carrying rows pay for it
                worth = -float(reduced[number]) / self.model.columns[number].unit
                worth += max(0.0, -dual(carried.row)) + float(way[carried.end])
            else:
                worth = max(0.0, dual(carried.row))
            gain[carried.end] = max(gain[carried.end], worth / total)
        return Prices(gain, weight, np.zeros(self.pipes))

    def _program(self, goal: Goal) -> PathProgram:
        taken: Terms = []
        for _, kept, high in self.model.uses.values():
            taken += scaled(kept, 1.0 / high)
        return PathProgram(
            self.model,
            goal,
            self._carried,
            self._regions,
            SharedLimit(self._cost, taken, self._shares),
            self._store_cuts,
            self._settings,
            self.clock,
        )

    def _converged(self, program: PathProgram) -> bool:
        """Whether the bound is as good as it may become."""
        if self.bound is None or program.value is None or not program.settled:
            return False
        return program.value - self.bound <= CLOSE * abs(self.bound)

    @property
    def pipes(self) -> int:
        """How many pipes there are."""
        return int(self._net.pipe.max(initial=-1)) + 1

    def _costs_with(self, single: Floats) -> Floats:
        """What each build may collect where every pipe has an excess."""
        found: Floats = self._cost + np.repeat(single[self._net.pipe], np.diff(self._net.build))
        return found

    def _raised(self, prices: Prices) -> Prices:
        cost = self._costs_with(prices.single)
        weight = lowered(self._packed, cost, prices.weight)
        return prices._replace(weight=raised(self._packed, prices.gain, cost, weight))

    def state(self, weight: Floats, single: Floats | None = None) -> None:
        """A carrying row for some weights, lowered; ``single``: the excess of each pipe."""
        began = time.perf_counter()
        cost = self._cost if single is None else self._costs_with(single)
        excess = 0.0 if single is None else math.fsum(single.tolist())
        weight = lowered(self._packed, cost, weight)
        ways = np.where(self._reached, distances(self._packed, weight), 0.0)
        terms: Terms = [(float(ways[one.end]), one.key) for one in self._carried]
        for _, kept, high in self.model.uses.values():
            terms += scaled(kept, 1.0 / high)
        name = f"carrying[{self._carrying_rows}]"
        row = self.model.scaled_row(name, terms, high=self._shares + excess)
        if row is not None:
            self._carrying_rows += 1
            self._solver_model.add([row])
            if self._stated is not None:
                number = self._solver_model.solver.row_count - 1
                self._stated.append(_Stated(number, row.scale, ways, weight))
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
                rows = self._store_cuts(self.model, self._values(solved.point), LOOSE)
                if not rows or turn == BOUND.carrying_cuts or _over(ends):
                    self._take(solved.bound)
                    break
                self._store_rows += rows
                solver_model.add(rows)
        finally:
            solver.relax(False)
        if hear is not None and self.bound is not None and self.bound != before:
            hear(self.bound)

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


def _over(ends: float | None) -> bool:
    return ends is not None and time.perf_counter() >= ends
