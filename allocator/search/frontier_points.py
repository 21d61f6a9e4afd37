"""The trade-off between firm power and one scarce thing, point by point, on one model.

The epsilon-constraint method (Y. Y. Haimes, L. S. Lasdon, D. A. Wismer, 1971): most power under a
cap on the scarce thing, then the least of it for that power, for caps from one end to the other.
Cap and floor are bounds of two variables of the model, so nothing is built again, every cut
stays, and each point starts from the one before, which every larger cap allows, or from candidates
under its own cap (a stock of less), where that is better.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import overload

import numpy as np

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import Goal
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.model import Key, Model, Terms
from allocator.model.pressures import booster_load
from allocator.model.rules.power import served
from allocator.model.rules.stock import counted_emission, material_use, money
from allocator.model.stating import offered, state
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.binding import binding_constraints
from allocator.search.clean_up import cleaned_up
from allocator.search.deadline import Deadline
from allocator.search.found import GoalFound, gap_of
from allocator.search.goal_search import NEAR_GAP
from allocator.search.lexicographic import solve_goal
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.network import first_service
from allocator.search.paths.repair import CandidatePool, candidate_pool_of
from allocator.search.plan_of_point import plan_at
from allocator.search.state import HELD, SearchState, value_at
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.site.records import Site
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

BOOSTER_POWER = "booster_power"
"""What is given where power of boosters is: their draw at peak, added up, W."""
DUST = 10.0
"""Times the scale of what is given, below which it is 0."""
POWER_DUST = 1000.0
"""Times the scale of power, a millionth of what is demanded, below which it is 0: the cap gives way
by its own tolerance, and what that much is worth is no power."""
CAP: Key = ("cap",)
FLOOR: Key = ("floor",)


@dataclass(frozen=True, slots=True)
class Point:
    """One point: ``given`` of the scarce thing (SI) and ``power``, W; the most power that any plan

    could have with no more of it (``bound``); why the search stopped. ``end``: ``least``, ``most``
    or empty. ``least_given``: no less of it gives that power, or the most is not known."""

    given: float
    power: float
    bound: float | None
    gap: float | None
    status: str
    least_given: float | None
    end: str
    plan: Plan


@dataclass
class _Trade:
    """The model between its cap and its floor."""

    site: Network
    settings: Settings
    search_state: SearchState
    sets: IndexSets
    power: Goal
    scarce: Goal

    def paths(self, cap: float) -> CandidatePool | None:
        """The path search of the site with no more of the material than a cap.

        None where no material is given, or where paths do not apply (few sources, another goal).
        """
        material = self.site.materials.get(self.scarce.name)
        if material is None:
            return None
        stock = cap if material.stock is None else min(cap, material.stock)
        materials = {**self.site.materials, material.name: replace(material, stock=stock)}
        sets = offered(
            replace(self.site, materials=materials), self.settings.basis, self.settings.robustness
        )
        if first_service(sets) != self.power.name:
            return None
        return candidate_pool_of(sets, self.settings, self.search_state.solver_model.clock, None)

    def begin_by_paths(self, cap: float, limit: float | None) -> None:
        """Begin from candidates under a cap, where they have more power than the point so far."""
        search_state, solver_model = self.search_state, self.search_state.solver_model
        pool = self.paths(cap)
        if pool is None or not pool.ready(0.0):
            return
        solver_model.aim(self.power)
        deadline = Deadline(solver_model, limit)
        pool.search(deadline.left(QUESTIONS.frontier_candidates), lambda candidate, note: None)
        points = pool.points(
            solver_model,
            NEAR_GAP,
            deadline.left,
            lambda: deadline.spent() > QUESTIONS.frontier_repair_until,
        )
        for point in points:
            solved = solver_model.repaired(point, deadline.left(QUESTIONS.frontier_repair))
            if solved.point is None:
                continue
            known = search_state.point
            value = value_at(search_state, self.power, solved.point)
            if known is None or value > value_at(search_state, self.power, known):
                search_state.point = solved.point

    def within(self, cap: float, floor: float) -> None:
        """Hold what is given below a cap and power above a floor."""
        solver_model, slack = self.search_state.solver_model, max(HELD * floor, self.power.scale)
        columns = [solver_model.model.index(key) for key in (CAP, FLOOR)]
        units = [solver_model.model.columns[column].unit for column in columns]
        low = np.array([0.0, max(0.0, floor - slack) / units[1]])
        high = np.array([cap / units[0], np.inf])
        solver_model.solver.bounds(np.array(columns), low, high)

    def solved(self, goal: Goal, limit: float | None) -> GoalFound | None:
        """One goal, unless nothing is found or nothing can be."""
        found = solve_goal(self.search_state, goal, limit)
        return None if found is None or found.status == Status.INFEASIBLE else found

    def least(self, power: float, cap: float, limit: float | None) -> GoalFound | None:
        """The least of the scarce thing for so much power."""
        self.within(cap, power)
        return self.solved(self.scarce, limit)

    def point(self, found: GoalFound, least: GoalFound, end: str) -> Point:
        """The best point so far, as a plan."""
        reached = self.search_state.point
        assert reached is not None
        given = value_at(self.search_state, self.scarce, reached)
        cap = given + self.scarce.scale + HELD * abs(given)
        power = value_at(self.search_state, self.power, reached)
        for _ in range(2):  # short flows leave more that is not used
            # fewer flows may mean less that is flared: what was reached is held meanwhile
            self.within(cap, power)
            self.search_state.point = cleaned_up(
                self.search_state,
                self.sets,
                self.search_state.solver_model.left(most=QUESTIONS.frontier_clean_up_seconds),
            )
        point = self.search_state.point
        assert point is not None
        model = self.search_state.solver_model.model
        # bounds under a cap are none of the site, which may not even have the goal
        of_site = end == "most" and found.goal.name in self.site.goals
        goals = [found] if of_site else []
        plan = plan_at(self.site, self.settings, model, self.sets, point, goals)
        plan = replace(plan, limits=binding_constraints(self.sets, plan, None))
        values = model.by_key(point)
        power = without_dust(model.value(self.power.terms, values), POWER_DUST * self.power.scale)
        bound = without_dust(found.bound, POWER_DUST * self.power.scale)
        given = without_dust(model.value(self.scarce.terms, values), DUST * self.scarce.scale)
        fewest = without_dust(least.bound, DUST * self.scarce.scale)
        return Point(given, power, bound, gap_of(power, bound), found.status, fewest, end, plan)


@overload
def without_dust(amount: float, dust: float) -> float: ...
@overload
def without_dust(amount: float | None, dust: float) -> float | None: ...
def without_dust(amount: float | None, dust: float) -> float | None:
    """An amount; 0 where it is no more than what the solver's tolerance leaves, in no plan."""
    return 0.0 if amount is not None and abs(amount) <= dust else amount


