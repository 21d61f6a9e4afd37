"""The page put together: the same bytes for the same site, plan, simulation and run."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from allocator import __version__
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import running_money
from allocator.report.files import plan_tables
from allocator.report.loads import runs_of_kind
from allocator.report.page.balance import balance_of, drawn, together
from allocator.report.page.balance import rows as balance_rows
from allocator.report.page.charts import (
    GoalBar,
    draw_curves,
    search_chart,
    stocks,
)
from allocator.report.page.colours import DARK, DASHES, LIGHT
from allocator.report.page.figures import figures_of
from allocator.report.page.frontier_chart import frontier_view
from allocator.report.page.heat_view import along_runs, margins, temperatures
from allocator.report.page.listing import listings
from allocator.report.page.map import map_of
from allocator.report.page.mixes_view import mixes_view
from allocator.report.page.simulation import Simulation
from allocator.report.page.strips import strips_of
from allocator.report.page.study_files import Frontier, Mixes
from allocator.report.prices import NOTE as PRICE_NOTE
from allocator.report.prices import price_rows
from allocator.report.words import (
    STATUS_WORDS,
    emission_a_kwh,
    gap,
    goal_title,
    goal_value,
    money,
    percent,
    quantity,
)
from allocator.site.records import Site

if TYPE_CHECKING:
    import jinja2

Fact = tuple[str, str, str]
"""Words, the figure as people read it, and the figure in full (empty for none)."""


@dataclass(frozen=True, slots=True)
class Said:
    """A line of what was decided: words with a figure that matters most."""

    figure: str
    words: str
    exact: str = ""


def page_html(
    site: Site,
    plan: Plan,
    simulation: Simulation | None = None,
    run: Mapping[str, Any] | None = None,
    crew: float | None = None,
    mixes: Mixes | None = None,
    frontiers: Sequence[Frontier] = (),
) -> str:
    """The page as one HTML text that needs no other file and no network.

    Args:
        site, plan: what is shown.
        simulation: adds levels of stores and what the proof by simulation found.
        run: what ``run.json`` says of the run that found the plan: adds the search over time.
        crew: kg/s of material that the crew builds: adds days to the build order.
        mixes, frontiers: what studies of the same site left; the plan is marked among them.

    Names are escaped wherever they stand.
    """
    site = network_of(site)
    figures = figures_of(site, plan)
    site_map = map_of(figures)
    balance = together(balance_of(figures))
    balance_drawing, balance_height = drawn(balance)
    strips = strips_of(site, plan, site_map.legend, simulation)
    reserves = None if simulation is None else simulation.reserves
    data = {
        "things": site_map.details.things,
        "labels": site_map.labels,
        "laid": site_map.laid,
        "strips": strips.data,
    }
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            site=site,
            plan=plan,
            said=_said(site, plan),
            map=site_map,
            legend=[(name, number, DASHES[number]) for name, number in site_map.legend.items()],
            balance=balance_drawing,
            balance_height=balance_height,
            balance_rows=[(a, b, quantity(w, "power"), w) for a, b, w in balance_rows(balance)],
            strips=strips,
            curves=draw_curves(figures),
            stocks=stocks(site, plan),
            kept=None if simulation is None else bool(simulation.facts["kept"]),
            goals=_goals(plan),
            search=search_chart(run or {}, plan),
            temperatures=temperatures(site, plan),
            along=along_runs(site, plan),
            margins=margins(site, plan),
            cooled=any(runs_of_kind(site, plan, "cooler")),
            layer="collect" if any(use.collect for use in plan.sources) else "supply",
            prices=price_rows(plan, site.currency),
            price_note=PRICE_NOTE,
            simulated=_simulated(simulation),
            listings=listings(plan_tables(site, plan, crew, reserves)),
            assumptions=_assumptions(site, plan, run),
            quantity=quantity,
            mixes=None if mixes is None else mixes_view(site, mixes, plan),
            frontiers=[frontier_view(found, plan) for found in frontiers],
            links=False,
            title=f"{plan.site_name}: plan",
            data=_json(data),
            style=_style(),
            script=_scripts("page.js", "tables.js"),
        )
    )


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
            style=_style(),
            script=_scripts("tables.js"),
        )
    )


def _scripts(*names: str) -> Markup:
    return Markup("".join(_text(name) for name in names))


def _json(data: object) -> Markup:
    """JSON that cannot end the element it stands in."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign, written in (("&", "\\u0026"), ("<", "\\u003c"), (">", "\\u003e")):
        text = text.replace(sign, written)
    return Markup(text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def _style() -> Markup:
    def colours(values: tuple[str, ...]) -> str:
        return "".join(f"--f{number}:{value};" for number, value in enumerate(values))

    text = _text("page.css")
    rules = "".join(f".c{n}{{--c:var(--f{n})}}" for n in range(len(LIGHT)))
    for number, dashes in enumerate(DASHES):
        if dashes:
            rules += f".key.c{number} line{{stroke-dasharray:{dashes}}}"
    text = text.replace("/*light*/", colours(LIGHT)).replace("/*dark*/", colours(DARK))
    return Markup(text + rules)


def _text(name: str) -> str:
    home = resources.files("allocator.report.page").joinpath("templates", name)
    return home.read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("allocator.report.page", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )


def _said(site: Network, plan: Plan) -> list[Said]:
    """What was decided, in five lines."""
    power, found = plan.power, []
    if power.demand_mean > 0 and plan.basis == "firm":
        words = "of clean power promised at all times"
        if plan.ceiling.clean is not None:
            words += f"; no plan can pass {quantity(plan.ceiling.clean, 'power')}"
        found.append(Said(quantity(power.firm_clean, "power"), words, repr(power.firm_clean)))
        words = f"in all, {percent(power.served_share)} of the demand"
        if release := emission_a_kwh(plan):
            words += f", at {release} counted"
        found.append(Said(quantity(power.firm_total, "power"), words, repr(power.firm_total)))
    elif power.demand_mean > 0:
        words = "of clean power on average, were every store as large as need be: no promise"
        found.append(Said(quantity(power.mean_clean, "power"), words, repr(power.mean_clean)))
    own = [use for use in plan.sources if not use.from_chamber]
    tapped = sum(use.tapped for use in own)
    pipes = [run for run in runs_of_kind(site, plan, "pipe") if run.new]
    length = sum(site.routes[run.route].length for run in pipes)
    machines = sum(use.count for use in plan.machines)
    stores = sum(1 for use in plan.stores if use.size > 0)
    stores += sum(1 for use in plan.batteries if use.size > 0)
    words = f"of {len(own)} sources tapped, {_many(stores, 'store')}, "
    words += f"{_many(machines, 'machine')}, {quantity(length, 'length')} of new pipe"
    found.append(Said(str(tapped), words, str(tapped)))
    scarce = [use for use in plan.materials if use.stock]
    if scarce:
        most = max(scarce, key=lambda use: use.used / (use.stock or 1.0))
        share = most.used / (most.stock or 1.0)
        found.append(Said(percent(share), f"of the {most.name} in stock is used", repr(share)))
    if plan.money:
        running = running_money(site, plan)
        parts = [money(sum_, site.currency) for sum_ in (plan.money - running, running)]
        words = f"in all: {parts[0]} to build, {parts[1]} to run for "
        words += quantity(site.horizon, "duration")
        found.append(Said(money(plan.money, site.currency), words, repr(plan.money)))
    return found


def _many(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _goals(plan: Plan) -> list[GoalBar]:
    found = []
    for goal in plan.goals:
        most = max(abs(goal.value), abs(goal.bound or 0.0))
        found.append(
            GoalBar(
                f"{'most' if goal.sense == 'max' else 'least'} {goal_title(goal)}",
                goal_value(goal, goal.value),
                goal_value(goal, goal.bound),
                gap(goal.gap),
                STATUS_WORDS.get(goal.status, goal.status),
                100.0 * abs(goal.value) / most if most else 0.0,
                None if goal.bound is None or not most else 100.0 * abs(goal.bound) / most,
            )
        )
    return found


def _simulated(found: Simulation | None) -> list[Fact]:
    if found is None:
        return []
    facts = found.facts
    rows: list[Fact] = [
        ("the promise held in every draw", "yes" if facts["kept"] else "NO", ""),
        ("draws", str(facts["draws_run"]), ""),
        ("days a draw", f"{float(facts['settings']['days']):g}", ""),
    ]
    for name, words in (
        ("promised_firm_w", "promised"),
        ("worst_firm_w", "least at any instant"),
        ("mean_clean_w", "clean on average"),
        ("mean_total_w", "in all on average"),
        ("foresight_w", "most that any control could give on average"),
    ):
        value = facts.get(name)
        if value is not None:
            rows.append((words, quantity(float(value), "power"), repr(value)))
    return rows


def _assumptions(site: Network, plan: Plan, run: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    ambient = site.ambient
    rows = [
        ("basis", "firm: what is there at all times" if plan.basis == "firm" else "mean: averages"),
        ("phases of the sources", "any: the promise holds for all of them"),
        ("goals, in order", ", ".join(goal.replace("_", " ") for goal in site.goals)),
        ("horizon of running costs", quantity(site.horizon, "duration")),
        ("ambient", f"{quantity(ambient.temperature, 'temperature')}"),
        ("biogenic releases", "counted" if site.count_biogenic else "a memo, not counted"),
        ("audited", "yes, by a recomputation without a solver" if plan.verified else "NO"),
        ("seed", str(plan.seed)),
        ("site file, SHA-256", plan.site_sha256),
        ("allocator", __version__),
    ]
    if plan.robustness is not None and plan.robustness.anything:
        lost, low = plan.robustness.lost, plan.robustness.low
        told = f"any {lost} sources that give nothing, and any {low} others at their low end"
        rows.insert(2, ("withstands", told))
    if plan.basis != "firm":
        rows[1] = ("phases of the sources", "do not matter to averages")
    for name, version in ((run or {}).get("versions") or {}).items():
        if name != "allocator":
            rows.append((str(name), str(version)))
    return rows
