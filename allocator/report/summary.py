"""All tables of a plan on a terminal."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from allocator.base.labels import head
from allocator.base.rendering import section_of
from allocator.base.text import paragraph, section, table
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import running_money
from allocator.report.brief import heading, power_words
from allocator.report.certainty import certainty
from allocator.report.heat_tables import heat_demands, sinks_used, temperatures
from allocator.report.line_tables import boosters, power_lines
from allocator.report.load_bank import load_banks
from allocator.report.loads import served_in_shape
from allocator.report.outage_tables import outages
from allocator.report.parts import (
    connected_sources,
    coolers_placed,
    heat_sinks_beside,
    least_margins,
    limits_by_unit,
    machines,
    pipes_laid,
    storage,
)
from allocator.report.prices import prices
from allocator.report.simulated import power_row, verdict_words
from allocator.report.tables import demands, materials
from allocator.report.words import (
    AS_PLANNED,
    CLOSED,
    STATUS_WORDS,
    earlier_open,
    emission_a_kwh,
    emissions_of,
    gap,
    goal_sought,
    goal_title,
    goal_value,
    held_goals,
    money,
    quantity,
    vented_at_all,
    without_dust,
)
from allocator.site.money import PLAIN_SUM, lives_without_interest, running_span, unit_of_money
from allocator.site.records import Site

if TYPE_CHECKING:
    from allocator.simulation.trace import Trace


def full_summary(
    site: Site, plan: Plan, mean_basis: Plan | None = None, proof: Trace | None = None
) -> str:
    """All tables of a plan as plain text: at most 100 columns, absent facts left out.

    ``mean_basis``: the plan at average flows, as an estimate beside a firm plan.
    ``proof``: the plan simulated.
    """
    site = network_of(site)
    lines = heading(plan, proof)
    for words in power_words(plan, mean_basis, served_in_shape(site, plan)):
        lines += paragraph(words, indent=0)
    lines += section("Result", _promise(site, plan, mean_basis, proof))
    if proof is not None:
        lines += section("Simulated", paragraph(verdict_words(proof)))
    lines += section_of(demands(site, plan))
    lines += section("Goals, in order", _goals(plan, unit_of_money(site)))
    for part in (
        connected_sources(site, plan),
        machines(site, plan),
        outages(plan),
        heat_demands(site, plan),
        storage(site, plan),
        pipes_laid(site, plan),
        least_margins(site, plan),
        boosters(site, plan),
        coolers_placed(site, plan),
        sinks_used(site, plan),
        temperatures(site, plan),
        *limits_by_unit(plan),
        heat_sinks_beside(plan),
    ):
        lines += section_of(part)
    lines += section("Water in gas", _bullets(() if plan.heat is None else plan.heat.notes))
    lines += section_of(power_lines(site, plan))
    lines += section_of(materials(plan))
    lines += section("Emissions, mean", _emissions(plan))
    lines += section("Power that nobody uses", _unused_power(site, plan))
    lines += section("Cost", _money(site, plan))
    lines += section("Why not more", _bullets(plan.limits))
    lines += section("Marginal values", prices(plan, unit_of_money(site)))
    lines += section("Cautions", _bullets(plan.cautions))
    return "\n".join(lines) + "\n"


def _unused_power(site: Network, plan: Plan) -> list[str]:
    words = "the plan counts the gas of this power as burnt; without it units throttle, and what "
    words += "they do not take is vented and counts, or goes to a flare"
    banks = load_banks(site, plan)
    return _bullets(tuple(f"{bank.words} at {bank.place}: {words}" for bank in banks))


def _promise(site: Network, plan: Plan, mean_basis: Plan | None, proof: Trace | None) -> list[str]:
    power, demand = plan.power, plan.power.demand_mean
    if demand <= 0:
        return []

    row = partial(power_row, demand)

    rows = []
    if plan.basis == "firm":
        rows.append(row("firm", power.firm_clean, power.firm_total))
        if _above(power.mean_clean, power.firm_clean) or _above(power.mean_total, power.firm_total):
            words = "on average, spill used too, at most"
            rows.append(row(words, power.mean_clean, power.mean_total))
        if proof is not None:
            simulated = (proof.mean("mean_clean_w"), proof.mean("mean_total_w"))
            rows.append(row("on average, simulated", *simulated))
        if mean_basis is not None:
            mean = mean_basis.power
            rows.append(row("average-flow estimate", mean.mean_clean, mean.mean_total))
    else:
        rows.append(row("average, estimate", power.mean_clean, power.mean_total))
    if plan.ceiling.clean is not None or plan.ceiling.total is not None:
        in_shape = served_in_shape(site, plan)
        words = "limit, profiles kept" if in_shape else "limit under any control"
        rows.append(row(words, plan.ceiling.clean, plan.ceiling.total))
    rows.append(("mean demand", "", quantity(demand, "power"), ""))
    lines = table(("", "clean", "all power", "served"), rows, right=(1, 2, 3))
    return lines + certainty(site, plan)


def _above(more: float, less: float) -> bool:
    return more > less * (1 + 1e-6)


def _goals(plan: Plan, currency: str) -> list[str]:
    plan = without_dust(plan)
    rows = [
        (
            goal_sought(goal),
            goal_value(goal, goal.value, currency),
            goal_value(goal, goal.bound, currency),
            "-" if earlier_open(plan, number) and (goal.gap or 0) > CLOSED else gap(goal.gap),
            STATUS_WORDS.get(goal.status, goal.status),
        )
        for number, goal in enumerate(plan.goals)
    ]
    heads = tuple(map(head, ("goal", "value", "bound", "gap", "status")))
    lines = table(heads, rows, right=(1, 2, 3)) if rows else []
    limited = [n for n, goal in enumerate(plan.goals) if goal.bound is not None]
    if any(held_goals(plan, number) for number in limited):
        lines += paragraph(f"Proven limits of later goals are those{AS_PLANNED}.")
    return [*lines, *_bounds(plan)]


def _bounds(plan: Plan) -> list[str]:
    """Whose word the bounds are: rounded outward by this program, or the solver's."""
    certified = [goal_title(goal) for goal in plan.goals if goal.bound_kind == "certified"]
    others = any(goal.bound_kind == "solver" for goal in plan.goals)
    if not certified and not others:
        return []
    if not others:
        said = "Bounds are certified: of linear programs, rounded outward."
    elif not certified:
        said = "Bounds are the solver's, at its tolerance of 1e-6."
    else:
        said = (
            f"Bounds certified, of linear programs and rounded outward: {', '.join(certified)}; "
            "the others are the solver's, at its tolerance of 1e-6."
        )
    return paragraph(said)