def frontier_of(
    site: Site,
    give: str,
    steps: int,
    settings: Settings,
    report: Callable[[str], object] = lambda words: None,
) -> tuple[Point, ...]:
    """Points from the least of the scarce thing to the most that is of use.

    Parameters
    ----------
    site : Site
        The site.
    give : str
        A material's name, ``money``, ``booster_power`` (draw of boosters at peak) or ``emissions``;
        with emissions all power counts, else clean power. Demands count alike, whatever their
        priorities.
    steps : int
        Points asked for, ends included; 2 or more.
    settings : Settings
        The time limit is that of all points together.
    report : function
        Called with a line for each point.

    Returns
    -------
    tuple of Point
        Points that no other dominates, rising in both; ends are solved as any plan is, and their
        status says whether they are proven. Empty where no plan exists or none was found.
    """
    site = network_of(site)
    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    with clock.watched():
        return _points(_trade(site, give, settings, clock), steps, report)


def _trade(site: Network, give: str, settings: Settings, clock: Clock) -> _Trade:
    model, sets = state(site, settings.basis, settings.robustness)
    power, scarce = _goals(model, sets, give)
    for key, goal in ((CAP, scarce), (FLOOR, power)):
        sizes = [abs(coefficient) for coefficient, _ in goal.terms] or [1.0]
        model.variable(key, 0.0, np.inf, float(2.0 ** np.round(np.log2(max(sizes)))))
    model.row("cap", [*scarce.terms, (-1.0, CAP)], high=0.0)
    model.row("floor", [*power.terms, (-1.0, FLOOR)], low=0.0)
    solver_model = SolverModel(model, lazy_cuts(model, sets), settings, clock)
    search_state = SearchState(solver_model, layout_of(model, sets), None)
    return _Trade(site, settings, search_state, sets, power, scarce)


