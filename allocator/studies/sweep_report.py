"""A sweep for people and for programs: a summary, a table of all cases, JSON."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict

from allocator.base.dimensions import DIMENSIONS
from allocator.base.spreadsheet_cells import inert
from allocator.network.facts import Fact, facts_of
from allocator.plans.records import Plan
from allocator.report.text import paragraph, section, table, width
from allocator.report.words import percent, quantity
from allocator.site.records import Site
from allocator.studies.sweep import Swept
from allocator.studies.sweep_figures import (
    LEVELS,
    Effect,
    Summary,
    effects,
    likely_share,
    main_figure,
    summaries,
)

FORMAT = "allocator.sweep/1"
NAMES = {"firm_clean": "firm clean power", "firm_total": "firm power", "fluid": "fluid served"}
DIMENSION = {"firm_clean": "power", "firm_total": "power", "fluid": "mass_rate"}
MOST_LINES = 24


def sweep_csv(site: Site, rows: Sequence[Swept]) -> str:
    """All cases, a row each, SI; the values that vary have a column each, with their unit."""
    facts = facts_of(site)
    addresses = list(rows[0].values) if rows else []
    heads = [f"{a} [{DIMENSIONS[facts[a].dimension].si}]" for a in addresses]
    result = (
        "status verified gap firm_clean_w firm_total_w fluid_kg_per_s demand_w promise_kept"
        " hours_short_per_year reason"
    )
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(["case", "draw", *map(inert, heads), *result.split()])
    for number, row in enumerate(rows, 1):
        cells = [
            row.status,
            row.verified,
            row.gap,
            row.firm_clean,
            row.firm_total,
            row.fluid,
            row.demand,
            row.kept,
            row.hours_short,
            row.reason,
        ]
        values = [row.values[a] for a in addresses]
        out.writerow([number, row.draw, *map(_cell, values), *map(_cell, cells)])
    return text.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.9g}"
    return inert(str(value))


def sweep_json(rows: Sequence[Swept], plan: Plan | None) -> str:
    """The summary as JSON, SI."""
    figure = main_figure(rows)
    told = {
        "format": FORMAT,
        "mode": "re-planned" if plan is None else "re-checked",
        "figure": figure,
        "promised": None if plan is None else _promised(plan, figure),
        "cases": len(rows),
        "failed": sum(row.firm_clean is None for row in rows),
        "levels": LEVELS,
        "points": [asdict(summary) for summary in summaries(rows, figure)],
        "effects": [asdict(effect) for effect in effects(rows, figure)],
    }
    return json.dumps(told, indent=2, ensure_ascii=False) + "\n"


def _promised(plan: Plan, figure: str) -> float | None:
    found = {"firm_clean": plan.power.firm_clean, "firm_total": plan.power.firm_total}
    return found.get(figure)


def sweep_text(site: Site, rows: Sequence[Swept], plan: Plan | None) -> str:
    """The summary on a terminal."""
    facts = facts_of(site)
    figure = main_figure(rows)
    found = summaries(rows, figure)
    how = "each planned anew" if plan is None else "the plan's builds operated anew in each"
    lines = [f"{site.name}: {len(rows)} cases, {how}", "-" * width()]
    promised = None if plan is None else _promised(plan, figure)
    if promised is not None:
        lines += paragraph(f"The plan promises {_shown(promised, figure)}.", indent=0)
    lines += section(f"{NAMES[figure].capitalize()}", _spread_table(facts, found, figure))
    lines += section("Is the promise kept?", _keeping(facts, found))
    lines += section(
        f"What {NAMES[figure]} depends on most", _effect_table(effects(rows, figure), figure)
    )
    lines += section("Cases without a result", _failures(rows))
    return "\n".join(lines) + "\n"


def _shown(value: float, figure: str) -> str:
    return quantity(value, DIMENSION[figure])


def _point(facts: Mapping[str, Fact], point: Mapping[str, float]) -> str:
    parts = [f"{facts[a].short} {quantity(v, facts[a].dimension)}" for a, v in point.items()]
    return ", ".join(parts) or "all draws"


def _spread_table(facts: Mapping[str, Fact], found: Sequence[Summary], figure: str) -> list[str]:
    drawn = any(summary.quantiles for summary in found)
    heads = ["", "as planned with"]
    if drawn:
        heads += ["least", *(f"{100 * level:.0f} %" for level in LEVELS[1:-1]), "most"]
    rows = []
    for summary in found[:MOST_LINES]:
        planned = "-" if summary.planned is None else _shown(summary.planned, figure)
        quantiles = [_shown(value, figure) for value in summary.quantiles]
        gaps = ["-"] * (len(heads) - 2 - len(quantiles))
        rows.append([_point(facts, summary.point), planned, *quantiles, *gaps])
    lines = table(heads, rows, right=range(1, len(heads)))
    if drawn:
        lines += paragraph(
            "Columns in %: that share of the draws is no higher (between two draws: linear)."
        )
    if len(found) > MOST_LINES:
        lines += paragraph(f"and {len(found) - MOST_LINES} more points: see cases.csv")
    return lines


def _keeping(facts: Mapping[str, Fact], found: Sequence[Summary]) -> list[str]:
    lines = []
    for summary in found[:MOST_LINES]:
        if summary.kept is None or summary.draws == 0:
            continue
        told = f"{_share(summary.kept, summary.draws)} when valves are set anew for what is there"
        if summary.untouched is not None:
            told += (
                f"; simulated with the plan's valves untouched, never short in "
                f"{summary.untouched} of {summary.draws}"
            )
        lines += paragraph(f"{_point(facts, summary.point)}: {told}", bullet="* ")
    return lines


def _share(kept: int, count: int) -> str:
    low, high = likely_share(kept, count)
    return (
        f"kept in {kept} of {count} draws ({percent(kept / count)}; between {percent(low)} and "
        f"{percent(high)} of all, at 95 %)"
    )


def _effect_table(found: Sequence[Effect], figure: str) -> list[str]:
    if not found:
        return []
    if not any(effect.rank for effect in found):
        return paragraph("Nothing that was varied changes it.")
    rows = [
        (
            effect.address,
            f"{effect.rank:+.2f}"
            + ("" if effect.chance is None or abs(effect.rank) > effect.chance else " (chance?)"),
            _shown(effect.low, figure),
            _shown(effect.high, figure),
        )
        for effect in found[:MOST_LINES]
    ]
    lines = table(
        ("value", "rank correlation", "mean, lowest third", "mean, highest third"),
        rows,
        right=(1, 2, 3),
    )
    chance, cases = found[0].chance, found[0].cases
    limit = (
        f"Too few cases for a significance test (n = {cases})."
        if chance is None
        else f"Below {chance:.2f} it may well be chance."
    )
    return lines + paragraph(
        "Rank correlation (Spearman): +1 or -1 where this value alone decides the order of the "
        f"cases. {limit}"
    )


def _failures(rows: Sequence[Swept]) -> list[str]:
    counted = Counter(row.reason for row in rows if row.reason)
    lines = []
    for reason, count in counted.most_common(MOST_LINES // 2):
        lines += paragraph(f"{count}: {reason}", bullet="* ")
    return lines
