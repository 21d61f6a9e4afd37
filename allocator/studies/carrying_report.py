"""How many generators a site carries, for people and for programs."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence

from allocator.report.text import paragraph, section, table, width
from allocator.report.words import count, percent, plain
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.studies.carrying import ANYWHERE, WHOLE, CarriedRow, Stop
from allocator.studies.load_factor import load_factor_of
from allocator.studies.wanted import amount_shown
from allocator.studies.why_not import place

FORMAT = "allocator.carry/1"


def carrying_text(site: Site, marks: Marks, rows: Sequence[CarriedRow]) -> str:
    """The counts, then what stops the next unit of each."""
    factor = percent(load_factor_of(site))
    lines = [f"{site.name}: generators that it carries, each type by itself", "-" * width()]
    lines += section("Units at full load", _counts(rows, factor))
    told = [line for row in rows for line in _stopped(marks, row)]
    lines += section("What stops the next one, with what it needs of that alone", told)
    return "\n".join(lines) + "\n"


def _counts(rows: Sequence[CarriedRow], factor: str) -> list[str]:
    cells = [
        (
            row.machine,
            plain(row.place) or "anywhere",
            str(_whole(row.firm)),
            count(round(row.firm, 4)),
            count(round(row.mean, 4)),
            count(round(row.at_load_factor, 4)),
        )
        for row in rows
    ]
    heads = ("machine", "place", "whole, firm", "firm", "on the mean", f"mean at {factor} load")
    return table(heads, cells, right=(2, 3, 4, 5)) if cells else ["  no machine gives power"]


def _whole(units: float) -> int:
    return math.floor(units + WHOLE)


def _stopped(marks: Marks, row: CarriedRow) -> Iterator[str]:
    number = _whole(row.firm) + 1
    where = "anywhere" if row.place == ANYWHERE else f"at {plain(row.place)}"
    parts = [_needed(marks, stop) for stop in row.stops]
    if row.reason:
        parts = [row.reason]
    elif row.together:
        names = ", ".join(
            _named(marks, limit.name, limit.kind, limit.path) for limit in row.together
        )
        parts = [f"no one limit alone: {names} would have to give at once"]
    elif not parts:
        parts = ["not found out in the time"]
    quiet = "quiet spells, for the mean flows would carry it; " if row.quiet else ""
    told = f"{row.machine} {where}, no. {number}: {quiet}{', or '.join(parts)}"
    yield from paragraph(told, bullet="* ")


def _needed(marks: Marks, stop: Stop) -> str:
    limit = stop.limit
    named = _named(marks, limit.name, limit.kind, limit.path)
    if stop.more is None:
        return f"{named} (at least {amount_shown(stop.least, limit.dimension)} more)"
    by = amount_shown(stop.more, limit.dimension)
    return f"{named}: {by} more"


def _named(marks: Marks, name: str, kind: str, path: tuple[str, ...]) -> str:
    words = {
        "stock": f"stock of '{name}'",
        "flow": f"mean flow of '{name}'",
        "size": f"largest store '{name}'",
        "fill_rate": f"fill rate of store '{name}'",
        "release_rate": f"release rate of store '{name}'",
        "capacity": f"pipe '{name}'",
        "places": f"places for {plain(name).replace('@', ' at ')}",
        "most": f"most '{name}' in all",
        "heat": f"heat let into {name}",
        "emission": "emission cap",
        "money": "money",
    }.get(kind, f"{kind} {name}")
    return f"{words} ({_line(marks, path)})"


def _line(marks: Marks, path: tuple[str, ...]) -> str:
    return marks.of(path).rpartition("/")[2]


def carrying_json(site: Site, marks: Marks, rows: Sequence[CarriedRow]) -> str:
    """The rows as JSON, SI units, ending in a new line."""
    data = {
        "format": FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "load_factor": load_factor_of(site),
        "carried": [
            {
                "machine": row.machine,
                "place": plain(row.place) or None,
                "units_mean": row.mean,
                "units_firm": row.firm,
                "units_at_load_factor": row.at_load_factor,
                "next": _whole(row.firm) + 1,
                "quiet_spells_stop_it": row.quiet,
                "stops": [
                    {
                        "kind": stop.limit.kind,
                        "name": stop.limit.name,
                        "where": place(marks, stop.limit),
                        "value": stop.limit.value,
                        "dimension": stop.limit.dimension,
                        "more": stop.more,
                        "at_least": stop.least,
                    }
                    for stop in row.stops
                ],
                "together": [[limit.kind, limit.name] for limit in row.together],
                "reason": row.reason,
            }
            for row in rows
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