def _goals(model: Model, sets: IndexSets, give: str) -> tuple[Goal, Goal]:
    kinds = CLASSES if give == "emissions" else ("clean",)
    name = "served_power" if give == "emissions" else "clean_power"
    demands = sets.power_demands()
    served_terms: Terms = [term for d in demands for term in served(sets, d.name, kinds)]
    scale = 1e-9 * sum(demand.mean for demand in demands)
    power = Goal(name, "W", True, served_terms, scale)
    if give == "emissions":
        terms, unit = counted_emission(sets), "kg/s"
    elif give == "money":
        terms, unit = money(sets, model), "money"
    elif give == BOOSTER_POWER:
        terms, unit = [t for bus in sets.buses() for t in booster_load(sets, bus)], "W"
    else:
        terms, unit = material_use(sets, give), "kg"
    largest = max((abs(coefficient) for coefficient, _ in terms), default=1.0)
    return power, Goal(give, unit, False, terms, 1e-9 * largest)


def _points(trade: _Trade, steps: int, report: Callable[[str], object]) -> tuple[Point, ...]:
    clock = trade.search_state.solver_model.clock
    trade.within(np.inf, 0.0)
    trade.search_state.pool = trade.paths(np.inf)
    most = trade.solved(trade.power, clock.left(QUESTIONS.frontier_top))
    if most is None:
        return ()
    least_most = trade.least(most.value, np.inf, clock.left(QUESTIONS.frontier_top_least))
    if least_most is None:
        return ()
    upper = trade.point(most, least_most, "most")
    report(f"most power: {upper.power:.6g} W")
    trade.within(np.inf, 0.0)
    none = trade.solved(trade.scarce, _part(clock, steps))
    if none is None:
        return (upper,)
    low, high = none.value, upper.given
    points: list[Point] = []
    floor = 0.0
    for number in range(steps - 1):
        if clock.out():
            break
        cap = low + (high - low) * number / (steps - 1)
        part = _part(clock, steps - 1 - number)
        cap += trade.scarce.scale + HELD * abs(cap)  # the start must be within it
        trade.within(cap, floor)
        if number:
            trade.begin_by_paths(cap, None if part is None else QUESTIONS.frontier_search * part)
        found = trade.solved(trade.power, None if part is None else QUESTIONS.frontier_power * part)
        if found is None:
            break
        least = trade.least(
            found.value, cap, None if part is None else QUESTIONS.frontier_least * part
        )
        if least is None:
            break
        point = trade.point(_bounded(found, most), least, "" if number else "least")
        points.append(point)
        report(f"point {number + 1} of {steps}: {point.power:.6g} W")
        floor = max(floor, found.value)
    return _undominated([*points, upper])


def _part(clock: Clock, count: int) -> float | None:
    left = clock.left()
    return None if left is None else left / max(1, count)


def _bounded(found: GoalFound, most: GoalFound) -> GoalFound:
    """What is found, with the bound of the upper end where that is the tighter one."""
    known = [bound for bound in (found.bound, most.bound) if bound is not None]
    bound = max(min(known), found.value) if known else None
    return replace(found, bound=bound, gap=gap_of(found.value, bound))


def _undominated(points: list[Point]) -> tuple[Point, ...]:
    """Points in order, without those that give no more power than one that takes less."""
    kept: list[Point] = []
    for point in sorted(points, key=lambda p: (p.given, -p.power)):
        if kept and point.power <= kept[-1].power * (1 + 1e-6) + 1e-6:
            # the upper end stays what it is called, though it gives hardly more
            continue
        kept.append(point)
    return tuple(kept)