def _emissions(plan: Plan) -> list[str]:
    emissions = emissions_of(plan)
    rows = [("counted", quantity(emissions.counted, "emission_rate"), "")]
    if release := emission_a_kwh(plan):
        of = "of firm power" if plan.basis == "firm" else "of mean power"
        rows[0] = ("counted", rows[0][1], f"{release} {of}")
    if emissions.biogenic > 0:
        rows.append(("biogenic", quantity(emissions.biogenic, "emission_rate"), "not counted"))
    rows += [
        (f"of {fluid}", quantity(rate, "emission_rate"), "")
        for fluid, rate in emissions.by_fluid.items()
        if rate > 0
    ]
    rows += [
        (f"{fluid} vented", quantity(rate, "emission_rate"), "at most; counted by its weight")
        for fluid, rate in vented_at_all(emissions).items()
    ]
    return table(("", "release", ""), rows, right=(1,))


def _money(site: Network, plan: Plan) -> list[str]:
    if plan.money == 0:
        return []
    running = running_money(site, plan)
    horizon = quantity(running_span(site), "duration")
    rows = [("to build", money(plan.money - running, unit_of_money(site)))]
    if running:
        rows.append((f"to run for {horizon}", money(running, unit_of_money(site))))
        rows.append(("in all", money(plan.money, unit_of_money(site))))
    said = paragraph(PLAIN_SUM) if lives_without_interest(site) else []
    return [*table(("", "sum"), rows, right=(1,)), *said]


def _bullets(texts: tuple[str, ...]) -> list[str]:
    return [line for text in texts for line in paragraph(text, bullet="* ")]
