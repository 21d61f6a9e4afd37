"""What each source is worth, as tables: flow, firm flow with storage, generators supported."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import ClassVar

from allocator.base.labels import labelled
from allocator.base.rendering import csv_of, json_records, section_of
from allocator.base.table import Column, Table
from allocator.engine.paths import SiteOrPath, site_of
from allocator.network.deriving import network_of
from allocator.report.words import percent
from allocator.site.records import Site
from allocator.studies.load_factor import load_factor_of
from allocator.studies.machines import machines_table
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.source_addition import SourceAddition, additions
from allocator.studies.source_rank import ranked
from allocator.studies.source_worth import CarriedUnits, fluid_rows, source_rows

FORMAT = "allocator.sources/1"

BEST_STORE = (
    "best storage",
    "mass",
    "The largest that can be built, or less where that loses less.",
)
_SOURCES = (
    labelled("source"),
    labelled("place"),
    labelled("fluid"),
    labelled("rate_while_on", "mass_rate", name="flow"),
    labelled("duty_share", "share", name="duty"),
    Column(
        "rule_of_thumb_duty",
        "time on by rule of thumb",
        "share",
        "The product of the on-time shares of the stages.",
    ),
    labelled("mean", "mass_rate", "Mean over time, by the exact duty cycle."),
    labelled("longest_quiet", "duration"),
    Column(
        "full_store",
        "storage for the full mean",
        "mass",
        "The least storage, without loss, with which all of the mean flow is firm.",
    ),
    Column("store", *BEST_STORE),
    labelled("firm_flow", "mass_rate", "Flow at all times with that storage.", name="firm"),
    Column(
        "firm_per_store",
        "marginal value of storage",
        "mass_rate_per_mass",
        "Firm flow that one more kg of storage adds.",
    ),
)
_RANK = (
    Column("generator", "generator", "text", "Clean, with the most power for its mass."),
    Column("generator_place", "at", "text", "Place of the generator."),
    Column("firm_clean", "firm clean power", "power", "Of this source alone, all stocks its own."),
    Column("scarce_stock", "scarcest stock", "text", "Of the site; all rows have the same."),
    Column("stock_mass", "mass of that stock", "mass", "For all that is built for this power."),
    Column(
        "power_per_stock",
        "power per tonne of it",
        "power_per_mass",
        "The order of the rows. Empty where nothing of that stock is needed.",
    ),
    Column("booster_power", "power of boosters", "power", "Taken off the firm clean power."),
    Column("reason", "why none alone", "text", "Why there is no firm clean power."),
    Column("added_flow", "firm flow added", "mass_rate", "To the others of its fluid."),
    Column(
        "added_power",
        "added power",
        "power",
        "Firm clean power lost without it, of all sources of its fluid with shared storage.",
    ),
    Column(
        "connection_stock", "of stock", "text", "Of which its connection takes the largest share."
    ),
    Column("connection_mass", "mass to connect", "mass", "For connection and pipes."),
    Column("connection_share", "to connect", "share", "Share of that stock."),
)
_ADDED_NOTE = (
    "Added power: firm clean power lost without this source, where all sources of its "
    "fluid share the largest storage, in the clean generator with the most power for its fuel; "
    "unit limits not counted."
)
FEW = 10
"""Sources at most of a site whose summary lists all that is known of each."""

_FIRST = (math.inf, math.inf)
"""Before all that give nothing alone: they keep their order."""

_SHARED = (
    labelled("fluid"),
    Column("sources", "sources", "count"),
    labelled("mean", "mass_rate", "Of all sources together."),
    Column("store", *BEST_STORE),
    Column("firm_apart", "firm flow, equal shares", "mass_rate", "Each with an equal share of it."),
    Column("firm_shared", "firm flow, shared", "mass_rate", "All with the one shared storage."),
)
_GENERATORS = (
    labelled("machine"),
    Column("power", "rated power", "power"),
    Column("efficiency", "efficiency", "share", "Of the lower heating value."),
    Column("emission", "counted emission", "mass_per_energy", "For each unit of energy given."),
    Column("clean", "clean", "flag", "It gives power without counted emission."),
)


@dataclass(frozen=True, slots=True, repr=False)
class SourcesResult(StudyResult):
    """What each source of a site is worth.

    Attributes:
        load_factor: share of full load at which the machines run on average.
        sources: every source, best first, alone with all the storage that could be built for it.
        shared: every fluid of two sources or more, with shared storage.
        supportable: generators that each source can supply, each type alone.
        supportable_together: the same for all sources of a fluid.
        generators: power, efficiency and emission of each generator type.
    """

    command: ClassVar[str] = "sources"
    site: Site
    load_factor: float
    sources: Table
    shared: Table
    supportable: Table
    supportable_together: Table
    generators: Table

    def summary(self, *, full: bool = False) -> str:
        """The tables as text; those with a row for every source on small sites, or if ``full``."""
        scarce = next(iter(self.sources.select("scarce_stock").rows), ("",))[0]
        title, note = _rank_words(str(scarce), bool(network_of(self.site).pressures))
        whole = self.sources
        at = [column.name for column in whole.columns].index("firm_clean")
        rank = replace(whole, rows=tuple(row for row in whole.rows if row[at] != 0)).select(
            *("source", "power_per_stock", "firm_clean", "added_power", "stock_mass"),
            *("generator", "generator_place"),
            title=title,
            note=f"{note} {_ADDED_NOTE}",
        )
        none = replace(whole, rows=tuple(row for row in whole.rows if row[at] == 0)).select(
            *("source", "added_power", "connection_share", "connection_stock", "reason"),
            title="Sources that alone give no firm clean power, by what they add to the others",
            note="In the order of power added for the share of the stock that its connection and "
            "the lightest pipes to a place of storage or generators take.",
        )
        flows = self.sources.select(
            *("source", "place", "fluid", "flow", "duty", "rule_of_thumb_duty"),
            *("mean", "longest_quiet"),
            title="Sources",
            note="The rule of thumb is the product of the on-time shares of the stages.",
        )
        firm = self.sources.select(
            *("source", "mean", "full_store", "store", "firm", "firm_per_store"),
            title="Firm flow of each source alone, with all storage that could be built",
        )
        _, shared, each, together, generators = self.tables()
        shown = [rank, none, shared, together, generators]
        more = ["", "On-time, firm flow, storage and generators source by source: --full"]
        if full or len(whole.rows) <= FEW:
            shown, more = [rank, none, flows, firm, shared, each, together, generators], []
        return joined(*(section_of(table) for table in shown), more).removeprefix("\n")

    def to_json(self) -> str:
        """The tables as JSON; with each source and each fluid the generators supported."""
        return study_json(
            FORMAT,
            self.site,
            {
                "load_factor": self.load_factor,
                "sources": _with_units(self.sources, self.supportable),
                "fluids": _with_units(self.shared, self.supportable_together),
            },
        )

    def to_csv(self) -> str:
        """A line a source and generator type; a source that supplies none has one line."""
        _, *units = self.supportable.columns
        rows = [
            (*row, *carried)
            for row in self.sources.rows
            for carried in _units_of(self.supportable, row[0]) or [(None,) * len(units)]
        ]
        return csv_of(Table("sources", "", (*self.sources.columns, *units), tuple(rows)))


def sources(site: SiteOrPath) -> SourcesResult:
    """Sources ranked by firm clean power per tonne of the scarcest stock, and what each supplies.

    The order is that of :mod:`allocator.studies.source_rank`.

    Only sources at places that are not excluded are listed. The firm flow is exact for the one
    source with the one store (see :mod:`allocator.cycles.firm`), and no less than what is stated
    where it draws on a chamber of several stages; pipes count in the ranking alone.

    Parameters
    ----------
    site
        The site, or the path of its file.

    Returns
    -------
    SourcesResult
        ``sources``: a row a source, best first; ``supportable``: generators that each can supply.

    Raises
    ------
    SiteFileError
        The site has faults.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.sources("networks/first.yaml")
    >>> result["sources"].select("source", "mean", "firm").rows
    (('digester', 0.003, 0.003),)
    """
    site = site_of(site)
    scarce, ranks = ranked(network_of(site))
    more = additions(network_of(site))
    ranks.sort(key=lambda r: _FIRST if r.power > 0 else more[r.source].worth, reverse=True)
    by_name = {row.source: row for row in source_rows(site)}
    rows = [by_name[rank.source] for rank in ranks]
    fluids, factor = fluid_rows(site), load_factor_of(site)
    return SourcesResult(
        site,
        factor,
        Table(
            "sources",
            "Sources",
            (*_SOURCES, *_RANK),
            tuple(
                (
                    *(row.source, row.place, row.fluid, row.flow, row.duty),
                    *(row.rule_of_thumb_duty, row.mean_flow, row.longest_quiet),
                    *(row.full_store, row.store, row.firm_draw, row.per_store),
                    *(rank.generator, rank.place, rank.power, scarce and f"stock.{scarce}"),
                    *(rank.stock_mass, rank.per_stock, rank.boosters, rank.reason),
                    *_added_cells(more[rank.source]),
                )
                for rank, row in zip(ranks, rows, strict=True)
            ),
        ),
        Table(
            "shared",
            "Sources of one fluid: equal shares of the storage, or one that they share",
            _SHARED,
            tuple((r.fluid, r.sources, r.mean_flow, r.store, r.apart, r.together) for r in fluids),
        ),
        _supportable("supportable", "source", factor, ((r.source, r.carries) for r in rows)),
        _supportable(
            "supportable_together", "fluid", factor, ((r.fluid, r.carries) for r in fluids)
        ),
        Table(
            "generators",
            "Generators",
            _GENERATORS,
            tuple(
                (row.machine, row.power, row.efficiency, row.emission, row.clean)
                for row in machines_table(site)
            ),
        ),
    )


def _added_cells(one: SourceAddition) -> tuple[object, ...]:
    stock = one.stock and f"stock.{one.stock}"
    return (one.flow, one.power, stock, one.mass if stock else None, one.share if stock else None)


def _rank_words(scarce: str, pressed: bool) -> tuple[str, str]:
    """Title and note of the ranking by a stock; ``scarce``: its address, "" where there is none.

    ``pressed``: whether pressures are computed.
    """
    alone = (
        "Each source alone, with whole generators and all stocks to itself: the best of the ways "
        "tried. Existing things take no stock. Not counted: batteries, power lines and the power "
        "of pumps of sources."
    )
    if pressed:
        alone += " Pressures hold along the pipes; the power of boosters is taken off."
    if not scarce:
        return "Sources by firm clean power (no stock is limited)", alone
    return (
        f"Sources by firm clean power per tonne of {scarce}, the scarcest stock",
        f"Scarcest: the stock of which the sources together would take the largest share. {alone} "
        "Sources without a figure per tonne need none of that stock; they come first, by power for "
        "the largest share of any other.",
    )


def _supportable(
    name: str, of: str, factor: float, carried: Iterable[tuple[str, Iterable[CarriedUnits]]]
) -> Table:
    each = "each source" if of == "source" else "all sources of a fluid"
    return Table(
        name,
        f"Generators that {each} can supply, each type alone",
        (
            Column(of, of),
            labelled("machine"),
            Column("machines_mean", "units on the mean flow", "number"),
            Column("machines_firm", "units on the firm flow", "number"),
            Column(
                "machines_at_load_factor",
                f"units at {percent(factor)} load",
                "number",
                "On the mean flow, each at the load factor of the site.",
            ),
        ),
        tuple(
            (name, one.machine, one.mean, one.firm, one.at_load_factor)
            for name, units in carried
            for one in units
        ),
    )


def _units_of(units: Table, name: object) -> list[tuple[object, ...]]:
    return [row[1:] for row in units.rows if row[0] == name]


def _with_units(table: Table, units: Table) -> list[dict[str, object]]:
    """Records of a table, each with those of its units under ``carries``."""
    keys = units.keys[1:]
    return [
        {
            **record,
            "carries": [dict(zip(keys, row, strict=True)) for row in _units_of(units, names[0])],
        }
        for record, names in zip(json_records(table), table.rows, strict=True)
    ]
