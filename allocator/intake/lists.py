"""Lists of sources and places, as CSV or Excel."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from allocator.base.errors import Fault
from allocator.base.quantities import parse_quantity, shown
from allocator.intake.cells import Sheet, TableFileError, read_sheets, refuse
from allocator.intake.columns import ColumnKind, ListRow, read_rows
from allocator.site.groups import name_refusal

SOURCE_COLUMNS = {
    "name": ColumnKind(("source", "outlet", "id", "tag"), required=True),
    "place": ColumnKind(("location", "where"), required=True),
    "fluid": ColumnKind(("gas", "medium", "product"), required=True),
    "flow": ColumnKind(("rate", "flow rate", "flow when on"), "mass_rate", required=True),
    "on": ColumnKind(("on time", "time on"), "duration", twice=True),
    "every": ColumnKind(("period", "cycle"), "duration", twice=True),
    "temperature": ColumnKind(("temp",), "temperature"),
    "pressure": ColumnKind((), "pressure"),
    "next spell": ColumnKind(("next start", "next on"), "duration"),
}
"""Of a list of sources; ``on`` and ``every`` may stand twice, the inner stage first."""

PLACE_COLUMNS = {
    "name": ColumnKind(("place", "location", "id"), required=True),
    "x": ColumnKind(("east", "easting"), "length", required=True),
    "y": ColumnKind(("north", "northing"), "length", required=True),
    "elevation": ColumnKind(("height", "altitude", "z"), "length"),
}
"""Of a list of places."""


@dataclass(frozen=True, slots=True)
class ListedSource:
    """A source of a list; quantities are text with units, as written. ``stages``: (on, every)."""

    name: str
    place: str
    fluid: str
    flow: str
    stages: tuple[tuple[str, str], ...] = ()
    temperature: str = ""
    pressure: str = ""
    next_spell: str = ""


@dataclass(frozen=True, slots=True)
class ListedPlace:
    """A place of a list; quantities are text with units, as written."""

    name: str
    x: str
    y: str
    elevation: str = ""


def read_sources(path: Path, places: Collection[str] = ()) -> tuple[ListedSource, ...]:
    """The sources of a CSV file, or of the sheet ``sources`` (or the only one) of a workbook.

    ``places``: the names that places of sources may have; none: any.

    Raises
    ------
    TableFileError
        All that is wrong with the table, by row and column.
    """
    sheet = _sheet(path, "sources")
    rows = read_rows(sheet, SOURCE_COLUMNS)
    faults = list(_name_faults(sheet, rows))
    found = []
    for row in rows:
        values, stages = row.values, []
        if places and values["place"] not in places:
            column, problem = row.places["place"], f"{shown(values['place'])} is no listed place"
            close = closest(values["place"], places)
            remedy = f"did you mean {shown(close)}?" if close else "add it to the list of places"
            faults.append(sheet.fault(row.number, column, problem, remedy))
        for end in ("", " 2"):
            on, every = values.get(f"on{end}", ""), values.get(f"every{end}", "")
            if bool(on) != bool(every):
                there, missing = ("on", "every") if on else ("every", "on")
                remedy = "give both, or neither for a source that is always on"
                problem = f"has {shown(there + end)} without {shown(missing + end)}"
                faults.append(sheet.fault(row.number, row.places[there + end], problem, remedy))
            elif on:
                stages.append((on, every))
        source = ListedSource(
            values["name"],
            values["place"],
            values["fluid"],
            values["flow"],
            tuple(stages),
            values.get("temperature", ""),
            values.get("pressure", ""),
            values.get("next spell", ""),
        )
        faults += (
            sheet.fault(row.number, row.places[column], problem, remedy)
            for column, problem, remedy in _wrong(source)
        )
        found.append(source)
    if faults:
        raise TableFileError(faults)
    return tuple(found)


def _wrong(source: ListedSource) -> Iterator[tuple[str, str, str]]:
    """Column of what is wrong, what it is, what to do."""
    if parse_quantity(source.flow, "mass_rate") <= 0:
        yield "flow", f"has a flow of {source.flow}", "give the flow while it is on, above 0"
    for number, (on, every) in enumerate(source.stages):
        if not 0 < parse_quantity(on, "duration") <= parse_quantity(every, "duration"):
            column = "on 2" if number else "on"
            yield column, f"is on for {on} of every {every}", "'on' is above 0 and at most 'every'"


def read_places(path: Path) -> tuple[ListedPlace, ...]:
    """The places of a CSV file, or of the sheet ``places`` (or the only one) of a workbook.

    Raises
    ------
    TableFileError
        All that is wrong with the table, by row and column.
    """
    sheet = _sheet(path, "places")
    rows = read_rows(sheet, PLACE_COLUMNS)
    if faults := list(_name_faults(sheet, rows)):
        raise TableFileError(faults)
    return tuple(
        ListedPlace(r.values["name"], r.values["x"], r.values["y"], r.values.get("elevation", ""))
        for r in rows
    )


def closest(name: str, known: Collection[str], like: float = 0.6) -> str:
    """The known name that was probably meant, or ""; ``like``: share of letters that agree."""
    same = [one for one in known if one.casefold() == name.casefold()]
    return next(iter(same or difflib.get_close_matches(name, list(known), 1, like)), "")


def _sheet(path: Path, name: str) -> Sheet:
    sheets = read_sheets(path, (name,))
    named = [one for one in sheets if one.name.lower() == name]
    if not named and len(sheets) != 1:
        given = ", ".join(shown(one.name) for one in sheets)
        raise refuse(str(path), f"has no sheet {shown(name)} among {given}", "rename the sheet")
    return (named or list(sheets))[0]


def _name_faults(sheet: Sheet, rows: Iterable[ListRow]) -> Iterable[Fault]:
    seen: dict[str, int] = {}
    spelt: dict[tuple[str, str], tuple[str, int]] = {}
    for row in rows:
        for column in ("name", "place", "fluid"):
            if refusal := name_refusal(row.values.get(column, "x"), ("power", "heat")):
                place = row.places[column]
                yield sheet.fault(row.number, place, f"{column} {refusal}", "choose another name")
            text = row.values.get(column, "")
            first, at = spelt.setdefault((column, text.casefold()), (text, row.number))
            if text != first:
                problem = f"{column} {shown(text)} is {shown(first)} of row {at} in other capitals"
                remedy = "spell it alike in all rows, or choose another name"
                yield sheet.fault(row.number, row.places[column], problem, remedy)
        name = row.values.get("name", "")
        if name in seen:
            problem = f"has the name {shown(name)} of row {seen[name]}"
            yield sheet.fault(row.number, row.places["name"], problem, "give each its own name")
        seen.setdefault(name, row.number)
