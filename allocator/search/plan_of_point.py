"""The plan that a point of a site's model says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from allocator.base.status import Status
from allocator.model.goals import Goal, goals_of
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model
from allocator.model.rules.stock import money
from allocator.network.cautions import cautions_for
from allocator.network.records import Network
from allocator.plans.records import STATUSES, Ceiling, GoalResult, Plan, Power
from allocator.search.extract import (
    Reading,
    battery_uses,
    demand_uses,
    emissions_of,
    line_uses,
    machine_uses,
    material_uses,
    outage_operations,
    recovery_uses,
    runs,
    source_uses,
    store_uses,
)
from allocator.search.found import GoalFound, gap_of, passes
from allocator.search.noise import without_noise
from allocator.search.pressures_of_point import booster_uses, node_pressures
from allocator.site.records import POWER
from allocator.solver.settings import Settings
from allocator.thermal import heat_of
from allocator.thermal.sink_temperatures import heat_sink_uses


def plan_at(
    site: Network,
    settings: Settings,
    model: Model,
    sets: IndexSets,
    point: np.ndarray,
    found: list[GoalFound],
) -> Plan:
    """The plan that a point of a site's model says, with what was found of its goals.

    Goals of the site that were not searched have their value alone.
    """
    results = {one.goal.name: one for one in found}
    found = [
        results.pop(goal.name, GoalFound(goal, 0.0, None, None, Status.NOT_SOUGHT))
        for goal in goals_of(model, sets)
    ] + list(results.values())
    reading = Reading(model, sets, without_noise(model, model.by_key(point)))
    plan = _read(site, settings, reading, found)
    return replace(plan, heat=heat_of(site, plan), heat_sinks=heat_sink_uses(site, plan))


def status_of(found: tuple[GoalResult, ...]) -> Status:
    """The status of a plan: the least that is proven of any of its goals."""
    for status in STATUSES[: STATUSES.index(Status.YIELDED)]:
        if any(result.status == status for result in found):
            return status
    return Status.OPTIMAL


def _goal_result(reading: Reading, found: GoalFound) -> GoalResult:
    goal: Goal = found.goal
    value = reading.of(goal.terms)
    bound, status = found.bound, found.status
    if status == Status.OPTIMAL and passes(found.value, value, goal.maximise, goal.scale):
        status = Status.YIELDED
    if bound is not None and passes(value, bound, goal.maximise, goal.scale):
        bound, status = None, Status.BOUND_REFUTED
    if bound is not None:
        if abs(bound) <= max(10 * goal.scale, goal.negligible if value == 0.0 else 0.0):
            bound = 0.0
        # later goals may cost the held tolerance; the bound is valid, the gap is that of the plan
        bound = max(bound, value) if goal.maximise else min(bound, value)
    safe = found.certified and (found.bound == bound or bound == value)
    return GoalResult(
        goal.name,
        goal.unit,
        goal.sense,
        value,
        bound,
        gap_of(value, bound),
        status,
        None if bound is None else "certified" if safe else "solver",
    )


def _read(site: Network, settings: Settings, reading: Reading, found: list[GoalFound]) -> Plan:
    demands = demand_uses(reading)
    goals = tuple(_goal_result(reading, result) for result in found)
    power = [d for d in demands if d.wants == POWER]
    clean = sum(d.clean_share * d.mean for d in power)
    total = clean + sum(d.emitting_share * d.mean for d in power)
    asked = sum(d.mean for d in power)
    return Plan(
        site_name=site.name,
        site_sha256=site.sha256,
        basis=settings.basis,
        status=status_of(goals),
        goals=goals,
        ceiling=Ceiling(None, None),
        power=Power(clean, clean, total, total, asked, total / asked if asked > 0 else 0.0),
        sources=source_uses(reading),
        stores=() if reading.sets.lossless else store_uses(reading),
        batteries=() if reading.sets.lossless else battery_uses(reading),
        runs=runs(reading),
        lines=line_uses(reading),
        machines=machine_uses(reading),
        demands=demands,
        materials=material_uses(reading),
        emissions=emissions_of(reading),
        money=max(0.0, reading.of(money(reading.sets, reading.model))),
        cautions=cautions_for(site),
        seed=settings.seed,
        robustness=settings.robustness if settings.robustness.anything else None,
        recoveries=recovery_uses(reading),
        boosters=booster_uses(reading),
        pressures=node_pressures(reading),
        outages=outage_operations(reading),
    )
