"""What is wrong with the engine's answer to a small site, judged by the brute force."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

from brute.search import LENIENT, STRICT, best_goals, scale_of
from brute.sites import drawn_site
from tiny_program import UnsolvedError

from allocator.base.errors import AllocatorError
from allocator.engine import NoPlanError, plan_site, prove_plan
from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.site.records import POWER, Site

FIRST, LATER = 1e-6, 2e-5
"""Shares of a goal's scale by which a plan may differ from the best."""

GAP = 5e-7
"""No smaller: the program keeps plans a share of 1e-7 a rule on the safe side of rounding."""

KINDS = (
    "false optimum",
    "not proven",
    "too much",
    "false bound",
    "false impossible",
    "failed audit",
    "broken promise",
)


@dataclass(frozen=True)
class Fault:
    """One fault: which of :data:`KINDS`, and the figures."""

    kind: str
    figures: str


def faults_of(site: Site, basis: str = "firm") -> list[Fault]:
    """All faults of the engine's answer."""
    best = best_goals(site, basis)
    try:
        planned = plan_site(site, Settings(basis=basis, gap=GAP, node_limit=100_000))
    except NoPlanError as error:
        said = "proven" if error.outcome.proven_impossible else "none found"
        if best is not None:
            return [Fault("false impossible", f"{said}: {error}; the best is {best}")]
        return [] if said == "proven" else [Fault("not proven", f"{said}: {error}")]
    plan = planned.plan
    if best is None:
        return [Fault("too much", "there is a plan of a site that has none")]
    found = _misjudged(site, basis, plan, best)
    if not planned.audit.accepted:
        found.append(Fault("failed audit", str(planned.audit.breaches[0])))
    elif basis == "firm":
        try:
            trace = prove_plan(site, plan)[1]
            if not trace.kept:
                found.append(Fault("broken promise", site.name))
        except AllocatorError as error:
            found.append(Fault("broken promise", f"not simulated: {error}"))
    return found


def _misjudged(site: Site, basis: str, plan: Plan, most: list[float]) -> list[Fault]:
    """Goals that are not what the brute force finds; only the first that differs is told."""
    results = {goal.name: goal for goal in plan.goals}
    strict: list[float] | None = None
    for number, goal in enumerate(site.goals):
        result = results.get(goal)
        mine = 0.0 if result is None else result.value
        status = "left out" if result is None else result.status
        slack = (FIRST if number == 0 else LATER) * scale_of(site, goal)
        better = -1.0 if goal in ("emissions", "scarce_material") else 1.0
        figures = f"{goal}: {mine!r} ({status}), by brute force {float(most[number])!r}"
        if number == 0:
            bounds = [None if result is None else result.bound]
            bounds += [plan.ceiling.clean] if goal == "clean_power" else []
            for bound in bounds:
                if bound is not None and better * (most[0] - bound) > slack:
                    return [Fault("false bound", f"{figures}, no better than {bound!r}")]
        # More than lenient holds leave, which may give up more for an earlier goal: than all?
        if better * (mine - most[number]) > slack and all(
            better * (mine - best[number]) > slack for best in _by_holds(site, basis)
        ):
            return [Fault("too much", figures)]
        if better * (most[number] - mine) > slack:
            # Not what lenient holds allow: is it what strict ones do?
            strict = strict or _strictly_best(site, basis)
            assert strict is not None
            if better * (strict[number] - mine) > slack:
                figures += f" to {float(strict[number])!r}"
                kind = "false optimum" if status in ("optimal", "left out") else "not proven"
                return [Fault(kind, figures)]
    return []


def _by_holds(site: Site, basis: str) -> Iterator[list[float]]:
    """The best goals with holds between strict and lenient ones."""
    for share in (0.0, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4):
        with contextlib.suppress(UnsolvedError):
            best = best_goals(site, basis, (min(share, LENIENT[0]), share))
            if best is not None:
                yield best


def _strictly_best(site: Site, basis: str) -> list[float] | None:
    """The best goals with holds as strict as rounding allows."""
    for times in (1.0, 10.0):
        with contextlib.suppress(UnsolvedError):
            return best_goals(site, basis, (STRICT[0] * times, STRICT[1] * times))
    return best_goals(site, basis, (STRICT[0] * 100.0, STRICT[1] * 100.0))


def drawn_case(number: int) -> tuple[Site, str]:
    """The site and basis of a number; of some sites a share of the power must be served.

    Three in twelve are on the mean basis. Of the others every third asks for all that can be
    served but a hair, for 1 % more than that, or for exactly all where all can be served.
    """
    site = drawn_site(number)
    if number % 4 == 3:
        return site, "mean"
    power = next(demand for demand in site.demands.values() if demand.wants == POWER)
    if number % 3 == 0 and power.mean > 0:
        best = best_goals(replace(site, goals=("served_power",)), "firm")
        assert best is not None
        share = best[0] / power.mean
        times = 1.01 if number % 2 == 0 else 1.0 - 1e-5
        least = 1.0 if share > 1.0 - 1e-9 else share * times
        if 1e-9 < least <= 1.0:  # less is the rounding of nothing
            asked = replace(power, min_share=float(least))
            site = replace(site, demands={**site.demands, power.name: asked})
    return site, "firm"
