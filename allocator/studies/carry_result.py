"""Generators that a site supports, as tables: units by type and place, and what limits the next."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar

from allocator.base.labels import labelled
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, section, width
from allocator.engine.paths import SiteOrPath, path_of, site_of
from allocator.model.limits import Limit, change_shown
from allocator.report.words import percent, plain
from allocator.search import Settings
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.studies.carrying import ANYWHERE, CarriedRow, Stop, carried_rows, whole
from allocator.studies.limit_words import marks_of, where
from allocator.studies.load_factor import load_factor_of
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.running import Workers

FORMAT = "allocator.carry/1"
NOT_DETERMINED = "not determined in the time"

_LIMITS = (
    labelled("machine"),
    labelled("place"),
    Column("next", "unit", "count", "The unit that the limit stops."),
    labelled("limit"),
    labelled("sufficient", "text", "Raising this limit alone by so much."),
    Column("minimum", "at least needed", "text", "No smaller rise of this limit is enough."),
    labelled("where", "text", "Its place in the site file."),
)


@dataclass(frozen=True, slots=True, repr=False)
class CarryResult(StudyResult):
    """Supportable units of every generator type at every place, each type alone.

    Attributes:
        load_factor: share of full load at which the machines run on average.
        generators: units by type and place: at all times, on mean flows, at the load factor.
        limits: limits each of which, raised alone, lets one more unit run at all times.
        rows: what was worked out, with the limits as records.
    """

    command: ClassVar[str] = "carry"
    site: Site
    load_factor: float
    generators: Table
    limits: Table
    rows: tuple[CarriedRow, ...]
    marks: Marks | None

    def summary(self) -> str:
        """The counts, then what limits the next unit of each."""
        name = self.site.name
        known = [row for row in self.rows if row.next is not None]
        unknown = [row for row in self.rows if row.next is None]
        return joined(
            [f"{name}: supportable generators, each type alone", "-" * width()],
            section_of(self.generators) or ["", "No machine gives power."],
            section_of(self.limits),
            section("Next units that no limit alone explains", _without_limits(known)),
            section("Units that are not known", _without_limits(unknown)),
            section("Counts that may be higher, for the time ran out", _left_open(self.rows)),
        )

    def to_json(self) -> str:
        """The rows as JSON, with every limit that was found."""
        return study_json(
            FORMAT,
            self.site,
            {
                "load_factor": self.load_factor,
                "carried": [
                    {
                        "machine": row.machine,
                        "place": plain(row.place) or None,
                        **({"units_firm_one_out": row.one_out} if row.fails else {}),
                        "units_mean": row.mean,
                        "units_firm": row.firm,
                        "units_at_load_factor": row.at_load_factor,
                        "next": row.next,
                        "quiet_spells_stop_it": row.quiet,
                        "counts_proven": not row.open,
                        "stops": [self._stop(stop) for stop in row.stops],
                        "together": [[limit.kind, limit.name] for limit in row.together],
                        "reason": row.reason,
                    }
                    for row in self.rows
                ],
            },
        )

    def _stop(self, stop: Stop) -> dict[str, object]:
        return {
            "kind": stop.limit.kind,
            "name": stop.limit.name,
            "where": where(self.marks, stop.limit),
            "value": stop.limit.value,
            "dimension": stop.limit.dimension,
            "more": stop.more,
            "at_least": stop.least,
        }


def carry(
    site: SiteOrPath,
    *,
    file: str | os.PathLike[str] | None = None,
    settings: Settings | None = None,
    workers: Workers | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> CarryResult:
    """How many generators a site can supply, by type and place, and what limits the next one.

    Parameters
    ----------
    site
        The site, or the path of its file.
    file
        The site's file, so that limits are named with their lines; known where ``site`` is a path.
    settings
        Of the plans; the time limit is that of all of them together.
    workers
        Who works on the plans.
    tell
        Called with words of progress.

    Returns
    -------
    CarryResult
        ``generators``: units by type and place; ``limits``: what stops the next unit.

    Raises
    ------
    SiteFileError
        The site has faults.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.carry("networks/first.yaml", settings=al.Settings(node_limit=500))
    >>> result.generators.select("machine", "whole").rows
    (('small_engine', 1),)
    >>> [row["limit"] for row in result.limits.records()]
    ['stock.steel']
    """
    site, file = site_of(site), file or path_of(site)
    rows = carried_rows(site, settings, workers, tell)
    return carry_result(site, rows, marks_of(file))


_ONE_OUT = Column(
    "units_firm_one_out",
    "units, firm, one out",
    "number",
    "At all times with any one unit out of order, at full load.",
)


def carry_result(site: Site, rows: Sequence[CarriedRow], marks: Marks | None) -> CarryResult:
    """The result of rows that were worked out."""
    factor = load_factor_of(site)
    raised = all(stop.limit.more for row in rows for stop in row.stops)
    change = "raising" if raised else "changing"
    generators: tuple[Column, ...] = (
        labelled("machine"),
        labelled("place"),
        Column("whole", "whole units, firm", "count", "Whole units that run at all times."),
        Column("units_firm", "units, firm", "number", "With storage that can be built."),
        Column("units_mean", "units, mean flows", "number", "With storage of any size."),
        Column(
            "units_at_load_factor",
            f"units at {percent(factor)} load",
            "number",
            "On mean flows, each at the load factor of the site.",
        ),
        Column(
            "quiet",
            "next stopped by outages",
            "flag",
            "The mean flows would supply one more, and outages of the sources stop it.",
        ),
    )
    failing = any(row.fails for row in rows)
    if failing:
        generators = (*generators[:4], _ONE_OUT, *generators[4:])
    return CarryResult(
        site,
        factor,
        Table(
            "generators",
            "Units at full load",
            generators,
            tuple(
                (
                    *(row.machine, _place(row), None if row.firm is None else whole(row.firm)),
                    *(_rounded(row.firm), *[_rounded(row.one_out)] * failing),
                    *(_rounded(row.mean), _rounded(row.at_load_factor), row.quiet),
                )
                for row in rows
                if not row.reason
            ),
        ),
        Table(
            "limits",
            f"Limits of the next unit: {change} one of them alone is enough",
            _LIMITS,
            tuple(
                (row.machine, _place(row), row.next, *_limit(stop, marks))
                for row in rows
                for stop in row.stops
                if not _within_limits(row)
            ),
        ),
        tuple(rows),
        marks,
    )


def _place(row: CarriedRow) -> str:
    return plain(row.place) or "anywhere"


def _rounded(units: float | None) -> float | None:
    return None if units is None else round(units, 4)


def _limit(stop: Stop, marks: Marks | None) -> tuple[object, ...]:
    return (
        stop.limit.address or stop.limit.stated,
        NOT_DETERMINED if stop.more is None else change_shown(stop.more, stop.limit, 1),
        change_shown(stop.least, stop.limit, -1) if stop.more is None else None,
        where(marks, stop.limit).rpartition(os.sep)[2],
    )


def _within_limits(row: CarriedRow) -> bool:
    """Whether the next unit was found to run with no limit raised, though no plan showed it."""
    known = [stop for stop in row.stops if stop.more is not None]
    return any((stop.more or 0.0) <= 1e-9 * abs(stop.limit.value) for stop in known)


def _without_limits(rows: Sequence[CarriedRow]) -> list[str]:
    return [line for row in rows for line in _without_a_limit(row)]


def _without_a_limit(row: CarriedRow) -> Iterator[str]:
    if row.stops and not _within_limits(row):
        return
    unit = "units" if row.next is None else f"unit no. {row.next}"
    told = row.reason or NOT_DETERMINED
    if _within_limits(row):
        told = "no limit stops it; units are those of the best plan found in the time: allow more"
    elif row.together and not row.reason:
        told = f"these limits must be raised together: {_listed(row.together)}"
    yield from paragraph(f"{_named(row)}, {unit}: {told}", bullet="* ")


def _named(row: CarriedRow) -> str:
    place = "anywhere" if row.place == ANYWHERE else f"at {plain(row.place)}"
    return f"{row.machine} {place}"


def _left_open(rows: Sequence[CarriedRow]) -> list[str]:
    """Rows with a count that no bound proves to be the most."""
    return [
        line
        for row in rows
        if row.open and row.next
        for line in paragraph(_named(row), bullet="* ")
    ]


def _listed(limits: Sequence[Limit]) -> str:
    return ", ".join(limit.address or limit.stated for limit in limits)
