"""The tables and hand-over files of a plan, by file name."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.rendering import csv_of
from allocator.base.table import Table
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report import heat_tables, line_tables, outage_tables, tables
from allocator.report.handover.geojson import plan_geojson
from allocator.report.handover.graphml import plan_graphml
from allocator.report.handover.lists import (
    build_order_table,
    cut_list_table,
    cutting_table,
    set_points_table,
)
from allocator.report.handover.stock import bill_with_totals, stock_table
from allocator.report.handover.workbook import workbook
from allocator.report.pressure_ways import pressure_ways_table

Reserves = Mapping[str, tuple[float, str]]
"""Tank -> what must stay in it for the promise, and its unit."""


def plan_tables(
    site: Network, plan: Plan, crew: float | None = None, reserves: Reserves | None = None
) -> tuple[Table, ...]:
    """The tables of a plan. ``crew``: kg/s of material that the crew builds."""
    found = [
        tables.sources_used(site, plan),
        tables.store_sizes(site, plan),
        line_tables.runs(site, plan),
        tables.machine_counts(site, plan),
        bill_with_totals(site, plan),
        stock_table(site, plan),
        cut_list_table(site, plan),
        build_order_table(site, plan, crew),
        set_points_table(site, plan, reserves or reserves_of(plan)),
    ]
    cutting = cutting_table(site, plan)
    if len(cutting):
        found.append(cutting)
    if plan.heat is not None:
        found.append(heat_tables.heat_limits(plan))
        if plan.heat.coolers:
            found.append(line_tables.coolers(site, plan))
    if plan.pressures:
        found.append(line_tables.pressures(site, plan))
        found.append(pressure_ways_table(site, plan))
    if plan.boosters:
        found.append(line_tables.boosters(site, plan))
    if plan.heat_sinks:
        found.append(heat_tables.heat_sinks(plan))
    if len(warmed := heat_tables.heat_demands(site, plan)):
        found.append(warmed)
    if plan.outages:
        found.append(outage_tables.outages(plan))
    return tuple(found)


def hand_over_files(
    site: Network, plan: Plan, crew: float | None = None, reserves: Reserves | None = None
) -> dict[str, bytes]:
    """All tables as CSV and in one workbook, a map for other tools, a graph: by file name.

    The same bytes for the same site, plan and crew.
    """
    found = plan_tables(site, plan, crew, reserves)
    texts = {f"{table.name}.csv": csv_of(table) for table in found}
    texts["plan.geojson"] = plan_geojson(site, plan)
    texts["plan.graphml"] = plan_graphml(site, plan)
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    return {**files, "plan.xlsx": workbook(plan, found)}


def reserves_of(plan: Plan) -> dict[str, tuple[float, str]] | None:
    """What the set-points of a plan keep in each store; None where it has none."""
    if plan.set_points is None:
        return None
    return {hold.store: (hold.reserve, hold.unit) for hold in plan.set_points.stores}
