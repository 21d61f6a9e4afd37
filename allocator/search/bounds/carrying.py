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

Cover cuts (:mod:`.cover_cuts`) with prices m_c may be added to the limit first,

    sum over c of m_c * (sum of flows of c - sum over d, k of share[c,d,k] * lay[d,k])  <=  0:

what builds use is then ``a[d,k] - sum over c of m_c share[c,d,k]``, with an excess where that is
below 0, and an origin weighs m_c more on the link of each cut that it is in.

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

import numpy as np

from allocator.model.expressions import scaled
from allocator.model.goals import Goal
from allocator.model.model import Terms
from allocator.search.bounds.arrays import Floats
from allocator.search.bounds.carrying_rows import CarryingRows, LaidLimit, over
from allocator.search.bounds.cover_cuts import CoverFinder
from allocator.search.bounds.path_program import PathProgram, Prices, SharedLimit
from allocator.search.bounds.raising import raised, region_paths
from allocator.search.bounds.regions import lowered
from allocator.search.bounds.weight_steps import excess_by_pipe, stepped
from allocator.search.strategy.budgets import BOUND

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


class CarryingBound(CarryingRows):
    """The bound of a site on one goal, better turn by turn."""

    _program: PathProgram | None = None
    _centre: Prices | None = None

    def run(self, ends: float | None, hear: Callable[[float], object]) -> None:
        """Turn by turn until a time of the clock; ``hear`` is called with better bounds."""
        goal = self.goal
        if goal is None:
            return
        self.state(self._plain(np.zeros(len(self._ends.node)), self.even, np.zeros(self.pipes)))
        self.solve(ends, hear)
        if self._large:
            now = time.perf_counter()
            until = None if ends is None else now + BOUND.stepped * (ends - now)
            self._centre = self._stepped(until, ends, hear)
            if over(until):
                return
        self._program = program = self._path_program(goal)
        first = self._plain(np.zeros(len(self._ends.node)), self.even, np.zeros(self.pipes))
        for prices in (first,) if self._centre is None else (first, self._centre):
            paths = region_paths(self._packed, prices.taken, prices.gain, -np.inf, NEAR_ENDS)
            program.add_paths(paths)
        self.improve(ends, BOUND.carrying_turns if ends is None else None, hear)

    def improve(
        self,
        ends: float | None,
        turns: int | None,
        hear: Callable[[float], object] | None = None,
    ) -> None:
        """Turns, no more than some, until a time of the clock or until they gain little."""
        program, idle = self._program, 0
        if program is None:
            return
        for turn in itertools.count():
            if turn == turns:
                return
            program.add_store_cuts(self._store_rows)
            self._store_rows = []
            own = program.prices(ends)
            if own is None:
                return
            self._solver_model.add(program.store_rows)
            program.store_rows = []
            began = time.perf_counter()
            mean = own if self._centre is None else own.toward(self._centre, KEPT)
            own, mean = self._raised(own), self._raised(mean)
            new = program.add_paths(
                region_paths(self._packed, own.taken, own.gain, LEAST_GAIN, OWN_PATHS)
            )
            self.clock.spend("multipliers", time.perf_counter() - began)
            before = self.bound
            for prices in (mean,) if new else (mean, own):
                self.state(prices)
            self.solve(ends, hear)
            self._priced()
            if self._centre is None or self.bound != before:
                self._centre = mean
            if self._converged(program) or self.clock.interrupted or over(ends):
                return
            program.add_paths(
                region_paths(self._packed, mean.taken, mean.gain, LEAST_GAIN, MEAN_PATHS)
            )
            gained = math.inf if before is None or self.bound is None else self.bound - before
            idle = idle + 1 if gained < BOUND.carrying_better * abs(self.bound or 0.0) else 0
            if idle > BOUND.carrying_idle:
                return

    def change(self, limit: LaidLimit, centre: Prices | None) -> None:
        """Bound the plans of which another limit holds; begin near some prices."""
        self._centre = centre
        self.renew(limit)
        if self._program is not None:
            self._program.change(limit.cost, limit.shares)

    @property
    def centre(self) -> Prices | None:
        """Prices that last made the bound better."""
        return self._centre

    @property
    def laid(self) -> Floats:
        """By build, what the program on paths lays."""
        return np.zeros(len(self.limit.cost)) if self._program is None else self._program.laid

    @property
    def _large(self) -> bool:
        """Whether the program on paths takes so long that subgradient steps come before it."""
        return len(self.even) > BOUND.stepped_weights

    def _stepped(
        self, until: float | None, ends: float | None, hear: Callable[[float], object]
    ) -> Prices | None:
        """Turns of subgradient steps while they improve the bound by much; the prices after them.

        Each turn states the rows of the best weights and of the mean of the later ones. ``until``,
        ``ends``: times of the clock for the steps, and for all.
        """
        found, steps, idle, turn = None, BOUND.steps, 0, 0
        target = BOUND.first_target
        # what a store sends has come from others: what its ends are worth is not all its own
        priced = all(o.name.startswith("source:") for o in self._formulation.origins)
        while (prices := self._prices()) is not None:
            found, before = prices, self.bound
            out = turn >= BOUND.stepped_turns if until is None else over(until)
            if out or idle > BOUND.stepped_idle or self.clock.interrupted:
                break
            self._forget()
            began = time.perf_counter()
            cost, left = self.limit.cost, self._left()
            weights = stepped(
                self._packed, prices.gain, cost, left, prices.weight, steps, target, priced
            )
            self.clock.spend("multipliers", time.perf_counter() - began)
            for weight in weights:
                # lowered by what is beyond the cost, ways would be shorter: that costs more
                excess = excess_by_pipe(self._packed, cost, weight)
                self.state(self._plain(prices.gain, weight, excess))
            self.solve(ends, hear)
            turn += 1
            gained = math.inf if before is None or self.bound is None else self.bound - before
            late = gained < BOUND.stepped_better * abs(self.bound or 0.0)
            idle = idle + 1 if late else 0
            steps = min(4 * BOUND.steps, 2 * steps) if late else steps
            target = max(BOUND.least_target, BOUND.target_falls * target)
        return found

    def _prices(self) -> Prices | None:
        """What ends are worth by the duals, and means of weights and excesses by those of rows."""
        priced = self._priced()
        if priced is None:
            return None
        solver = self._solver_model.solver
        duals, reduced = solver.duals(), solver.reduced_costs()
        total = math.fsum(price for price, _ in priced)
        if total <= 0.0:
            return None
        rows = {row.name: number for number, row in enumerate(self.model.rows)}

        def dual(name: str) -> float:
            number = rows.get(name)
            return 0.0 if number is None else float(duals[number]) / self.model.rows[number].scale

        way, weight = np.zeros(len(self._ends.node)), np.zeros(len(self.even))
        single = np.zeros(self.pipes)
        for price, one in priced:
            way += price * one.ways
            weight += price / total * one.weight
            single += price / total * one.single
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
        return self._plain(gain, weight, single)

    def _path_program(self, goal: Goal) -> PathProgram:
        taken: Terms = []
        for _, kept, high in self.model.uses.values():
            taken += scaled(kept, 1.0 / high)
        return PathProgram(
            self.model,
            goal,
            self._carried,
            CoverFinder(self._net, self._regions),
            SharedLimit(self.limit.cost, taken, self.limit.shares),
            self._store_cuts,
            self._settings,
            self.clock,
        )

    def _converged(self, program: PathProgram) -> bool:
        """Whether the bound is as good as it may become."""
        if self.bound is None or program.value is None or not program.settled:
            return False
        return program.value - self.bound <= CLOSE * abs(self.bound)

    def _raised(self, prices: Prices) -> Prices:
        cost, _ = self._costs_with(prices)
        weight = lowered(self._packed, cost, prices.weight)
        weight = raised(self._packed, prices.gain, cost, weight, prices.extra)
        return prices._replace(weight=weight)

    def _plain(self, gain: Floats, weight: Floats, single: Floats) -> Prices:
        """Prices without cover cuts."""
        return Prices(gain, weight, single, np.zeros(len(weight)), np.zeros(len(self.limit.cost)))
