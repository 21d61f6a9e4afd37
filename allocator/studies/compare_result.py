"""Supply mixes side by side, as tables: what each supplies at all times, takes, vents and costs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import ClassVar

from allocator.base.labels import labelled
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, section, width
from allocator.engine.paths import SiteOrPath, site_of
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.report.words import STATUS_WORDS
from allocator.search import Settings
from allocator.site.money import unit_of_money
from allocator.site.records import POWER, Site
from allocator.studies.compare_words import emissions_gap, said, unsettled
from allocator.studies.comparison import Compared, compared_mixes
from allocator.studies.figures import Figures
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.running import Workers

FORMAT = "allocator.comparison/1"

_MIX = labelled("mix")
_FIGURES = (
    labelled("status"),
    labelled("audited", "flag"),
    labelled("firm_clean", "power"),
    labelled("firm_emitting", "power"),
    labelled("mean_clean", "power"),
    Column("mean_emitting", "mean emitting", "power"),
    labelled("served_share", "share", "Of the power demanded, at all times."),
    Column("first_goal_gap", "gap", "share", "Of the first goal."),
    Column("open", "not settled", "text", "By how much of itself a goal may still be better."),
    labelled("counted", "emission_rate", file_key="counted_kg_per_s"),
    Column("emissions_gap", "its gap", "share", "By so much of itself it may be less; 100 %: all."),
    labelled("biogenic", "emission_rate", file_key="biogenic_kg_per_s"),
    labelled("money", "money", "In all."),
    Column("heat", "heat given", "power", "Mean over time."),
    labelled("hours_short_per_year", "number"),
)
_ADEQUACY = (
    Column(
        "hours_below_firm_output_per_year",
        "hours a year below firm output",
        "number",
        "Mean of years in which machines fail.",
    ),
    Column(
        "hours_below_demand_per_year",
        "hours a year below the demand",
        "number",
        "Mean of years in which machines fail.",
    ),
)
_OPEN = "What the search left open: no figure of these mixes is proven to be best"
_PROMISED = ("mix", "firm_clean", "firm_emitting", "served_share", "mean_clean", "mean_emitting")
_REST = (
    *("mix", "biogenic", "money", "heat", "hours_short_per_year"),
    *("first_goal_gap", "status", "audited"),
)


@dataclass(frozen=True, slots=True, repr=False)
class CompareResult(StudyResult):
    """A full plan for each supply mix, side by side.

    Attributes:
        comparison: a row a mix, with every figure.
        power: mean power by machine, of what is promised; a column a mix, as in the next ones.
        units: machines, new and existing.
        storage, batteries: sizes.
        emission: what the counted emission of each mix is made of; the parts add up to it.
        vented, reused: by-products of machines, mean.
        fuel: fuel bought, mean.
        materials: what each mix takes of the stocks.
        rows: the mixes as records, with the plans.
    """

    command: ClassVar[str] = "comparison"
    more_files: ClassVar[tuple[str, ...]] = ("page.html",)
    site: Site
    comparison: Table
    power: Table
    units: Table
    storage: Table
    batteries: Table
    emission: Table
    vented: Table
    reused: Table
    fuel: Table
    materials: Table
    rows: tuple[Compared, ...]

    def summary(self) -> str:
        """What emitting supply buys, then the tables."""
        planned = [row for row in self.rows if row.figures is not None]
        lines = [f"{self.site.name}: supply mixes side by side, each a full plan", "-" * width()]
        made = Table(
            "made",
            "",
            self.comparison.columns,
            tuple(
                (row[0], STATUS_WORDS.get(str(row[1]), row[1]), *row[2:])
                for row, mix in zip(self.comparison.rows, self.rows, strict=True)
                if mix.figures is not None
            ),
        )
        tables: list[Table] = []
        if planned:
            promised = (*_PROMISED, "counted", "emissions_gap")
            tables.append(made.select(*promised, title="Firm power and mean power"))
            left = made.select("mix", "open", title=_OPEN)
            tables.append(replace(left, rows=tuple(row for row in left.rows if row[1])))
            tables += self.tables()[1:]
            tables.append(made.select(*_REST, title="Cost, heat, end of search, audit"))
            names = [column.name for column in _ADEQUACY if column in made.columns]
            if names:
                tables.append(made.select("mix", *names, title="Adequacy, where machines fail"))
        none = [
            line
            for row in self.rows
            if row.plan is None
            for line in paragraph(f"{row.name}: {row.reason}", bullet="* ")
        ]
        told = said(self.rows, unit_of_money(self.site))
        return joined(
            [*lines, *paragraph(told, 0)] if told else lines,
            *(section_of(table) for table in tables),
            section("No plan", none),
        )

    def to_json(self) -> str:
        """The figures of the mixes as JSON."""
        return study_json(
            FORMAT,
            self.site,
            {
                "said": said(self.rows, unit_of_money(self.site)),
                "mixes": [
                    {
                        "mix": row.name,
                        "about": row.about,
                        "reason": row.reason,
                        "hours_short_per_year": row.hours_short,
                        **(
                            {}
                            if row.adequacy is None
                            else {"adequacy_per_year": asdict(row.adequacy)}
                        ),
                        "figures": None if row.figures is None else asdict(row.figures),
                    }
                    for row in self.rows
                ],
            },
        )

    def plans(self) -> Mapping[str, Plan]:
        """The plan of each mix that has one."""
        return {row.name: row.plan for row in self.rows if row.plan is not None}

    def other_files(self) -> dict[str, str]:
        """The page with the charts."""
        from allocator.report.page import study_page
        from allocator.report.page.study_files import mixes_of_text

        network = network_of(self.site)
        shown = mixes_of_text(self.to_json(), network, Path("comparison.json"))
        return {"page.html": study_page(network, mixes=shown)}


def compare(
    site: SiteOrPath,
    *,
    settings: Settings | None = None,
    workers: Workers | None = None,
    simulated_days: float = 0.0,
    tell: Callable[[str], object] = lambda words: None,
) -> CompareResult:
    """Plan a site under every supply mix, and set the plans side by side.

    Parameters
    ----------
    site
        The site, or the path of its file.
    settings
        Of each plan; the time limit is that of all mixes together.
    workers
        Who plans; a plan takes one worker.
    simulated_days
        Run each plan through that many days as well; 0: no simulation.
    tell
        Called with words of progress.

    Returns
    -------
    CompareResult
        ``comparison``: a row a mix; ``plans()``: the plan of each.

    Raises
    ------
    SiteFileError
        The site has faults.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.compare("networks/first.yaml", settings=al.Settings(node_limit=500))
    >>> list(result.plans())
    ['clean only', 'clean first', 'least emissions', 'cheapest at full service']
    """
    site = site_of(site)
    rows = compared_mixes(site, settings, workers, simulated_days, tell)
    return compare_result(site, rows)


def compare_result(site: Site, rows: Sequence[Compared]) -> CompareResult:
    """The result of mixes that were planned."""
    made = [(row.name, row.figures) for row in rows if row.figures is not None]

    def grid(
        name: str, title: str, head: str, kind: str, of: Callable[[Figures], Mapping[str, float]]
    ) -> Table:
        """A row a name, a column a mix; a name that no mix has is not listed."""
        values = [of(figures) for _, figures in made]
        names = dict.fromkeys(each for one in values for each in one)
        columns = tuple(Column(mix, mix, kind) for mix, _ in made)
        cells = tuple((each, *(one.get(each) for one in values)) for each in names)
        return Table(name, title, (Column(head, head), *columns), cells, one_unit=True)

    def sizes(figures: Figures, *, power: bool) -> dict[str, float]:
        return {
            name: size for name, size in figures.stores.items() if _of_power(site, name) == power
        }

    return CompareResult(
        site,
        _comparison(site, rows),
        grid("power", "Mean power by generator, of the firm power", "machine", "power", _power),
        grid("units", "Machines, new and existing", "machine", "count", lambda f: f.machines),
        grid("storage", "Storage", "store", "mass", lambda f: sizes(f, power=False)),
        grid("batteries", "Batteries", "store", "energy", lambda f: sizes(f, power=True)),
        grid(
            *("emission", "What makes the counted emission, by weight, mean", "fluid"),
            *("emission_rate", lambda f: f.emission),
        ),
        grid(
            *("vented", "By-products of machines vented, or discharged, mean", "fluid"),
            *("emission_rate", _vented),
        ),
        grid(
            "reused", "By-products of machines used again, mean", "fluid", "emission_rate", _reused
        ),
        grid("fuel", "Fuel bought, mean", "source", "emission_rate", lambda f: f.bought),
        grid("materials", "Materials used", "material", "mass", lambda f: f.materials),
        tuple(rows),
    )


def _of_power(site: Site, store: str) -> bool:
    return site.storage[store.rpartition("@")[0]].holds == POWER


def _power(figures: Figures) -> Mapping[str, float]:
    return figures.power


def _vented(figures: Figures) -> dict[str, float]:
    return {
        name: product.given - product.used
        for name, product in figures.products.items()
        if product.given - product.used > 1e-9 * product.given
    }


def _reused(figures: Figures) -> dict[str, float]:
    return {
        name: product.used
        for name, product in figures.products.items()
        if product.used > 1e-9 * product.given
    }


def _comparison(site: Site, rows: Sequence[Compared]) -> Table:
    """A row a mix; columns of what no mix has are not there."""
    lines = [dict(_facts(site, row)) for row in rows]
    columns = tuple(dict.fromkeys(column for line in lines for column in line))
    cells = tuple(tuple(line.get(column) for column in columns) for line in lines)
    return Table("comparison", "Supply mixes", columns, cells)


def _facts(site: Site, row: Compared) -> Iterable[tuple[Column, object]]:
    yield _MIX, row.name
    f = row.figures
    if f is None:
        yield _FIGURES[0], row.reason
        return
    values = (
        *(f.status, f.verified, f.firm_clean, f.firm_total - f.firm_clean, f.mean_clean),
        *(
            f.mean_total - f.mean_clean,
            f.served_share,
            f.gap,
            unsettled(row.plan),
            f.counted,
            emissions_gap(row.plan),
            f.biogenic,
            f.money,
        ),
        *(f.heat, row.hours_short),
    )
    for column, value in zip(_FIGURES, values, strict=True):
        yield replace(column, currency=unit_of_money(site) if column.kind == "money" else ""), value
    if row.adequacy is not None:
        hours = (row.adequacy.promise_short_s.mean, row.adequacy.demand_short_s.mean)
        for column, seconds in zip(_ADEQUACY, hours, strict=True):
            yield column, seconds / 3600.0
    for name, power in f.power.items():
        yield _named("power", name, "power", "_w"), power
    for name, count in f.machines.items():
        yield _named("machines", name, "count", ""), count
    for name, size in f.stores.items():
        energy = _of_power(site, name)
        unit = "_j" if energy else "_kg"
        yield _named("store", name, "energy" if energy else "mass", unit), size
    for name, product in f.products.items():
        yield _named("given", name, "emission_rate", "_kg_per_s"), product.given
        yield _named("used_again", name, "emission_rate", "_kg_per_s"), product.used
    for name, rate in f.emission.items():
        yield _named("emission", name, "emission_rate", "_kg_per_s"), rate
    for name, rate in f.bought.items():
        yield _named("bought", name, "emission_rate", "_kg_per_s"), rate
    for name, kg in f.materials.items():
        yield _named("material", name, "mass", "_kg"), kg


def _named(what: str, name: str, kind: str, unit: str) -> Column:
    head = f"{what.replace('_', ' ')} {name}"
    return Column(f"{what}[{name}]", head, kind, file_key=f"{what}[{name}]{unit}")
