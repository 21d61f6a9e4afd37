"""The tables and hand-over files of a plan, by file name."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report import tables
from allocator.report.handover.frames import (
    build_order_table,
    cut_list_table,
    set_points_table,
)
from allocator.report.handover.geojson import plan_geojson
from allocator.report.handover.graphml import plan_graphml
from allocator.report.handover.workbook import workbook

Reserves = Mapping[str, tuple[float, str]]
"""Tank -> what must stay in it for the promise, and its unit."""


def plan_tables(
    site: Network, plan: Plan, crew: float | None = None, reserves: Reserves | None = None
) -> dict[str, pd.DataFrame]:
    """The tables of a plan by name. ``crew``: kg/s of material that the crew builds."""
    frames = {
        "sources_used": tables.sources_used(site, plan),
        "store_sizes": tables.store_sizes(site, plan),
        "runs": tables.runs(site, plan),
        "machine_counts": tables.machine_counts(site, plan),
        "bill_of_materials": tables.bill(site, plan),
        "cut_list": cut_list_table(site, plan),
        "build_order": build_order_table(site, plan, crew),
        "set_points": set_points_table(site, plan, reserves or _reserves(plan)),
    }
    if plan.heat is not None:
        frames["heat_limits"] = tables.heat_limits(plan)
        if plan.heat.coolers:
            frames["coolers"] = tables.coolers(site, plan)
    if plan.baths:
        frames["baths"] = tables.baths(plan)
    return frames


def hand_over_files(
    site: Network, plan: Plan, crew: float | None = None, reserves: Reserves | None = None
) -> dict[str, bytes]:
    """All tables as CSV and in one workbook, a map for other tools, a graph: by file name.

    The same bytes for the same site, plan and crew.
    """
    frames = plan_tables(site, plan, crew, reserves)
    texts = {f"{name}.csv": tables.csv_text(frame) for name, frame in frames.items()}
    texts["plan.geojson"] = plan_geojson(site, plan)
    texts["plan.graphml"] = plan_graphml(site, plan)
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    return {**files, "plan.xlsx": workbook(plan, frames)}


def _reserves(plan: Plan) -> dict[str, tuple[float, str]] | None:
    if plan.set_points is None:
        return None
    return {hold.store: (hold.reserve, hold.unit) for hold in plan.set_points.stores}
