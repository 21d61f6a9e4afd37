"""The mean output that a plan may reach beyond its promise.

Gas that would spill may still be burnt. What stores of size B and draws up to D really capture of
a source is less than its mean: for every stage i, mean capture * every_i <= (D * on_i + B) *
(duty of the outer stages). These wet-side cuts, pooled over the stores and machines of a fluid,
with everything the plan builds held fixed, bound the mean from above. It is a hope, not a
promise: a simulation of the plan gives the figure to plan money by.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from allocator.base.clock import Clock
from allocator.model.expressions import direct_mean
from allocator.model.goals import goals_of
from allocator.model.index_sets import IndexSets, index_sets_of
from allocator.model.mean_basis import mean_site, with_all_heat
from allocator.model.model import Key, Model, Row
from allocator.model.rules import state_rules
from allocator.model.variables import declare
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.strategy.budgets import PLAN
from allocator.site.records import Stage
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

POWERS = ("clean_power", "served_power")
"""What is asked of a plan's mean, whatever goals the site has."""


def mean_output(
    site: Network, plan: Plan, settings: Settings, clock: Clock
) -> tuple[float, float] | None:
    """(clean, total) mean power, W, that the plan may reach; None where it was not found.

    Never less than the promise, which is what the plan gives at least. Boosters draw as at peak.
    """
    steady = replace(with_all_heat(mean_site(site)), goals=POWERS)
    sets = index_sets_of(steady, lossless=True, with_stores=False)
    if not sets.power_demands():
        return None
    model = Model(clock.check)
    declare(model, sets)
    state_rules(model, sets)
    _wet_side(model, sets, site, plan)
    fixed = _decided(plan)
    for column in model.columns:
        if column.integer:
            value = fixed.get(column.key, 0.0)
            model.row(f"decided[{column.key}]", [(1.0, column.key)], low=value, high=value)
    solver_model = SolverModel(model, _nothing, settings, clock)
    found: list[float] = []
    for name in POWERS:
        goal = next((g for g in goals_of(model, sets) if g.name == name), None)
        if goal is None:
            found.append(0.0)
            continue
        solver_model.aim(goal)
        solved = solver_model.relaxed(solver_model.left(most=PLAN.average_output_seconds))
        reached = solver_model.unscaled(solved.value)
        if reached is None:
            return None
        found.append(-reached - math.fsum(use.power for use in plan.boosters))
    clean = max(found[0], plan.power.firm_clean)
    return clean, max(found[1], clean, plan.power.firm_total)


def _nothing(values: dict[Key, float], tolerance: float) -> list[Row]:
    del values, tolerance
    return []


def _decided(plan: Plan) -> Mapping[Key, float]:
    fixed: dict[Key, float] = {}
    for source in plan.sources:
        fixed["tap", source.name] = 1.0 if source.tapped else 0.0
    for run in plan.runs:
        fixed["lay", run.route, run.build, run.fluid] = 1.0
    for line in plan.lines:
        fixed["line", line.name] = 1.0
    for machine in plan.machines:
        fixed["count", machine.name] = float(machine.new)
    return fixed


def _wet_side(model: Model, sets: IndexSets, site: Network, plan: Plan) -> None:
    """``capture_s * every_i <= (D_f * on_i + B_f) * duty of the outer stages``, per stage i."""
    for name in sets.sources:
        stages = site.sources[name].stages
        if not stages:
            continue
        fluid = site.sources[name].fluid
        draw, held = _appetite(site, plan, fluid)
        for number, stage in enumerate(stages):
            outer = _outer_duty(stages, number)
            most = (draw * stage.on + held) * outer / stage.every
            model.row(f"wet_side[{name},{number}]", direct_mean(sets, name), high=most)


def _outer_duty(stages: tuple[Stage, ...], number: int) -> float:
    """How often, of all time, stage ``number`` gets its turn: on-intervals a period of the outer

    stages, counted with the broken last one, times the stage's period over that period."""
    share = 1.0
    for inner, outer in zip(stages[number:], stages[number + 1 :], strict=False):
        turns = -(-outer.on // inner.every)
        share *= turns * inner.every / outer.every
    return share


def _appetite(site: Network, plan: Plan, fluid: str) -> tuple[float, float]:
    """Highest draw on a fluid, kg/s, and what stores hold of it, kg.

    A battery holds power that is made already: it does not raise what machines can draw.
    """
    draw = 0.0
    for machine in plan.machines:
        kind = site.machines[machine.type]
        rate = kind.inputs.get(fluid, 0.0)
        draw += rate * machine.count
    draw += sum(d.mean for d in site.demands.values() if d.wants == fluid)
    held = sum(store.size for store in plan.stores if store.holds == fluid)
    return draw, held
