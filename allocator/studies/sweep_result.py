"""A sweep as tables: all cases, quantiles by grid point, promises kept, what matters most."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import ClassVar

from allocator.base.dimensions import DIMENSIONS
from allocator.base.labels import head, labelled
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, section, width
from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.network.facts import Fact, facts_of
from allocator.plans.records import Plan
from allocator.report.words import quantity
from allocator.search import Settings
from allocator.site.records import Site
from allocator.studies.grids import Grid, grids_of
from allocator.studies.result import StudyResult, joined
from allocator.studies.running import Workers
from allocator.studies.sweep_cases import Asked, Swept, nothing_varied, swept_cases
from allocator.studies.sweep_figures import (
    LEVELS,
    SAME,
    Effect,
    Summary,
    effects,
    extent,
    figures_told,
    likely_share,
    main_figure,
    summaries,
)

FORMAT = "allocator.sweep/1"
NAMES = {
    "firm_clean": head("firm_clean"),
    "firm_total": head("firm_total"),
    "fluid": head("fluid_served"),
    "counted": head("counted"),
}
DIMENSION = {
    "firm_clean": "power",
    "firm_total": "power",
    "fluid": "mass_rate",
    "counted": "emission_rate",
}
MOST_LINES = 24

_RESULTS = (
    labelled("status"),
    labelled("audited", "flag", name="verified"),
    labelled("gap", "share"),
    labelled("firm_clean", "power"),
    labelled("firm_total", "power"),
    labelled("fluid_served", "mass_rate", name="fluid", file_key="fluid_kg_per_s"),
    labelled("demand_power", "power", name="demand"),
    labelled("counted", "emission_rate", file_key="counted_kg_per_s"),
    labelled("promise_kept", "flag"),
    labelled("hours_short_per_year", "number"),
    Column("reason", "why there is no result"),
)
_KEEPING = (
    Column("point", "case"),
    Column("draws", "draws", "count"),
    Column("kept", "draws that keep it", "count", "With valves set again for what sources give."),
    Column("share", "share kept", "share"),
    Column("low", "share, low", "share", "Lower end of the interval for all draws, at 95 %."),
    Column("high", "share, high", "share", "Upper end of the interval for all draws, at 95 %."),
    Column("untouched", "never short", "count", "Simulated with the valves of the plan untouched."),
)
_FAILURES = (Column("cases", "cases", "count"), Column("reason", "reason"))


@dataclass(frozen=True, slots=True, repr=False)
class SweepResult(StudyResult):
    """What a plan, or planning, gives when numbers of the site are not what the file says.

    Attributes:
        mode: ``re-planned`` or ``re-checked``.
        figure: the figure that the sweep is about: the first of :data:`NAMES` that changes.
        promised: what the plan promises of it, SI; None where every case is planned.
        cases: every case with its values and its result.
        points: the figure by point of the grids: as planned with, and quantiles over draws.
        keeping: how often the promise of the plan is kept, by point of the grids.
        effects: what the figure depends on most.
        failures: cases without a result, by reason.
        rows: the cases as records.
    """

    command: ClassVar[str] = "sweep"
    site: Site
    mode: str
    figure: str
    promised: float | None
    cases: Table
    points: Table
    keeping: Table
    effects: Table
    failures: Table
    rows: tuple[Swept, ...]

    def summary(self) -> str:
        """The tables of points and effects, and cases without a result."""
        re_planned = self.mode == "re-planned"
        how = "each planned from scratch" if re_planned else "the plan operated again in each"
        lines = [f"{self.site.name}: {len(self.rows)} cases, {how}", "-" * width()]
        if self.promised is not None:
            promised = quantity(self.promised, DIMENSION[self.figure])
            lines += paragraph(f"{NAMES[self.figure].capitalize()} of the plan: {promised}.", 0)
        lines += paragraph(self._ranges(), 0)
        counted = [line for row in self.failures.rows for line in _failure(row)]
        return joined(
            lines,
            section_of(_shortened(self.points)),
            section_of(_shortened(self.keeping)),
            section_of(_shortened(self.effects)) or self._no_effect(),
            section(self.failures.title, counted),
        )

    def _ranges(self) -> str:
        """Which figures change over the cases, and from what to what."""
        told = []
        for figure in figures_told(self.rows):
            low, high = extent(self.rows, figure)
            ends = [quantity(value, DIMENSION[figure]) for value in (low, high)]
            same = high - low <= SAME * high
            told.append(f"{NAMES[figure]} {f'{ends[1]} throughout' if same else ' to '.join(ends)}")
        return f"Over all cases: {', '.join(told)}." if told else ""

    def _no_effect(self) -> list[str]:
        if not effects(self.rows, self.figure):
            return []
        told = paragraph(f"Nothing that was varied changes {NAMES[self.figure]}.")
        return section(self.effects.title, told)

    def to_json(self) -> str:
        """Points and effects as JSON."""
        facts = {
            "format": FORMAT,
            "site": {"name": self.site.name, "sha256": self.site.sha256},
            "mode": self.mode,
            "figure": self.figure,
            "promised": self.promised,
            "cases": len(self.rows),
            "failed": sum(row.firm_clean is None for row in self.rows),
            "levels": LEVELS,
            "points": [asdict(summary) for summary in summaries(self.rows, self.figure)],
            "effects": [asdict(effect) for effect in effects(self.rows, self.figure)],
        }
        return json.dumps(facts, indent=2, ensure_ascii=False) + "\n"


def _shortened(table: Table) -> Table:
    more = len(table) - MOST_LINES
    if more <= 0:
        return table
    note = f"{table.note} {more} more rows are in {table.name}.csv.".strip()
    return replace(table, rows=table.rows[:MOST_LINES], note=note)


def _failure(row: tuple[object, ...]) -> list[str]:
    return paragraph(f"{row[0]}: {row[1]}", bullet="* ")


def sweep(
    site: SiteOrPath,
    asked: Asked | None = None,
    *,
    draws: int = 0,
    grids: Sequence[Grid | str] = (),
    plan: PlanOrPath | None = None,
    seed: int = 0,
    simulated_days: float = 0.0,
    phases: int = 2,
    settings: Settings | None = None,
    workers: Workers | None = None,
    folder: Path | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> SweepResult:
    """Work out every case of draws and grids: planned from scratch, or a plan operated again.

    Parameters
    ----------
    site
        The site, or the path of its file.
    asked
        The cases as one record, in place of the keywords up to ``phases``.
    draws
        Cases with values drawn from the ranges of the site.
    grids
        Values to try, such as ``["stock.steel=4t,6t"]``: every combination of them.
    plan
        A plan of the site, its result or its path, that is operated again in each case; by
        default each case is planned from scratch.
    seed
        Seed of the draws.
    simulated_days
        Run the plan through that many days of each case; 0: no simulation.
    phases
        Random phases of each such simulation.
    settings
        Of each case's planning; the time limit is that of a case.
    workers
        Who works.
    folder
        Where results are kept as they come; a sweep that was stopped goes on from there.
    tell
        Called with words of progress.

    Returns
    -------
    SweepResult
        ``cases``: a row a case, and what they have in common.

    Raises
    ------
    FactError
        A grid cannot be read.
    ValueError
        Nothing is varied: neither draws nor grids, or draws of a site without ranges.
    StoreError
        The folder holds another sweep, or cannot be written.
    ClusterError
        The cluster does not answer.

    Examples
    --------
    >>> import allocator as al
    >>> quick = al.Settings(node_limit=500)
    >>> grid = ["stock.steel=0.8t,1.2t"]
    >>> result = al.sweep("networks/first.yaml", grids=grid, settings=quick)
    >>> [round(power) for power in result["cases"].column("firm_clean")]
    [7716, 20000]
    """
    site = site_of(site)
    if asked is None:
        texts = [grid for grid in grids if isinstance(grid, str)]
        given = tuple(grid for grid in grids if isinstance(grid, Grid))
        given += grids_of(facts_of(site), texts, plan is not None)
        old = None if plan is None else plan_of(plan)
        asked = Asked(draws, given, old, seed, simulated_days, phases)
    if problem := nothing_varied(site, asked.draws, asked.grids):
        raise ValueError(problem if asked.draws else f"{problem}; give draws, grids, or both")
    rows = swept_cases(site, asked, settings, workers, folder, tell)
    return sweep_result(site, rows, asked.plan)


def sweep_result(site: Site, rows: Sequence[Swept], plan: Plan | None) -> SweepResult:
    """The result of cases that were worked out."""
    facts, figure = facts_of(site), main_figure(rows)
    found, ranked = summaries(rows, figure), effects(rows, figure)
    reasons = Counter(row.reason for row in rows if row.reason)
    powers = ("firm_clean", "firm_total")
    promised = getattr(plan.power, figure) if plan is not None and figure in powers else None
    return SweepResult(
        site,
        "re-planned" if plan is None else "re-checked",
        figure,
        promised,
        _cases(facts, rows),
        _points(facts, found, figure, figures_told(rows)),
        Table(
            "keeping",
            "Firm output kept",
            _KEEPING,
            tuple(_keeping(facts, s) for s in found if s.kept is not None and s.draws),
        ),
        effect_table(ranked, figure),
        Table(
            "failures",
            "Cases without a result",
            _FAILURES,
            tuple((count, reason) for reason, count in reasons.most_common()),
        ),
        tuple(rows),
    )


def _cases(facts: Mapping[str, Fact], rows: Sequence[Swept]) -> Table:
    addresses = list(rows[0].values) if rows else []
    varied = [
        Column(a, a, facts[a].dimension, file_key=f"{a} [{_si(facts[a])}]") for a in addresses
    ]
    return Table(
        "cases",
        "Cases",
        (Column("case", "case", "count"), Column("draw", "draw", "count"), *varied, *_RESULTS),
        tuple(
            (
                *(number, row.draw, *(row.values[a] for a in addresses)),
                *(row.status, row.verified, row.gap, row.firm_clean, row.firm_total, row.fluid),
                *(row.demand, row.counted, row.kept, row.hours_short, row.reason),
            )
            for number, row in enumerate(rows, 1)
        ),
    )


def _si(fact: Fact) -> str:
    return DIMENSIONS[fact.dimension].si


_PLANNED = "With the values of the site file, and those of the case."


def _points(
    facts: Mapping[str, Fact], found: Sequence[Summary], figure: str, told: Sequence[str]
) -> Table:
    heads = ["lowest", *(f"{100 * level:.0f} % of draws" for level in LEVELS[1:-1]), "highest"]
    kind = DIMENSION[figure]
    drawn = any(summary.quantiles for summary in found)
    others = [name for name in told if name != figure and not drawn]
    return Table(
        "points",
        NAMES[figure].capitalize() if drawn else "What each case gives",
        (
            Column("point", "case"),
            Column("planned", "at planned values" if drawn else NAMES[figure], kind, _PLANNED),
            *(Column(name, NAMES[name], DIMENSION[name], _PLANNED) for name in others),
            *(
                Column(f"level_{100 * level:.0f}", head, kind)
                for level, head in zip(LEVELS, heads, strict=True)
            ),
        ),
        tuple(
            (
                *(_point(facts, summary.point), summary.planned),
                *(summary.others.get(name) for name in others),
                *(summary.quantiles or (None,) * len(LEVELS)),
            )
            for summary in found
        ),
        "x % of draws: that share of the draws gives no more." if drawn else "",
    )


def _point(facts: Mapping[str, Fact], point: Mapping[str, float]) -> str:
    parts = [f"{a} {quantity(v, facts[a].dimension)}" for a, v in point.items()]
    return ", ".join(parts) or "all draws"


def _keeping(facts: Mapping[str, Fact], summary: Summary) -> tuple[object, ...]:
    kept, draws = summary.kept or 0, summary.draws
    shares = (kept / draws, *likely_share(kept, draws))
    return (_point(facts, summary.point), draws, kept, *shares, summary.untouched)


def effect_table(found: Sequence[Effect], figure: str) -> Table:
    """What a figure depends on most; no rows where nothing changes it."""
    chance, cases = (found[0].chance, found[0].cases) if found else (None, 0)
    limit = (
        f"Too few cases for a significance test (n = {cases})."
        if chance is None
        else f"Correlations below {chance:.2f} are not significant (5 %)."
    )
    kind = DIMENSION[figure]
    return Table(
        "effects",
        f"What {NAMES[figure]} depends on most",
        (
            labelled("value"),
            labelled("rank", "number"),
            Column("significant", "significant", "flag", "At 5 %."),
            labelled("low_third", kind, name="low"),
            labelled("high_third", kind, name="high"),
        ),
        tuple(
            (
                *(one.address, round(one.rank, 2)),
                *(None if chance is None else abs(one.rank) > chance, one.low, one.high),
            )
            for one in found
        )
        if any(one.rank for one in found)
        else (),
        "Rank correlation (Spearman): +1 or -1 where this value alone decides the order of the "
        f"cases. {limit}",
    )
