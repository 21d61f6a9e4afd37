"""The audit: a plan recomputed from the site, with no solver and nothing of planning.

Counts are whole. Limits, capacities, stocks and promises hold to ``report.LIMIT`` 1e-9 of
themselves, whatever one computation from the file and the plan's flows settles. All else is here,
by file and constant; shares of the figure where no unit is given.

* What must be served, and balances, of the largest flow or power: ``counts.ROOM`` 1e-6,
  ``case.BALANCE`` 1e-6, ``heat.BALANCE`` 1e-6; ``promises.NEARLY`` 1e-7 of a promise of many like
  windows; ``promises.ROOM`` 1e-6 kg lacking when another operation follows. The solver's rows.
* Figures that a plan tells: ``totals.REPORTED`` 1e-6, ``totals.LEAST_RATE`` 1e-9 kg/s,
  ``materials.REPORTED`` 1e-9, ``materials.LEAST_MASS`` 1e-6 kg, ``objectives.LEAST_SCALE`` 1e-9,
  ``objectives.MEET`` 1e-5, ``heat_limits.COPIED`` 1e-6, ``heat.SAME`` 1e-6 K, ``holds.FOUND`` 1e-6,
  ``site_file.SAME`` 1e-9, ``cooler_heat.LEAST`` 1e-6 W. Rounding of what is told.
* Pressures, velocities and Mach numbers along lines, and ratings: ``boosters.HAIR`` 1e-8. Plans
  hold them by tangents, cut to 1e-9. Power of boosters: ``boosters.POWERS`` 1e-3, for plans
  take the gas at its highest pressure.
* Heat of a stream, so duty and power of coolers and recovered power: ``properties.INTEGRALS`` 1e-4.
  Plans take the heat capacity straight between 65 temperatures; of gases it differs by 4e-6, of
  steam close to boiling by 2e-5. The UA of a cooler: ``coolers.CONDUCTANCES`` 1e-4, by that heat.
* Temperatures at ends of pipes: ``heat.KELVINS`` 0.25 K and ``heat.SHARE`` 1e-2 of what it cools.
  Two models of one pipe; their ends were up to 0.15 K in 103 K apart. So too the heat that pipes
  are told to lose. Where gas is as hot as it can be: surfaces and layers ``hottest.MODELS`` 1e-3 of
  what it is hotter than its surroundings, a ``heat_limit`` of a route or place ``hottest.LOSSES``
  5e-3. Those were 4e-4 and 2e-3 apart.
* Mixtures: ``heat.MIXED`` 5e-3 K and ``heat.SPREAD`` 1e-4 of the spread of what mixes.
* Heat sinks: ``sink_states.KELVINS`` 0.05 K and ``sink_states.SHARE`` 1e-3 of what gas is hotter
  than the air: bodies are stepped through time here, and repeat in closed form in plans.
"""

from __future__ import annotations

import math

from allocator.base.errors import AllocatorError, Fault, PlanFileError
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.file import other_version
from allocator.plans.records import RULES as MADE_BY
from allocator.plans.records import Plan
from allocator.site.records import Site
from allocator.verify import (
    batteries,
    bores,
    chambers,
    claims,
    collect,
    cooler_heat,
    coolers,
    counts,
    heat,
    heat_limits,
    holds,
    hottest,
    objectives,
    outages,
    pipes,
    power,
    pressures,
    promises,
    recorded,
    recovery,
    running,
    sink_states,
    sinks,
    supply,
    totals,
    venting,
    warmth,
)
from allocator.verify import (
    heat_released as heat_released,
)
from allocator.verify import (
    site_file as plain,
)
from allocator.verify.case import case_of
from allocator.verify.figures import check_numbers
from allocator.verify.march import TooManyIntervalsError
from allocator.verify.marginal_values import check_marginal_values
from allocator.verify.materials import check_materials
from allocator.verify.mixes import as_asked
from allocator.verify.names import check_names
from allocator.verify.report import AuditReport, Findings

RULES = (
    counts.check_taps,
    counts.check_stores,
    counts.check_machines,
    counts.check_runs,
    counts.check_lines,
    counts.check_shares,
    collect.check_sources,
    recorded.check_records,
    chambers.check_chambers,
    collect.check_collect,
    collect.check_burns,
    venting.check_flares,
    pipes.check_pipes,
    plain.check_plain,
    supply.check_supply,
    running.check_running,
    running.check_swing,
    promises.check_stores,
    batteries.check_batteries,
    power.check_power,
    power.check_lines,
    bores.check_bores,
    pressures.check_pressures,
    heat.check_heat,
    hottest.check_hottest_gas,
    heat_limits.check_limits_told,
    coolers.check_pumps,
    coolers.check_coolers,
    cooler_heat.check_cooler_heat,
    heat_released.check_heat_released,
    recovery.check_recovery,
    warmth.check_heat_demands,
    outages.check_machines_out,
    sink_states.check_heat_sinks,
    sinks.check_sinks,
    holds.check_set_points,
    check_materials,
    check_marginal_values,
    totals.check_money,
    totals.check_emissions,
    objectives.check_goals,
    objectives.check_claims,
    claims.check_status,
    claims.check_cautions,
)
"""Every rule, in the order in which breaches are told."""


def audit(site: Site, plan: Plan) -> AuditReport:
    """Check every claim of a plan against its site.

    A plan whose numbers or names make no sense is told of these faults only: nothing can be
    recomputed from it.

    Raises:
        PlanFileError: the plan is for another site, made by the rules of another version, or of a
            basis that is not known.
    """
    site = network_of(site)
    _for_this_site(site, plan)
    findings = Findings()
    check_numbers(plan, findings)
    check_names(site, plan, findings)
    site = as_asked(site, plan, findings)
    if not findings.clean:
        return findings.report()
    try:
        case = case_of(site, plan)
    except TooManyIntervalsError as error:
        findings.breach("not_marched", "sources", 0.0, "", f"{error}: too many to audit")
        return findings.report()
    for rule in RULES:
        try:
            rule(case, findings)
        except (ArithmeticError, LookupError, ValueError, AllocatorError) as error:
            subject = rule.__name__.replace("check_", "").replace("_", " ")
            findings.breach(
                "not_recomputed",
                subject,
                math.nan,
                "",
                f"the plan's figures or names are beyond what can be: {error}",
            )
    return findings.report()


def _for_this_site(site: Network, plan: Plan) -> None:
    def refuse(problem: str) -> PlanFileError:
        return PlanFileError([Fault("plan", 0, 0, "$.site", problem, "plan this site again")])

    if plan.rules != MADE_BY:
        raise other_version(plan.rules, "plan")
    if plan.basis not in ("firm", "mean"):
        raise refuse(f"the plan has the basis {plan.basis!r}; only firm and mean are known")
    if plan.site_name != site.name:
        raise refuse(f"the plan is for another site: {plan.site_name!r}, not {site.name!r}")
    if plan.site_sha256 != site.sha256:
        raise refuse(
            f"the plan is for another site: the file of {site.name!r} has changed since"
            f" (sha256 {plan.site_sha256[:12] or 'none'}, now {site.sha256[:12] or 'none'})"
        )
