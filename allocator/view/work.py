"""What a worker process of the page does: plan a changed site, or run a plan through a year.

Its one argument is the process that started it. The order comes on standard input, news go to
standard output; it holds no file open and writes none, so that it can be killed at any time.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from allocator.base.clock import crowding
from allocator.base.errors import AllocatorError
from allocator.base.parent_process import end_with_parent
from allocator.base.quantities import format_quantity
from allocator.base.rendering import shown_cells
from allocator.base.status import Status
from allocator.base.table import Table
from allocator.engine import NoPlanError, PlanResult, plan_digest, plan_site
from allocator.engine.planning import check_lost_machines, check_robust, proved
from allocator.engine.time_limit import TimeAfter
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.plans.differences import differences
from allocator.plans.records import NOTHING, Plan
from allocator.report.bill import bill_of_materials
from allocator.report.changes import both_figures, changes_table, costs_of_changes
from allocator.report.page import page_html
from allocator.report.page.simulation import Simulation, simulation_of
from allocator.report.words import GOAL_WORDS, gap
from allocator.search import Progress
from allocator.simulation import SimulationSettings, Trace, simulate
from allocator.simulation.files import simulation_files
from allocator.site.money import unit_of_money
from allocator.verify import audit
from allocator.view.orders import (
    FaultNews,
    News,
    PageNews,
    PlanNews,
    PlanOrder,
    ProgressNews,
    YearOrder,
    framed,
    read_framed,
)

Tell = Callable[[News], None]
YEAR = SimulationSettings(days=365.0, phases=1, adversarial=False, samples=2000, events=0)
SAME = 1e-6
"""Share by which two values of a goal must differ to be different."""
PROOF_SECONDS = 5.0
"""s of a time limit that are left for the simulation of the plan."""
DIMENSIONS = {
    "clean_power": "power",
    "served_power": "power",
    "served_fluid": "mass_rate",
    "emissions": "emission_rate",
    "scarce_material": "mass",
    "money": "money",
}


def main() -> None:
    """Do the one order that comes, then end."""
    end_with_parent(int(sys.argv[1]))
    orders, news = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    with open(os.devnull, "r+b") as away:  # a solver prints a banner on standard output
        os.dup2(away.fileno(), 0)
        os.dup2(away.fileno(), 1)

    def tell(what: News) -> None:
        news.write(framed(what))
        news.flush()

    try:
        order = read_framed(orders)
    except EOFError:
        return
    try:
        if isinstance(order, PlanOrder):
            plan_again(order, tell)
        else:
            play_year(order, tell)
    except NoPlanError as error:
        tell(FaultNews(no_plan_lines(error)))
    except (AllocatorError, ValueError) as error:
        tell(FaultNews(tuple(str(error).splitlines())))
    except MemoryError:
        tell(FaultNews(("the planning process is out of memory; close other programs",)))


def no_plan_lines(error: NoPlanError) -> tuple[str, ...]:
    """Why there is no plan, and the command that finds the change that is sufficient."""
    if not error.outcome.proven_impossible:
        return (error.outcome.reason,)
    return (
        *error.outcome.reason.splitlines(),
        "Proven: no plan exists with these changes. 'allocator why' on a site file with them gives "
        "the limits that conflict and the change that is sufficient.",
    )


def plan_again(order: PlanOrder, tell: Tell) -> None:
    """A first plan soon, then the best one in the time, each from the one before."""
    began = time.perf_counter()
    check_robust(order.site, order.settings.robustness.low)
    check_lost_machines(order.site, order.settings.robustness.machines)
    network_of(order.site)
    start, known = order.present, unchanged(order)
    if known is not None:
        tell(_plan_news(order, known, False))
    soon = order.settings.node_limit is None and order.first < order.settings.time_limit
    if soon:
        seconds = order.first * crowding()
        quick = replace(order.settings, time_limit=seconds, start=start, threads=1, effort="quick")
        try:
            first = plan_site(order.site, quick, _teller(tell, began))
        except NoPlanError as error:
            if error.outcome.proven_impossible:
                raise
        else:
            if first.audit.accepted and (known is None or better(first.plan, known.plan)):
                start, known = first.plan, first
                tell(_plan_news(order, first, False))
    settings = replace(order.settings, start=start, prices=True)
    if settings.node_limit is None:
        gone = time.perf_counter() - began
        left = settings.time_limit - gone - min(PROOF_SECONDS, 0.2 * settings.time_limit)
        settings = replace(settings, time_limit=max(1.0, left))
    result = plan_site(order.site, settings, _teller(tell, began))
    if known is not None and not (result.audit.accepted and better(result.plan, known.plan)):
        result = known
    if not result.audit.accepted:
        breaches = [f"breach: {breach}" for breach in result.audit.breaches[:5]]
        tell(FaultNews(("The plan failed its audit: plan again.", *breaches)))
        return
    result = proved(result, None, settings.seed, after=TimeAfter(clocks=False))
    tell(_plan_news(order, result, True))
    if result.simulation is not None:
        play_year(YearOrder(order.site, result.plan), tell)


def unchanged(order: PlanOrder) -> PlanResult | None:
    """The present plan as a plan of the changed site, without bounds; None where it is none.

    So that no search that ends too soon gives less than what is there.
    """
    plan = order.present
    if plan is None or (plan.robustness or NOTHING) != order.settings.robustness:
        return None
    for use in plan.materials:
        stock = order.site.materials[use.name].stock
        if stock is not None and use.used > stock * (1.0 + SAME):
            return None  # as the audit would find, which takes longer
    goals = tuple(
        replace(goal, bound=None, gap=None, bound_kind=None, status=Status.TIME_LIMIT)
        for goal in plan.goals
    )
    plan = replace(
        plan,
        site_sha256=order.site.sha256,
        cautions=cautions_for(order.site),
        goals=goals,
        ceiling=replace(plan.ceiling, clean=None, total=None, clean_kind=None, total_kind=None),
        materials=tuple(
            replace(use, stock=order.site.materials[use.name].stock) for use in plan.materials
        ),
        status=Status.TIME_LIMIT,
        prices=(),
        limits=(),
        set_points=None,
        verified=False,
    )
    found = audit(order.site, plan)
    plan = replace(plan, verified=True)
    return PlanResult(order.site, plan, found) if found.accepted else None


def better(plan: Plan, known: Plan) -> bool:
    """Whether a plan is no worse than another by the first goal in which they differ."""
    for mine, other in zip(plan.goals, known.goals, strict=False):
        more = mine.value - other.value if mine.sense == "max" else other.value - mine.value
        if abs(more) > SAME * max(abs(mine.value), abs(other.value)):
            return more > 0
    return True


def _teller(tell: Tell, began: float) -> Callable[[Progress], None]:
    """Passes lines of progress on, their seconds from the start of the whole."""
    offset = time.perf_counter() - began

    def heard(line: Progress) -> None:
        seconds = offset + line.seconds
        tell(ProgressNews(seconds, line.goal, line.value, line.bound, progress_words(line)))

    return heard


def progress_words(line: Progress) -> str:
    """A line of progress as people read it."""
    dimension = DIMENSIONS.get(line.goal, "number")
    parts = [GOAL_WORDS.get(line.goal, line.goal)]
    for name, value in (("plan", line.value), ("bound", line.bound)):
        if value is not None:
            parts.append(f"{name} {format_quantity(value, dimension)}")
    if line.gap is not None:
        parts.append(f"gap {gap(line.gap)}")
    return ", ".join([*parts, *([str(line.note)] if line.note else [])])


def _plan_news(order: PlanOrder, result: PlanResult, last: bool) -> PlanNews:
    notes = [f"not simulated: {result.not_simulated}"] if result.not_simulated else []
    trace = result.simulation
    if trace is not None and not trace.kept:
        notes.append("the plan did NOT keep its firm output when simulated: do not build from it")
    page = page_html(order.site, result.plan, _shown(trace, result.plan))
    figures = compared(order, result.plan)
    return PlanNews(result.plan, page.encode("utf-8"), figures, last, trace, tuple(notes))


def compared(order: PlanOrder, plan: Plan) -> dict[str, Any]:
    """The present plan beside a new one: figures, what is built differently, what that costs."""
    if order.present is None:
        return {"tables": [], "counts": {}}
    before, after = order.present, plan
    bills = (
        bill_of_materials(network_of(order.former), before),
        bill_of_materials(network_of(order.site), after),
    )
    counts: dict[str, int] = {}
    for row in differences(before, after):
        counts[row.fate] = counts.get(row.fate, 0) + 1
    tables = (
        both_figures(before, after),
        changes_table(before, after),
        costs_of_changes(*bills, unit_of_money(order.site)),
    )
    return {"tables": [_plain(table) for table in tables if table.rows], "counts": counts}


def _plain(table: Table) -> dict[str, Any]:
    """A table for people as plain data: title, heads, which are numbers, rows."""
    columns, cells = shown_cells(table)
    heads, *rows = cells
    right = [column.numeric for column in columns]
    return {"title": table.title, "heads": heads, "right": right, "rows": rows}


def play_year(order: YearOrder, tell: Tell) -> None:
    """The page of a plan with a year of its simulation in it."""
    trace = simulate(network_of(order.site), order.plan, YEAR)
    page = page_html(order.site, order.plan, _shown(trace, order.plan))
    words = "kept" if trace.kept else "NOT kept"
    tell(PageNews(page.encode("utf-8"), (f"a year simulated: firm output {words}",)))


def _shown(trace: Trace | None, plan: Plan) -> Simulation | None:
    """What the page shows of a simulation."""
    if trace is None:
        return None
    texts = simulation_files(replace(trace, plan_sha256=plan_digest(plan)))
    return simulation_of(
        texts["simulation.json"], texts["levels.csv"], plan, None, Path("simulation.json")
    )


if __name__ == "__main__":
    # what is sent must be of the module that the other end knows, not of this script
    from allocator.view.work import main as run

    run()
