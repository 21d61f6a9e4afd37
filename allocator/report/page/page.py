"""The page put together: the same bytes for the same site, plan, simulation and run."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any, NamedTuple

from markupsafe import Markup

from allocator import __version__
from allocator.base.labels import head
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.catalogue import catalogue_rows
from allocator.report.files import plan_tables
from allocator.report.handover.build_order import DAY, build_order
from allocator.report.heat_tables import temperatures
from allocator.report.loads import runs_of_kind
from allocator.report.page import symbols
from allocator.report.page.balance import balance_of, drawn, together
from allocator.report.page.balance import rows as balance_rows
from allocator.report.page.build_view import build_data, first_steps
from allocator.report.page.changes_view import changes_view
from allocator.report.page.charts import (
    GoalBar,
    draw_curves,
    search_chart,
    stocks,
)
from allocator.report.page.colours import CLEAN, DARK, DASHES, EMITTING, LIGHT, hatchings
from allocator.report.page.figures import PageFigures, figures_of
from allocator.report.page.first_screen import built_of, said_of, supply_of
from allocator.report.page.frontier_chart import frontier_view
from allocator.report.page.heat_view import along_runs, margins
from allocator.report.page.listing import listing_of, listings
from allocator.report.page.map import Map, map_of
from allocator.report.page.mixes_view import mixes_view
from allocator.report.page.pressure_view import along_ways
from allocator.report.page.simulation import Simulation
from allocator.report.page.study_files import Frontier, Mixes, Sweep
from allocator.report.page.sweep_view import sweep_view
from allocator.report.page.times import known_starts, times_of
from allocator.report.parts import limits_by_unit
from allocator.report.prices import HEADS as PRICE_HEADS
from allocator.report.prices import NOTE as PRICE_NOTE
from allocator.report.prices import price_rows
from allocator.report.recorded import series_rows
from allocator.report.words import (
    GOAL_WORDS,
    STATUS_WORDS,
    earlier_open,
    gap,
    goal_sought,
    goal_value,
    held_goals,
    quantity,
    without_dust,
)
from allocator.site.money import PLAIN_SUM, lives_without_interest, running_span, unit_of_money
from allocator.site.records import Site

if TYPE_CHECKING:
    import jinja2

ON_PAPER = ("sources_used", "store_sizes", "machine_counts", "runs")
"""Tables that are printed; the others are in the files of the plan."""


class PageStudies(NamedTuple):
    """What studies of a site left, for its page."""

    mixes: Mixes | None = None
    frontiers: Sequence[Frontier] = ()
    sweeps: Sequence[Sweep] = ()


Fact = tuple[str, str, str]
"""Words, the figure as people read it, and the figure in full (empty for none)."""


def page_html(
    site: Site,
    plan: Plan,
    simulation: Simulation | None = None,
    run: Mapping[str, Any] | None = None,
    crew: float | None = None,
    studies: PageStudies | None = None,
    former: Plan | None = None,
) -> str:
    """The page as one HTML text that needs no other file and no network.

    Args:
        site, plan: what is shown.
        simulation: adds levels of stores and what the proof by simulation found.
        run: what ``run.json`` says of the run that found the plan: adds the search over time.
        crew: kg/s of material that the crew builds: adds days to the build order.
        studies: what studies of the same site left; the plan is marked among them.
        former: the plan that this one replaces: adds what changes.

    Names are escaped wherever they stand.
    """
    site = network_of(site)
    mixes, frontiers, sweeps = studies or PageStudies()
    figures = figures_of(site, plan)
    site_map = map_of(figures)
    times = times_of(figures, site_map, simulation)
    reserves = None if simulation is None else simulation.reserves
    steps = build_order(site, plan, crew)
    data = {
        "things": site_map.details.things,
        "names": site_map.details.names,
        "labels": site_map.labels,
        "laid": site_map.laid,
        "pipes": site_map.pipe_labels,
        "times": times.data,
        "build": build_data(site, steps, site_map),
    }
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            **_parts_of_plan(site, plan),
            **_map_parts(site, plan, site_map),
            **_balance_parts(figures),
            times=times,
            curves=draw_curves(figures),
            kept=None if simulation is None else bool(simulation.facts["kept"]),
            simulated=_simulated(simulation),
            search=search_chart(run or {}, plan, unit_of_money(site)),
            changes=None if former is None else changes_view(site, former, plan),
            first=first_steps(steps),
            steps=len(steps),
            spells=any(step.due is not None for step in steps),
            crew="" if crew is None else f"{crew * DAY:.6g}",
            listings=listings((*plan_tables(site, plan, crew, reserves), *limits_by_unit(plan))),
            on_paper=ON_PAPER,
            assumptions=_assumptions(site, plan, run),
            mixes=None if mixes is None else mixes_view(site, mixes, plan),
            frontiers=[frontier_view(found, plan) for found in frontiers],
            sweeps=[sweep_view(found, site) for found in sweeps],
            studies=_studies(mixes, frontiers, sweeps),
            links=False,
            title=f"{plan.site_name}: plan",
            data=_json(data),
            style=page_style(),
            script=_scripts("map.js", "labels.js", "times.js", "build.js", "page.js", "tables.js"),
        )
    )


Parts = dict[str, object]
"""What the template of the page shows, by the name that it uses."""


def _parts_of_plan(site: Network, plan: Plan) -> Parts:
    return {
        "site": site,
        "plan": plan,
        "said": said_of(plan),
        "supply": supply_of(plan),
        "built": built_of(site, plan),
        "stocks": stocks(site, plan),
        "goals": _goals(site, plan),
        "temperatures": listing_of(temperatures(site, plan)),
        "along": along_runs(site, plan),
        "margins": margins(site, plan),
        "pressed": along_ways(site, plan),
        "prices": price_rows(plan, unit_of_money(site)),
        "price_heads": PRICE_HEADS,
        "price_note": PRICE_NOTE,
        "quantity": quantity,
    }


def _map_parts(site: Network, plan: Plan, site_map: Map) -> Parts:
    fluids = site_map.legend.items()
    return {
        "map": site_map,
        "hatchings": hatchings(),
        "symbols": symbols,
        "legend": [(name, number, DASHES[number]) for name, number in fluids],
        "cooled": any(runs_of_kind(site, plan, "cooler")),
        "sunk": any(runs_of_kind(site, plan, "sink")),
        "boosted": bool(plan.boosters),
        "insulated": any(len(site.pipes[run.build].layers) > 1 for run in plan.runs),
        "converters": any(machine.power_out <= 0 for machine in site.machines.values()),
    }


def _balance_parts(figures: PageFigures) -> Parts:
    balance = together(balance_of(figures))
    drawing, height = drawn(balance)
    rows = [(a, b, quantity(w, "power"), w) for a, b, w in balance_rows(balance)]
    return {"balance": drawing, "balance_height": height, "balance_rows": rows}


def study_page(site: Network, mixes: Mixes | None = None, frontier: Frontier | None = None) -> str:
    """A page of its own for what a study found, with links to the plans beside it."""
    lead = "Clean and emitting supply mixes, each a full plan."
    if frontier is not None:
        lead = f"What power takes of '{frontier.give}', point by point."
    return (
        _environment()
        .get_template("study.html.j2")
        .render(
            site=site,
            lead=lead,
            mixes=None if mixes is None else mixes_view(site, mixes),
            frontiers=[] if frontier is None else [frontier_view(frontier)],
            links=True,
            title=f"{site.name}: {'frontier' if mixes is None else 'supply mixes'}",
            style=page_style(),
            script=_scripts("tables.js"),
        )
    )


def _studies(
    mixes: Mixes | None, frontiers: Sequence[Frontier], sweeps: Sequence[Sweep]
) -> list[tuple[str, str]]:
    """Tabs: the id of the section that each shows, and its words."""
    found = [] if mixes is None else [("mixes", "Supply mixes")]
    found += [(f"frontier-{k}", f"Frontier: {f.give}") for k, f in enumerate(frontiers, 1)]
    return found + [(f"sweep-{k}", f"Sweep {k}") for k in range(1, len(sweeps) + 1)]


def _scripts(*names: str) -> Markup:
    """Scripts that share their names with each other and with nothing else."""
    texts = "".join(_text(name) for name in ("shared.js", *names))
    return Markup(f'"use strict";(() => {{{texts}}})();')


def _json(data: object) -> Markup:
    """JSON that cannot end the element it stands in."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign, written in (("&", "\\u0026"), ("<", "\\u003c"), (">", "\\u003e")):
        text = text.replace(sign, written)
    return Markup(text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def page_style() -> Markup:
    """The style sheet of the page, for pages around it as well."""

    def colours(values: tuple[str, ...]) -> str:
        return "".join(f"--f{number}:{value};" for number, value in enumerate(values))

    text = _text("page.css")
    rules = "".join(
        f".c{n}{{--c:var(--f{n})}}.c{n} .share,.c{n} .level{{fill:url(#hatch-{n})}}"
        for n in range(len(LIGHT))
    )
    for number, dashes in enumerate(DASHES):
        if dashes:
            rules += f".key.c{number} line{{stroke-dasharray:{dashes}}}"
    for number, (name, values) in enumerate((("light", LIGHT), ("dark", DARK))):
        power = f"--clean:{CLEAN[number]};--emitting:{EMITTING[number]};"
        text = text.replace(f"/*{name}*/", colours(values) + power)
    return Markup(text + rules)


def _text(name: str) -> str:
    home = resources.files("allocator.report.page").joinpath("templates", name)
    return home.read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    import jinja2

    found = jinja2.Environment(
        loader=jinja2.PackageLoader("allocator.report.page", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    found.globals["head"] = head
    return found


def _goals(site: Network, plan: Plan) -> list[GoalBar]:
    found, plan = [], without_dust(plan)
    for number, goal in enumerate(plan.goals):
        most = max(abs(goal.value), abs(goal.bound or 0.0))
        found.append(
            GoalBar(
                goal_sought(goal),
                goal_value(goal, goal.value, unit_of_money(site)),
                _limit_words(site, plan, number),
                STATUS_WORDS.get(goal.status, goal.status),
                100.0 * abs(goal.value) / most if most else 0.0,
                None if goal.bound is None or not most else 100.0 * abs(goal.bound) / most,
            )
        )
    return found


def _limit_words(site: Network, plan: Plan, number: int) -> str:
    """The proven limit of a goal and its gap; no gap where an earlier goal is open."""
    goal = plan.goals[number]
    if goal.bound is None:
        return f"no {head('bound')}"
    limit = goal_value(goal, goal.bound, unit_of_money(site))
    held = held_goals(plan, number)
    if earlier_open(plan, number):
        return f"limit {limit}{held}"
    return f"{head('bound')} {limit}{held}, {head('gap')} {gap(goal.gap)}"


def _simulated(found: Simulation | None) -> list[Fact]:
    if found is None:
        return []
    facts = found.facts
    rows: list[Fact] = [
        (head("promise_kept"), "yes, in every draw" if facts["kept"] else "NO", ""),
        (head("draws"), str(facts["draws_run"]), ""),
        (head("days"), f"{float(facts['settings']['days']):g}", ""),
    ]
    for name, words in (
        ("promised_firm_w", head("firm_total")),
        ("worst_firm_w", head("worst_power")),
        ("mean_clean_w", head("mean_clean")),
        ("mean_total_w", head("mean_power")),
        ("foresight_w", head("foresight")),
    ):
        value = facts.get(name)
        if value is not None:
            rows.append((words, quantity(float(value), "power"), repr(value)))
    if found.least_pressure is not None:
        least, checked, states = found.least_pressure
        words = f"least margin of pressure, {checked} of {states} states checked"
        rows.append((words, quantity(least, "pressure"), repr(least)))
    return rows


def _phases(site: Network, plan: Plan) -> str:
    """For which phases of the sources firm output holds."""
    starts = known_starts(site)
    names = [use.name for use in plan.sources if use.tapped and site.sources[use.name].stages]
    own = dict.fromkeys(site.sources[name].part_of or name for name in names)
    known = [name for name in own if name in starts]
    if not known:
        return "any: firm output holds for all of them"
    named = ", ".join(f"'{name}'" for name in known)
    others = "" if len(known) == len(own) else "; any phase of the others"
    return f"as their clocks are known, of {named}{others}"


def _assumptions(site: Network, plan: Plan, run: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    ambient = site.ambient
    rows = [
        ("basis", "firm: holds at all times" if plan.basis == "firm" else "mean: averages"),
        ("phases of the sources", _phases(site, plan)),
        ("goals, in order", ", ".join(GOAL_WORDS.get(goal, goal) for goal in site.goals)),
        ("horizon of running costs", quantity(running_span(site), "duration")),
        ("ambient", f"{quantity(ambient.temperature, 'temperature')}"),
        ("biogenic releases", "counted" if site.count_biogenic else "reported, not counted"),
        ("audited", "yes, by a recomputation without a solver" if plan.verified else "NO"),
        ("random seed", str(plan.seed)),
        ("site file, SHA-256", plan.site_sha256),
        ("allocator", __version__),
    ]
    if lives_without_interest(site):
        rows.insert(4, ("money", PLAIN_SUM))
    if plan.robustness is not None and plan.robustness.anything:
        lost, low = plan.robustness.lost, plan.robustness.low
        if plan.robustness.machines:
            units = plan.robustness.machines
            told = f"any {units} machine unit{'' if units == 1 else 's'} out of order"
            rows.insert(2, ("N-k robustness of machines", told))
        if plan.robustness.of_sources:
            told = f"any {lost} sources without output, and any {low} others at their low end"
            rows.insert(2, ("N-k robustness", told))
    rows += [*series_rows(site), *catalogue_rows(site)]
    if plan.basis != "firm":
        rows[1] = ("phases of the sources", "irrelevant to averages")
    for name, version in ((run or {}).get("versions") or {}).items():
        if name != "allocator":
            rows.append((str(name), str(version)))
    return rows
