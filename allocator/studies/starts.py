"""Plans of one mix as starts of another: which are of use to it, and which does best by it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from allocator.base.status import Status
from allocator.plans.records import GOALS, GoalResult, Plan
from allocator.search.found import gap_of, passes
from allocator.site.emissions import is_clean
from allocator.site.records import POWER, Site
from allocator.studies.mixes import Variant, of_mix

SAME = 1e-4
"""By this share of a goal two plans do equally well."""


def fits(site: Site, mix: Variant, plan: Plan) -> bool:
    """Whether a plan of the site, without the machines that a mix does without, may be one of it.

    Clean power needs no machine that emits; what else a plan serves is lost with such machines.
    Where one that emits nothing is dropped but at work, the plan says nothing of the mix.
    """
    emits = {m.name for m in site.machines.values() if not is_clean(site, m)}
    if (_at_work(plan) & set(mix.dropped)) - emits:
        return False
    limits = mix.site.limits
    counted = 0.0 if emits <= set(mix.dropped) else plan.emissions.counted
    if limits.emission is not None and counted > limits.emission * (1 + SAME):
        return False
    return limits.money is None or plan.money <= limits.money * (1 + SAME)


def _at_work(plan: Plan) -> set[str]:
    return {
        use.type
        for use in plan.machines
        if use.new or use.running or use.cycled > 0 or sum(use.burst.values()) > 0
    }


def merits(mix: Variant, plan: Plan) -> tuple[float, ...]:
    """How well a plan that fits does by the mix's goals, in their order; more is better.

    Goals that a plan's figures do not tell end the comparison.
    """
    firm, power, found = plan.basis == "firm", plan.power, []
    clean = power.firm_clean if firm else power.mean_clean
    total = power.firm_total if firm else power.mean_total
    stripped = bool(_at_work(plan) & set(mix.dropped))
    for goal in mix.site.goals:
        if goal == "clean_power":
            found.append(clean)
        elif goal == "served_power":
            found.append(clean if stripped else total)
        elif goal == "emissions" and not stripped:
            found.append(-plan.emissions.counted)
        elif goal == "money" and not stripped:
            found.append(-plan.money)
        elif goal != "served_fluid":
            break
    return tuple(found)


def better(mix: Variant, one: Plan, other: Plan) -> bool:
    """Whether one plan does better by a mix than another, at the first goal at which they differ.

    What the site lets later goals have of a goal is no difference.
    """
    same = max(SAME, mix.site.goal_slack)
    for a, b in zip(merits(mix, one), merits(mix, other), strict=False):
        if abs(a - b) > same * max(abs(a), abs(b)):
            return a > b
    return False


def stands(mix: Variant, plan: Plan) -> bool:
    """Whether a plan that fits a mix is one of it as it is, with nothing taken out of it."""
    limits = mix.site.limits
    emission = limits.emission is None or plan.emissions.counted <= limits.emission
    money = limits.money is None or plan.money <= limits.money
    return emission and money and not _at_work(plan) & set(mix.dropped)


def adopted(mix: Variant, other: Plan, own: Plan | None) -> Plan:
    """A plan of another mix that stands for this one, as one of this mix.

    ``own``: the plan that this mix has; the bound of its first goal holds for any other, and
    goals that neither plan tells decide nothing.
    """
    goals = []
    first = own.goals[0] if own is not None and own.goals else None
    decides = None if own is None else {goal.name for goal in (*own.goals, *other.goals)}
    for goal in _asked(mix.site):
        if decides is not None and goal.name not in decides:
            continue
        value = _value(mix.site, other, goal.name)
        bound = first.bound if first is not None and first.name == goal.name else None
        if bound is not None and passes(value, bound, goal.sense == "max", 0.0):
            bound = None  # this plan is better, so it was none
        gap = gap_of(value, bound)
        goals.append(replace(goal, value=value, bound=bound, gap=gap, status=Status.TIME_LIMIT))
    limits = (of_mix(mix), *other.limits[1:])  # the first says which mix a plan is of
    status = Status.TIME_LIMIT
    return replace(other, goals=tuple(goals), status=status, limits=limits, mix=mix.name)


def _asked(site: Site) -> Iterator[GoalResult]:
    """The goals of a site, priority by priority, with nothing found of them."""
    for name in site.goals:
        unit, sense = GOALS[name]
        served = name in ("clean_power", "served_power", "served_fluid")
        asked = [d for d in site.demands.values() if (d.wants == POWER) == (name != "served_fluid")]
        steps = sorted({d.priority for d in asked}) if served else [0]
        for step in steps:
            title = name if step == steps[-1] else f"{name} to priority {step}"
            yield GoalResult(title, unit, sense, 0.0, None, None, Status.TIME_LIMIT)


def _value(site: Site, plan: Plan, goal: str) -> float:
    """What a plan is worth by a goal, SI; ``goal`` may name the last priority that it counts."""
    name, _, priority = goal.partition(" to priority ")
    if name == "emissions":
        return plan.emissions.counted
    if name == "money":
        return plan.money
    if name == "scarce_material":
        return math.fsum(site.materials[m.name].scarcity * m.used for m in plan.materials)
    return math.fsum(
        use.mean * (use.clean_share + (0.0 if name == "clean_power" else use.emitting_share))
        for use in plan.demands
        if (use.wants == POWER) == (name != "served_fluid")
        and (not priority or site.demands[use.name].priority <= int(priority))
    )


def best_start(site: Site, mix: Variant, plans: Iterable[Plan]) -> Plan | None:
    """The plan that does best by a mix, of those that fit; the first of equals."""
    best: Plan | None = None
    for plan in plans:
        if fits(site, mix, plan) and (best is None or better(mix, plan, best)):
            best = plan
    return best
