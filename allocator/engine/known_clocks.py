"""Gain from known clocks of sources: a plan's assets operated with other clocks, and audited."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from allocator.base.clock import crowding
from allocator.base.status import Status
from allocator.engine.time_limit import TimeAfter
from allocator.network.deriving import network_of, studied
from allocator.network.records import Handover, Network
from allocator.plans.records import NOTHING, ClockWorth, Plan
from allocator.search import make_plan
from allocator.search.as_built import as_built
from allocator.site.clocks import surveyed_until
from allocator.site.records import Site, Source
from allocator.solver.settings import Settings
from allocator.verify import audit
from allocator.verify.case import case_of
from allocator.verify.tanks.assembly import assembly_of
from allocator.verify.tanks.present import free_need, present_tank, reserve_of

NODES = 200
"""Of each re-dispatch."""
LEAST_SECONDS = 1.0
"""With less time a re-dispatch is not tried."""
MOST_SECONDS = 10.0
"""That one has at the most."""
AUDIT_SECONDS = 1.5
"""What its audit takes."""
WORTH = "the gain from known clocks"
WORTH_UNTIL = "the gain from known clocks until the survey ends"
"""What is left out, in words."""
BEST = (Status.OPTIMAL, Status.YIELDED, Status.WITHIN_GAP)
WORTH_SAYING = 1e-6
"""Of a store's size."""


def with_clock_worth(site: Site, plan: Plan, after: TimeAfter, left_out: list[str]) -> Plan:
    """The plan with the gain from known clocks, where the site has some and it is found in time.

    ``after``: the time for it and what comes later; without a limit both re-dispatches end by a
    count of nodes. What has no time is told in ``left_out``.

    Until a survey ends the same assets may promise more than for ever after it. Whoever operates
    them so has in each store at the end of the survey what the later operation needs at any phase.

    Batteries do until then what they do in the later operation: each part is as large as its
    promise needs at any phase, so a part that did more would have to be full when the survey ends.
    """
    network = network_of(site)
    if (
        not after.clocks
        or plan.basis != "firm"
        or all(s.clock == "free" for s in network.sources.values())
    ):
        return plan
    seconds = _seconds_of_one(after, 2)
    if seconds is not None and seconds < LEAST_SECONDS:
        left_out.append(WORTH)
        return plan
    settings = Settings(seed=plan.seed, threads=1, robustness=plan.robustness or NOTHING)
    settings = _within(settings, seconds)
    freed = {name: _freed(source) for name, source in network.sources.items()}
    free = _operated(network, plan, settings, freed)
    if free is None:
        if seconds is not None:
            left_out.append(WORTH)
        return plan
    worth = ClockWorth(
        min(free.power.firm_clean, plan.power.firm_clean),
        min(free.power.firm_total, plan.power.firm_total),
        # less than the best would overstate the gain
        free_proven=all(goal.status in BEST for goal in free.goals),
        storage=_more_storage(network, plan),
    )
    ends = network.survey_ends
    if ends is None:
        return replace(plan, clocks=worth)
    worth = replace(worth, until=ends)
    seconds = _seconds_of_one(after, 1)
    if seconds is not None and seconds < LEAST_SECONDS:
        left_out.append(WORTH_UNTIL)
        return replace(plan, clocks=worth)
    settings = _within(settings, seconds)
    known = {name: surveyed_until(source, ends) for name, source in network.sources.items()}
    later = Handover(ends, _kept(network, plan, ends), by_batteries(plan))
    until = _operated(network, plan, settings, known, survey_ends=None, handover=later)
    if until is None:
        return replace(plan, clocks=worth)
    powers = (
        (until.power.firm_clean, plan.power.firm_clean),
        (until.power.firm_total, plan.power.firm_total),
    )
    if any(now < later * (1.0 - WORTH_SAYING) for now, later in powers):
        # more of one for less of the other: what the plan gives at once is sure of both
        clean, total = plan.power.firm_clean, plan.power.firm_total
        return replace(plan, clocks=replace(worth, until_clean=clean, until_total=total))
    worth = replace(worth, until_clean=max(powers[0]), until_total=max(powers[1]))
    if until.power.firm_total > plan.power.firm_total:
        operated = as_built(studied(network, sources=known, survey_ends=None), plan)
        more = _more_storage(operated, until)
        named = {f"{use.name}@{use.place}": use.name for use in plan.stores}
        worth = replace(worth, storage={named[store]: kg for store, kg in more.items()})
    return replace(plan, clocks=worth)


