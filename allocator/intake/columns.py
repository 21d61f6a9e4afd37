"""Headings with units: which column a heading names, and the quantities below it as written."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from allocator.base.errors import Fault
from allocator.base.quantities import DIMENSIONS, QuantityError, parse_quantity, shown
from allocator.intake.cells import Sheet, TableFileError
from allocator.site.headings import in_brackets, readings, unit_read
from allocator.site.kinds import GAUGE

TEXT = ""
"""The dimension of a column that holds text."""

_PLAIN = re.compile(r"[-+]?[0-9.]+([eE][-+]?[0-9]+)?")
_DATE = re.compile(r"\d{4}-\d\d?-\d\d?|\d\d?[./]\d\d?[./]\d\d")
_REMARKS = frozenset({"remark", "remarks", "comment", "comments", "note", "notes"})
"""Headings of columns for people alone."""


@dataclass(frozen=True, slots=True)
class ColumnKind:
    """A column that a table may have: other names of it, and its dimension (``TEXT`` for none).

    ``twice``: it may stand twice.
    """

    also: tuple[str, ...]
    dimension: str = TEXT
    required: bool = False
    twice: bool = False


@dataclass(frozen=True, slots=True)
class ListRow:
    """A row: column -> text as written, quantities with their units; column -> its place from 1.

    The second of two columns of one name has " 2" behind it, here and in headings: ``on 2``.
    """

    number: int
    values: Mapping[str, str]
    places: Mapping[str, int]


def read_rows(sheet: Sheet, wanted: Mapping[str, ColumnKind]) -> tuple[ListRow, ...]:
    """The rows of a table by its headings; ``wanted``: column -> what it may be.

    The second column of one name has " 2" behind it.

    Raises
    ------
    TableFileError
        Unknown or missing headings, quantities without a unit or that cannot be read: all of them.
    """
    if len(sheet.rows) < 2:
        problem = "has no row of data" if sheet.rows else "is empty"
        names = ", ".join(wanted)
        remedy = f"begin with a row of headings ({names}); a row for each below"
        raise TableFileError([sheet.fault(1, 1, problem, remedy)])
    (top, headings), *rows = sheet.rows
    if not any(recognised(heading, wanted)[0] for heading in headings):
        names = ", ".join(wanted)
        problem = f"has none of the headings {names} in its first row"
        remedy = "begin with a row of headings, and delete rows above it"
        raise TableFileError([sheet.fault(top, 1, problem, remedy)])
    columns, faults = _columns(sheet, top, headings, wanted)
    places = {name: place + 1 for place, (name, _) in columns.items()}
    bare: dict[int, str] = {}  # places of columns that lack a unit -> their columns
    found = []
    for number, cells in rows:
        values = {}
        for place, (name, unit) in columns.items():
            column = wanted[name.removesuffix(" 2")]
            text = cells[place].strip() if place < len(cells) else ""
            text = text if column.dimension else " ".join(text.split())  # two spaces are no name
            problem, remedy = "", ""
            if text and column.dimension and not unit and _PLAIN.fullmatch(text):
                bare[place] = name.removesuffix(" 2")
            elif text and column.dimension:
                text, problem, remedy = _quantity(text, unit, column.dimension)
            elif not text and column.required:
                problem, remedy = f"is empty in column {shown(name)}", "fill it in"
            if problem:
                faults.append(sheet.fault(number, place + 1, problem, remedy))
            elif text:
                values[name] = text
        found.append(ListRow(number, values, places))
    for place, name in bare.items():
        heading = headings[place]
        unit = DIMENSIONS[wanted[name].dimension].example.split()[1]
        problem = f"has the heading {shown(heading)} without a unit above plain numbers"
        remedy = f"write it in the heading, such as '{heading} [{unit}]', or in each cell"
        faults.append(sheet.fault(top, place + 1, problem, remedy))
    if faults:
        raise TableFileError(faults)
    return tuple(found)


def _columns(
    sheet: Sheet, top: int, headings: Sequence[str], wanted: Mapping[str, ColumnKind]
) -> tuple[dict[int, tuple[str, str]], list[Fault]]:
    """Place -> column and unit, and the faults of the headings."""
    columns: dict[int, tuple[str, str]] = {}
    faults: list[Fault] = []
    for place, heading in enumerate(headings):
        name, unit = recognised(heading, wanted)
        taken = {known for known, _ in columns.values()}
        if name in taken and wanted[name].twice and f"{name} 2" not in taken:
            columns[place] = (f"{name} 2", unit)
        elif is_remark(heading):
            continue
        elif not name or name in taken:
            problem = f"has the {'second' if name else 'unknown'} heading {shown(heading)}"
            remedy = f"delete the column, or name it one of: {', '.join(_names(wanted))}"
            if heading or any(len(row) > place and row[place] for _, row in sheet.rows[1:]):
                faults.append(sheet.fault(top, place + 1, problem, remedy))
        else:
            columns[place] = (name, unit)
    named = {name for name, _ in columns.values()}
    for name, column in wanted.items():
        if column.required and name not in named:
            remedy = f"add a column with the heading {shown(name)}"
            faults.append(sheet.fault(top, 1, f"has no column {shown(name)}", remedy))
    return columns, faults


def is_remark(heading: str) -> bool:
    """Whether a heading is of a column that is for people alone, and is not read."""
    return heading.strip().lower() in _REMARKS


def recognised(heading: str, wanted: Mapping[str, ColumnKind]) -> tuple[str, str]:
    """The column that a heading names and its unit, such as ``flow [g/s]`` or ``flow_g_per_s``.

    Empty text where it names none.
    """
    bracket = in_brackets(heading)
    if bracket:
        column = _column(bracket[0], wanted)
        return (column, bracket[1]) if column else ("", "")
    for name, text in readings(heading):
        column = _column(name, wanted)
        unit = unit_read(text, wanted[column].dimension) if column else ""
        if column and (unit or not text):
            return column, unit
    return "", ""


def _column(text: str, wanted: Mapping[str, ColumnKind]) -> str:
    plain = re.sub(r"[\s_-]+", " ", text).strip().lower()
    for name, one in wanted.items():
        if (plain.removesuffix(" 2") if one.twice else plain) in (name, *one.also):
            return name
    return ""


def _names(wanted: Mapping[str, ColumnKind]) -> list[str]:
    """The names that headings may have."""
    return [*wanted, *(f"{name} 2" for name, column in wanted.items() if column.twice)]


def _quantity(text: str, unit: str, dimension: str) -> tuple[str, str, str]:
    """A cell's quantity with its unit; then what is wrong with it, and what to do."""
    example = DIMENSIONS[dimension].example
    if _DATE.match(text):
        return "", f"holds a date, {shown(text)}", f"write a {dimension} such as '{example}'"
    full = f"{text} {unit}" if _PLAIN.fullmatch(text) else text
    try:  # a gauge pressure counts from the ambient one, which the site file has
        parse_quantity(full.removesuffix(GAUGE) if dimension == "pressure" else full, dimension)
    except QuantityError as error:
        return "", error.problem, error.remedy or f"write it like '{example}'"
    return full, "", ""
