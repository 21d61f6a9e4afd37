"""Narrowed sites, of the corridors of the best candidates alone, and bounds of the whole site.

A plan of the narrowed site is a plan of the site. Its bounds are not: they are taken from the
relaxation of the whole model, or, where that is too large to be stated, from what all sources
give at their means.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from allocator.base.status import Status
from allocator.cycles import curve_of
from allocator.model.index_sets import IndexSets
from allocator.network.records import Network
from allocator.plans.records import GoalResult, Plan
from allocator.search.ceiling import energy_of_fluids
from allocator.search.found import gap_of, passes
from allocator.search.paths.network import Candidate
from allocator.search.plan_of_point import status_of


def pipe_column_count(sets: IndexSets) -> int:
    """How many columns the pipes of a site would make."""
    total = 0
    for (_, fluid), pipe in sets.pipes.items():
        flows = len(sets.ends(fluid)) + len(sets.fluid_shapes[fluid])
        total += len(pipe.builds) + 2 * flows
    return total


def narrowed(site: Network, candidates: Iterable[Candidate]) -> Network:
    """The site with the corridors of some candidates, and existing assets, alone."""
    kept = {route for candidate in candidates for route, _ in candidate.pipes}
    kept |= {run.route for run in site.built.pipes}
    return replace(site, routes={name: r for name, r in site.routes.items() if name in kept})


def all_at_means(site: Network, sets: IndexSets, goal: str) -> float | None:
    """W that all sources give at their means, at most what is asked; None for other goals."""
    if goal not in ("clean_power", "served_power"):
        return None
    energy = energy_of_fluids(site, clean=goal == "clean_power", sets=sets)
    given = math.fsum(
        energy[s.fluid] * s.flow * curve_of(s.stages).duty for s in site.own_sources.values()
    )
    return min(given, math.fsum(d.mean for d in sets.power_demands()))


def bounded_by(
    plan: Plan, ceilings: Mapping[str, float | None], kinds: Mapping[str, str | None]
) -> Plan:
    """The plan with bounds no looser than ceilings, which no plan under any control can pass."""
    goals = []
    for goal in plan.goals:
        most = ceilings.get(goal.name)
        looser = goal.bound is None or (most is not None and most < goal.bound)
        if most is not None and looser and goal.status in (Status.TIME_LIMIT, Status.INTERRUPTED):
            bound = max(most, goal.value)
            kind = kinds.get(goal.name)
            goal = replace(goal, bound=bound, gap=gap_of(goal.value, bound), bound_kind=kind)
        goals.append(goal)
    return replace(plan, goals=tuple(goals))


def with_bounds_of(plan: Plan, bounds: Mapping[str, float], interrupted: bool) -> Plan:
    """The plan with the bounds of the whole site, where one is known, and no other."""
    goals = tuple(_judged(goal, bounds.get(goal.name), interrupted) for goal in plan.goals)
    return replace(plan, goals=goals, status=status_of(goals))


def _judged(goal: GoalResult, bound: float | None, interrupted: bool) -> GoalResult:
    status = Status.INTERRUPTED if interrupted else Status.TIME_LIMIT
    if bound is not None and passes(goal.value, bound, goal.sense == "max", 1e-9 * abs(bound)):
        bound, status = None, Status.BOUND_REFUTED
    kind = None if bound is None else "solver"
    return replace(goal, bound=bound, gap=gap_of(goal.value, bound), status=status, bound_kind=kind)