def _seconds_of_one(after: TimeAfter, count: int) -> float | None:
    """Seconds for the search of one of some re-dispatches that are left; None: no limit."""
    left = after.left(after.proof)
    if left == math.inf:
        return None
    audit_seconds = AUDIT_SECONDS * crowding()
    return min(left, max(left / count, LEAST_SECONDS + audit_seconds)) - audit_seconds


def _within(settings: Settings, seconds: float | None) -> Settings:
    if seconds is None:
        return replace(settings, node_limit=NODES)
    return replace(settings, time_limit=min(seconds, MOST_SECONDS))


def _freed(source: Source) -> Source:
    return replace(source, clock="free", error=None)


def _operated(
    network: Network,
    plan: Plan,
    settings: Settings,
    sources: Mapping[str, Source],
    survey_ends: float | None = None,
    handover: Handover | None = None,
) -> Plan | None:
    """The plan's assets operated with other clocks; None where no audited operation was found."""
    changed = studied(network, sources=sources, survey_ends=survey_ends, handover=handover)
    site = as_built(changed, plan)
    found = make_plan(site, settings).plan
    if found is None or not audit(site, replace(found, verified=False)).accepted:
        return None
    return found


def _kept(network: Network, plan: Plan, ends: float) -> dict[str, float]:
    """What each store, a type of its own as in :func:`as_built`, must hold at a time, kg.

    By then surveyed clocks may be at any phase; those of the calendar are known.
    """
    case = case_of(network, plan)
    return {
        f"{tank.name}@{use.place}": reserve_of(case, present_tank(case, tank), {}, ends)
        for tank in assembly_of(case).circuit.kept
        for use in plan.stores
        if tank.name == use.name
    }


def by_batteries(plan: Plan) -> dict[tuple[str, ...], float]:
    """What batteries do, named as in :func:`as_built`: see :class:`Handover`."""
    found: dict[tuple[str, ...], float] = {}
    for use in plan.batteries:
        name = f"{use.name}@{use.place}"
        found["swing", name] = use.swing_part
        for kind, size in use.burst_part.items():
            found["burst_part", name, kind] = size
        for kind, shapes in use.release.items():
            for shape, power in shapes.items():
                found["release", name, kind, shape] = power
        for demand, classes in use.levelled.items():
            for kind, power in classes.items():
                found["level", name, demand, kind] = power
        for demand, classes in use.level_surplus.items():
            for kind, power in classes.items():
                found["surplus", name, demand, kind] = power
    for source in plan.sources:
        for to, rate in source.collect.items():
            start, sign, battery = to.partition(">")
            if start.startswith("burn:"):
                place = f"@{battery.rpartition('@')[2]}" if sign else ""
                found["collect", source.name, f"{to}{place}"] = rate
    for machine in plan.machines:
        found["cycled", machine.name] = machine.cycled
    return found


def _more_storage(network: Network, plan: Plan) -> dict[str, float]:
    """Storage beyond the plan's that its operation would need with all clocks free, kg by store."""
    case = case_of(network, plan)
    found = {}
    for tank in assembly_of(case).circuit.kept:
        need = free_need(case, tank) if tank.kind == "store" else None
        if need is not None and need > tank.size * (1.0 + WORTH_SAYING) + WORTH_SAYING:
            found[tank.name] = need - tank.size
    return found
