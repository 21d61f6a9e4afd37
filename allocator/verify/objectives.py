"""Rules of goals and of the power that a plan claims: values, bounds, gaps, ceiling."""

from __future__ import annotations

import math

from allocator.base.status import Status
from allocator.plans.records import GOALS, GoalResult
from allocator.site.records import POWER
from allocator.verify.case import Case
from allocator.verify.claims import goals_to_tell
from allocator.verify.materials import material_use
from allocator.verify.report import Findings
from allocator.verify.totals import REPORTED, closest, counted_emission, money

TO_PRIORITY = " to priority "

MEET = 1e-5
"""Share of the bound, or of what is asked for, within which what is called optimal meets its bound:

a larger gain would be worth a pipe."""

LEAST_SCALE = 1e-9
"""Differences below this are of no interest: of a served amount as a share, else in SI."""


def check_goals(case: Case, findings: Findings) -> None:
    """Goals are the site's, in its order, each once; value, bound and gap hold."""
    order = -1
    seen: set[str] = set()
    for goal in case.plan.goals:
        subject = f"goal {goal.name!r}"
        name, _, priority = goal.name.partition(TO_PRIORITY)
        asked = name in case.site.goals and (not priority or _is_priority(case, priority))
        if not findings.holds("goal_known", subject, asked, "is no goal of the site"):
            continue
        place = case.site.goals.index(name)
        findings.holds(
            "goal_order",
            subject,
            place >= order and goal.name not in seen,
            "is not in the site's order, or is listed twice",
        )
        order = place
        seen.add(goal.name)
        unit, sense = GOALS[name]
        findings.holds(
            "goal_unit",
            subject,
            (goal.unit, goal.sense) == (unit, sense),
            f"is to be read as {sense} in {unit}",
        )
        _figures(case, findings, goal, name, int(priority) if priority else None, subject)
    for name in goals_to_tell(case):
        findings.holds("goal_told", f"goal {name!r}", name in seen, "is not stated")


def _is_priority(case: Case, priority: str) -> bool:
    return any(str(demand.priority) == priority for demand in case.site.demands.values())


def _figures(
    case: Case, findings: Findings, goal: GoalResult, name: str, priority: int | None, subject: str
) -> None:
    value = goal_value(case, name, priority)
    if name == "money":
        value = closest(goal.value, value, money(case, widest=True))
    unit = GOALS[name][0] if name != "money" else ""
    scale = _scale(case, name)
    tolerance = max(REPORTED * abs(value), scale)
    _status(case, findings, goal, name, subject)
    findings.equals("goal_value", subject, goal.value, value, unit, "the value", tolerance)
    if goal.bound is None or goal.gap is None:
        findings.holds(
            "goal_gap",
            subject,
            goal.bound is None and goal.gap is None,
            "has a gap without a bound, or a bound without a gap",
        )
        return
    if goal.sense == "max":
        findings.at_least("goal_bound", subject, goal.bound, value, unit, "the bound", tolerance)
    else:
        findings.at_most("goal_bound", subject, goal.bound, value, unit, "the bound", tolerance)
    _gap(findings, goal, goal.bound, goal.gap, subject)


def _status(case: Case, findings: Findings, goal: GoalResult, name: str, subject: str) -> None:
    """``optimal``: value and bound meet, but for what is not worth a pipe; ``within_gap``: there is

    a gap; ``bound_refuted`` and ``not_sought``: there is no bound."""
    proven = goal.status in (Status.OPTIMAL, Status.YIELDED, Status.WITHIN_GAP)
    if goal.status in (Status.OPTIMAL, Status.WITHIN_GAP):
        findings.holds(
            "goal_status", subject, goal.bound is not None, f"is {goal.status!r} without a bound"
        )
    if goal.bound is not None and not proven:
        stopped = goal.status not in (Status.BOUND_REFUTED, Status.NOT_SOUGHT)
        findings.holds("goal_status", subject, stopped, f"is {goal.status!r} and has a bound")
    if goal.bound is not None and goal.status == Status.OPTIMAL:
        findings.at_most(
            "goal_status",
            subject,
            abs(goal.bound - goal.value),
            MEET * max(abs(goal.bound), _asked(case, name)) + _scale(case, name),
            GOALS[name][0],
            "the bound of what is called optimal, less its value,",
        )


