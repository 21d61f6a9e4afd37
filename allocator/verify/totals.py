"""Rules of money and emissions: recomputed, within the limits, and as the plan reports them."""

from __future__ import annotations

import math

from allocator.verify.batteries import wear
from allocator.verify.case import Case, counts
from allocator.verify.cycle import source_cycle
from allocator.verify.loads import mean_turnover
from allocator.verify.materials import new_things
from allocator.verify.report import Findings, relative
from allocator.verify.venting import vented

REPORTED = 1e-6
"""Reported totals and goals may differ from the recomputed ones by this share."""

YEAR = 31_557_600.0
"""s of a Julian year."""

LEAST_RATE = 1e-9
"""kg/s: a difference in emissions below this (30 g a year) is of no interest."""


def capital(case: Case) -> float:
    """Money for everything new: prices of things, and of the material in them.

    With a discount rate what each costs a year, over its life.
    """
    prices = {name: material.price for name, material in case.site.materials.items()}
    found = []
    for thing in new_things(case):
        share, amount = _share_a_year(case, thing.life), float(thing.amount)
        found.append(share * thing.price * amount)
        found += [
            share * mass * amount * prices.get(name, 0.0) for name, mass in thing.materials.items()
        ]
    return math.fsum(found)


def _share_a_year(case: Case, life: float | None) -> float:
    """Share of a price that counts: all of it; with interest i over n years i q / (q - 1), where

    q is what a sum of 1 has grown to by then, ``(1 + i)^n``.
    """
    rate, seconds = case.site.discount_rate, case.site.life if life is None else life
    if rate is None or seconds is None:
        return 1.0
    years = seconds / YEAR
    grown = (1.0 + rate) ** years
    # where next to nothing is added, the mean of what is owed pays interest
    return rate * grown / (grown - 1.0) if rate * years > 1e-6 else 1.0 / years + rate / 2.0


def running_cost(case: Case, widest: bool = False) -> float:
    """Money a second: what is bought, what routes ask for each kg moved, and wear of batteries.

    A collect flow counts at its rate times the largest duty of the sources that send to its
    place, which is never less than its mean; ``widest``: of all sources of the fluid.
    """
    found = []
    for source in case.plan.sources:
        taken = math.fsum(
            [
                *(rate * case.duty(source.name) for rate in source.collect.values() if rate > 0),
                *source.direct.values(),
            ]
        )
        found.append(case.site.sources[source.name].price * taken)
    for run in case.plan.runs:
        cost = case.site.routes[run.route].cost
        for flow in run.flows if cost else ():
            share = 1.0
            if flow.layer == "collect":
                share = _largest_duty(case, run.fluid, None if widest else flow.carries)
            found.append(cost * flow.rate * share)
    return math.fsum([*found, wear(case, highest=widest)])


def _largest_duty(case: Case, fluid: str, end: str | None) -> float:
    if end is None:
        mine = [s for s in case.site.sources.values() if s.fluid == fluid]
        return max((source_cycle(s.stages).mean for s in mine), default=0.0)
    return max(
        (
            case.duty(source.name)
            for destination in case.destinations.values()
            if (destination.fluid, destination.place) == (fluid, end)
            for source, _ in case.collected(destination.name)
        ),
        default=0.0,
    )


def money(case: Case, widest: bool = False) -> float:
    """Capital, and running cost over the site's horizon; annuities and that of a year."""
    span = case.site.horizon if case.site.discount_rate is None else YEAR
    return math.fsum([capital(case), span * running_cost(case, widest)])


def check_money(case: Case, findings: Findings) -> None:
    """Money as reported, and within the limit."""
    spent = money(case)
    findings.equals(
        "money_reported",
        "money",
        case.plan.money,
        closest(case.plan.money, spent, money(case, widest=True)),
        "",
        "the money spent",
        REPORTED * spent,
    )
    if case.site.limits.money is not None:
        findings.at_most(
            "money_limit", "money", spent, case.site.limits.money, "", "the money spent"
        )


def closest(value: float, low: float, high: float) -> float:
    """The number from ``low`` to ``high`` next to a value.

    Money is recomputed as a range where routes have a running cost: a plan may count a collect
    flow at the duty of a source that could send but does not.
    """
    return min(max(value, low), high)


def released(case: Case) -> dict[str, float]:
    """Mean release of each fluid that is an emission, kg/s."""
    found: dict[str, list[float]] = {
        name: [] for name, fluid in case.site.fluids.items() if fluid.emission != "none"
    }
    for machine in case.plan.machines:
        units = mean_turnover(case, machine)
        for fluid, rate in case.machine_type(machine).outputs.items():
            if fluid in found:
                found[fluid].append(rate * units)
    return {name: math.fsum(rates) for name, rates in found.items()}


def counted_emission(case: Case) -> float:
    """Mean counted release, and what is vented at the most, kg/s, weighted."""
    fluids = case.site.fluids
    burnt = [
        fluids[name].emission_weight * rate
        for name, rate in released(case).items()
        if counts(case.site, name)
    ]
    let_go = [fluids[name].vented_weight * rate for name, rate in vented(case).items()]
    return math.fsum([*burnt, *let_go])


def check_emissions(case: Case, findings: Findings) -> None:
    """Releases as reported (by fluid, biogenic, counted), and the counted ones within the cap."""
    reported = case.plan.emissions
    by_fluid = released(case)
    for name in dict.fromkeys((*by_fluid, *reported.by_fluid)):
        expected, given = by_fluid.get(name, 0.0), reported.by_fluid.get(name, 0.0)
        _as_reported(findings, f"emission of {name!r}", given, expected)
    let_go = vented(case)
    for name in dict.fromkeys((*let_go, *reported.vented)):
        expected, given = let_go.get(name, 0.0), reported.vented.get(name, 0.0)
        _as_reported(findings, f"what is vented of {name!r}", given, expected)
    counted = counted_emission(case)
    _as_reported(findings, "counted emission", reported.counted, counted)
    biogenic = math.fsum(
        rate for name, rate in by_fluid.items() if case.site.fluids[name].emission == "biogenic"
    )
    _as_reported(findings, "biogenic emission", reported.biogenic, biogenic)
    if case.site.limits.emission is not None:
        findings.at_most(
            "emission_cap",
            "counted emission",
            counted,
            case.site.limits.emission,
            "kg/s",
            "the mean release",
        )


def _as_reported(findings: Findings, subject: str, given: float, expected: float) -> None:
    tolerance = max(relative(REPORTED, expected), LEAST_RATE)
    findings.equals(
        "emission_reported", subject, given, expected, "kg/s", "the mean release", tolerance
    )
