"""The table of sources for people and for programs: text, CSV and JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence

from allocator.report.text import section, table
from allocator.report.words import count, grams_a_kwh, percent, quantity
from allocator.site.records import Site
from allocator.studies.load_factor import load_factor_of
from allocator.studies.machines import MachineRow, machines_table
from allocator.studies.sources import (
    CarriedUnits,
    FluidRow,
    SourceRow,
    fluids_table,
    sources_table,
)

FORMAT = "allocator.sources/1"


def sources_text(site: Site) -> str:
    """All that :func:`~allocator.studies.sources.sources_table` knows, for a terminal."""
    rows, fluids = sources_table(site), fluids_table(site)
    factor = load_factor_of(site)
    lines = ["Flows (by rule: the product of the stage ratios, a rule of thumb)", *_flows(rows)]
    lines += section("Promises, each source alone with all store that could be built", _firm(rows))
    lines += section("Sources of one fluid: a shared store, or equal shares of it", _shared(fluids))
    lines += section("Machines that a source carries", _carried(rows, fluids, factor))
    lines += section("Machines", _machines(machines_table(site)))
    return "\n".join(lines) + "\n"


def _flows(rows: Sequence[SourceRow]) -> list[str]:
    heads = ("source", "place", "fluid", "while on", "duty", "by rule", "mean", "longest quiet")
    cells = [
        (
            row.source,
            row.place,
            row.fluid,
            quantity(row.flow, "mass_rate"),
            percent(row.duty),
            percent(row.rule_of_thumb_duty),
            quantity(row.mean_flow, "mass_rate"),
            quantity(row.longest_quiet, "duration") if row.longest_quiet else "none",
        )
        for row in rows
    ]
    return table(heads, cells, right=(3, 4, 5, 6, 7))


def _firm(rows: Sequence[SourceRow]) -> list[str]:
    heads = ("source", "mean", "store for all of it", "store possible", "firm", "1 kg more adds")
    cells = [
        (
            row.source,
            quantity(row.mean_flow, "mass_rate"),
            quantity(row.full_store, "mass") if row.full_store else "none",
            quantity(row.store, "mass") if row.store else "none",
            quantity(row.firm_draw, "mass_rate"),
            quantity(row.per_store, "mass_rate") if row.per_store else "nothing",
        )
        for row in rows
    ]
    return table(heads, cells, right=(1, 2, 3, 4, 5))


def _shared(rows: Sequence[FluidRow]) -> list[str]:
    cells = [
        (
            row.fluid,
            str(row.sources),
            quantity(row.mean_flow, "mass_rate"),
            quantity(row.store, "mass"),
            quantity(row.apart, "mass_rate"),
            quantity(row.together, "mass_rate"),
        )
        for row in rows
    ]
    heads = ("fluid", "sources", "mean", "store", "firm apart", "firm shared")
    return table(heads, cells, right=(1, 2, 3, 4, 5)) if cells else []


def _carried(rows: Sequence[SourceRow], fluids: Sequence[FluidRow], factor: float) -> list[str]:
    def cells(name: str, carries: Sequence[CarriedUnits]) -> list[tuple[str, ...]]:
        return [
            (name, c.machine, count(c.mean), count(c.firm), count(c.at_load_factor))
            for c in carries
        ]

    listed = [cell for row in rows for cell in cells(row.source, row.carries)]
    listed += [cell for row in fluids for cell in cells(f"all {row.fluid}", row.carries)]
    heads = ("source", "machine", "on the mean", "firm", f"at {percent(factor)} load")
    return table(heads, listed, right=(2, 3, 4)) if listed else []


def _machines(rows: Sequence[MachineRow]) -> list[str]:
    cells = [
        (
            row.machine,
            quantity(row.power, "power"),
            "-" if row.efficiency is None else percent(row.efficiency),
            "clean" if row.clean else grams_a_kwh(row.emission or 0.0),
        )
        for row in rows
    ]
    heads = ("machine", "gives", "of heating value", "counted emission")
    return table(heads, cells, right=(1, 2, 3)) if cells else []


def _facts(row: SourceRow) -> dict[str, object]:
    return {
        "source": row.source,
        "place": row.place,
        "fluid": row.fluid,
        "flow_kg_s": row.flow,
        "duty": row.duty,
        "rule_of_thumb_duty": row.rule_of_thumb_duty,
        "mean_kg_s": row.mean_flow,
        "longest_quiet_s": row.longest_quiet,
        "full_store_kg": row.full_store,
        "store_kg": row.store,
        "firm_kg_s": row.firm_draw,
        "firm_per_store_kg_s_per_kg": row.per_store,
    }


def _machine_facts(carried: CarriedUnits) -> dict[str, object]:
    return {
        "machine": carried.machine,
        "machines_mean": carried.mean,
        "machines_firm": carried.firm,
        "machines_at_load_factor": carried.at_load_factor,
    }


def sources_json(site: Site) -> str:
    """The rows as JSON, SI units in the keys, ending in a new line."""
    data = {
        "format": FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "load_factor": load_factor_of(site),
        "sources": [
            {**_facts(row), "carries": [_machine_facts(c) for c in row.carries]}
            for row in sources_table(site)
        ],
        "fluids": [
            {
                "fluid": row.fluid,
                "sources": row.sources,
                "mean_kg_s": row.mean_flow,
                "store_kg": row.store,
                "firm_apart_kg_s": row.apart,
                "firm_shared_kg_s": row.together,
                "carries": [_machine_facts(c) for c in row.carries],
            }
            for row in fluids_table(site)
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def sources_csv(site: Site) -> str:
    """The rows as CSV: a line a source and machine type; a source that no machine takes has one."""
    import pandas as pd

    from allocator.report.tables import csv_text

    lines: list[dict[str, object]] = []
    for row in sources_table(site):
        facts = _facts(row)
        lines += [{**facts, **_machine_facts(c)} for c in row.carries] or [{**facts, **_NOTHING}]
    return csv_text(pd.DataFrame(lines, dtype=object))


_NOTHING = dict.fromkeys(_machine_facts(CarriedUnits("", 0.0, 0.0, 0.0)))