def _asked(case: Case, name: str) -> float:
    """What is asked for in all, W or kg/s; 0 for goals that serve nothing."""
    if name not in ("clean_power", "served_power", "served_fluid"):
        return 0.0
    power = name != "served_fluid"
    return math.fsum(d.mean for d in case.site.demands.values() if (d.wants == POWER) == power)


def _gap(findings: Findings, goal: GoalResult, bound: float, gap: float, subject: str) -> None:
    # Relative to the larger of value and bound; to some least scale where both are next to nothing,
    # which may make the gap smaller, but not below what the least of all scales gives.
    apart, larger = abs(bound - goal.value), max(abs(bound), abs(goal.value))
    low = apart / max(larger, LEAST_SCALE)
    high = apart / larger if larger else low
    expected = min(max(gap, low), high)
    findings.equals(
        "goal_gap", subject, gap, expected, "", "the gap", REPORTED * max(1.0, expected)
    )


def _scale(case: Case, name: str) -> float:
    if name in ("clean_power", "served_power", "served_fluid"):
        return LEAST_SCALE * _asked(case, name)
    return LEAST_SCALE if name == "emissions" else 1e-6


def goal_value(case: Case, name: str, priority: int | None = None) -> float:
    """A goal's value recomputed, SI; ``priority``: of demands up to this priority only."""
    if name == "emissions":
        return counted_emission(case)
    if name == "money":
        return money(case)
    if name == "scarce_material":
        return math.fsum(
            case.site.materials[material].scarcity * float(kg)
            for material, kg in material_use(case).items()
            if material in case.site.materials
        )
    served = []
    for use in case.plan.demands:
        if (use.wants == POWER) == (name == "served_fluid"):
            continue
        if priority is None or case.site.demands[use.name].priority <= priority:
            share = use.clean_share + (0.0 if name == "clean_power" else use.emitting_share)
            served.append(share * use.mean)
    return math.fsum(served)


def check_claims(case: Case, findings: Findings) -> None:
    """The power of the plan is what its demands are served, and is below the ceiling."""
    power, ceiling = case.plan.power, case.plan.ceiling
    clean, total = goal_value(case, "clean_power"), goal_value(case, "served_power")
    asked = math.fsum(d.mean for d in case.site.demands.values() if d.wants == POWER)
    claims = {
        "firm clean power": (power.firm_clean, clean),
        "firm power": (power.firm_total, total),
    }
    if not case.firm:
        claims = {
            "mean clean power": (power.mean_clean, clean),
            "mean power": (power.mean_total, total),
        }
    claims["mean demand"] = (power.demand_mean, asked)
    for what, (given, expected) in claims.items():
        findings.equals(
            "power_reported",
            "power",
            given,
            expected,
            "W",
            what,
            max(REPORTED * expected, LEAST_SCALE * asked),
        )
    share = total / asked if asked > 0 else 0.0
    findings.equals(
        "power_reported", "power", power.served_share, share, "", "the served share", REPORTED
    )
    _beside(case, findings, clean, total, asked)
    if case.firm:
        for what, promised, most in (
            ("the firm clean power", clean, ceiling.clean),
            ("the firm power", total, ceiling.total),
        ):
            if most is not None:
                tolerance = REPORTED * abs(most)
                findings.at_most("ceiling", "power", promised, most, "W", what, tolerance)
                findings.at_most(
                    "ceiling", "power", most, asked, "W", "a ceiling", REPORTED * asked
                )


def _beside(case: Case, findings: Findings, clean: float, total: float, asked: float) -> None:
    """``promise <= mean <= demand``, and clean power <= all power; on the mean basis the firm

    figures are the mean ones."""
    power = case.plan.power
    room = max(REPORTED * asked, LEAST_SCALE * asked)
    if not case.firm:
        for what, given, own in (
            ("firm clean power", power.firm_clean, clean),
            ("firm power", power.firm_total, total),
        ):
            findings.equals("power_reported", "power", given, own, "W", what, room)
        return
    for what, given, least in (
        ("mean clean power", power.mean_clean, clean),
        ("mean power", power.mean_total, max(total, power.mean_clean)),
    ):
        findings.at_least("mean_power", "power", given, least, "W", what, room)
        findings.at_most("mean_power", "power", given, asked, "W", what, room)
