"""A demand that was measured: time and value in a CSV file beside the site file."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from allocator.base.quantities import QuantityError, Units, parse_quantity, shown
from allocator.site.headings import UTC_NAMES, in_brackets, readings, unit_read
from allocator.site.local_time import clock_change, jumps_back
from allocator.site.table import Values

MOST_BYTES = 256 * 1024 * 1024
_DATE = re.compile(r"\d{4}-\d\d-\d\d")
Series = tuple[list[float], list[float], float]
"""Starts (the first is 0), levels and period, in SI."""


_USUAL = {"power": ("power", "kW"), "mass_rate": ("flow", "g/s")}
"""How headings of values are written."""


class _SeriesError(Exception):
    def __init__(self, line: int, column: int, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.line, self.column, self.problem, self.remedy = line, column, problem, remedy


@dataclass(frozen=True, slots=True)
class _Column:
    """One column: its dimension and unit; plain numbers in it are in that unit.

    ``heading``: with its line and number of column. ``dates``: it holds dates with times of day,
    read as seconds.
    """

    dimension: str
    unit: str
    units: Units
    heading: tuple[str, int, int]
    dates: bool = False

    @property
    def may_hold_dates(self) -> bool:
        """Whether its heading names no unit of numbers; ``Day`` names what a date is as well."""
        return self.unit.upper() in ("", *UTC_NAMES) or self.heading[0].isalpha()

    def value(self, text: str) -> float:
        number = text.strip()
        if self.dates:
            return _seconds(number)
        if re.fullmatch(r"[-+.0-9eE]+", number):
            if not self.unit:
                raise self._without_unit()
            number = f"{number} {self.unit}"
        return parse_quantity(number, self.dimension, self.units)

    def _without_unit(self) -> _SeriesError:
        text, line, number = self.heading
        what, unit = ("time", "h") if number == 1 else _USUAL[self.dimension]
        return _SeriesError(
            line,
            number,
            f"does not give the unit of {shown(text)}",
            f"write it in brackets, such as '{what} [{unit}]'",
        )


def read_series(values: Values, dimension: str, *, dates: bool = False) -> Series | None:
    """Reads the CSV file that ``values`` names. ``dates``: times may be dates (ISO 8601).

    Faults are noted with the file's own line and column: 1 is time, 2 is the value.
    The first row holds headings: time, value, each with its unit (``time_s``, ``power [kW]``),
    without which each number below needs its own. Each level lasts until the next row, the last
    one as long as the one before it.
    """
    diagnostics = values.where.diagnostics
    node = values.nodes["csv"]
    path = diagnostics.folder / values.get("csv")
    try:
        content = _content(path)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        values.fault(
            "csv",
            f"names {shown(values.get('csv'))}, which cannot be read ({reason})",
            "paths start at the folder of the site file",
        )
        return None
    diagnostics.extra.append(content)
    try:
        series, notes = _parse(content, dimension, diagnostics.units, dates)
        for note in notes:
            problem, _, remedy = note.partition("; ")
            values.warn("csv", problem, remedy)
        return series
    except _SeriesError as error:
        values.sound = False
        diagnostics.fault(
            error.line,
            error.column,
            values.where.subject,
            error.problem,
            error.remedy,
            file=str(path),
            at=(node.line, node.column),
        )
        return None


def _content(path: Path) -> bytes:
    if path.is_dir():
        raise ValueError("it is a folder")
    if path.exists() and not path.is_file():  # a pipe may never end
        raise ValueError("it is a pipe or a device, not a file")
    with path.open("rb") as file:
        content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise ValueError("it is larger than 256 MB")
    return content


def _parse(
    content: bytes, dimension: str, units: Units, dates: bool
) -> tuple[Series, tuple[str, ...]]:
    """The series, and notes on its clock."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _SeriesError(line, 1, "the file is not UTF-8 text", "save it as UTF-8") from None
    times, levels = list[float](), list[float]()
    columns: tuple[_Column, _Column] | None = None
    zoned, began = False, ""
    for line, row in _rows(text):
        if len(row) != 2:
            raise _SeriesError(
                line,
                1,
                f"expects two columns, time and value, got {len(row)}",
                "save it with commas, not tabs"
                if "\t" in row[0]
                else "separate them with one comma",
            )
        if columns is None:
            columns = (
                _heading(row[0], line, 1, "duration", units),
                _heading(row[1], line, 2, dimension, units),
            )
            continue
        if dates and not times and columns[0].may_hold_dates and _DATE.match(row[0].strip()):
            columns = (replace(columns[0], dates=True), columns[1])
            zoned = _zoned(row[0])
            began = "" if zoned or columns[0].unit.upper() in UTC_NAMES else row[0].strip()
        if columns[0].dates and _zoned(row[0]) != zoned:
            problem = f"has dates with and without a time zone (got {shown(row[0])[1:-1]})"
            raise _SeriesError(line, 1, problem, "give all or none a time zone, such as +01:00")
        time, level = (
            _cell(column, cell, line, number)
            for number, (column, cell) in enumerate(zip(columns, row, strict=True), 1)
        )
        if times and time <= times[-1]:
            since = np.array([*times, time]) - times[0]
            if time < times[-1] and clock_change(since, began):
                raise _SeriesError(line, 1, *jumps_back("", summer=True))
            raise _SeriesError(
                line, 1, f"time must rise (got {shown(row[0])[1:-1]})", "sort the rows"
            )
        if level < 0:
            raise _SeriesError(
                line, 2, f"must not be negative (got {shown(row[1])[1:-1]})", "give 0 or more"
            )
        times.append(time)
        levels.append(level)
    if len(times) < 2:
        raise _SeriesError(1, 1, f"has too few rows of data ({len(times)})", "give two at least")
    if not any(levels):
        raise _SeriesError(2, 1, "is 0 all of the time", "give one value above 0 at least")
    last = times[-1] + (times[-1] - times[-2])
    starts = [time - times[0] for time in times]
    return (starts, levels, last - times[0]), clock_change(np.array(starts), began)


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every row that is not blank."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row
    except csv.Error as error:
        raise _SeriesError(
            max(reader.line_num, 1), 1, f"not valid CSV: {error}", "check quotes and commas"
        ) from None


def _heading(text: str, line: int, number: int, dimension: str, units: Units) -> _Column:
    heading = text.strip()
    try:
        float(heading)
    except ValueError:
        pass
    else:
        raise _SeriesError(
            line,
            number,
            f"expects a heading, got {shown(heading)}",
            "begin with a row such as 'time_s,power_w'",
        )
    column = _Column(dimension, "", units, (heading, line, number))
    bracket = in_brackets(heading)
    if bracket is None:
        told = (unit_read(unit, dimension, units) for _, unit in readings(heading))
        return replace(column, unit=next(filter(None, told), ""))
    unit = bracket[1]
    try:
        if number != 1 or unit.upper() not in UTC_NAMES:
            parse_quantity(f"1 {unit}", dimension, units)
    except QuantityError as error:
        remedy = error.remedy or "correct the unit in the heading"
        raise _SeriesError(
            line, number, f"heading {shown(heading)}: {error.problem}", remedy
        ) from None
    return replace(column, unit=unit)


def _seconds(text: str) -> float:
    """A date with time of day as seconds; without a time zone, of a day of 24 hours."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        remedy = "write it like '2027-03-14 06:30', as in the first row"
        raise QuantityError(f"expects a date, got {shown(text)}", remedy) from None
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def _zoned(text: str) -> bool:
    """Whether a date has a time zone; other text has none."""
    return re.search(r"[T ]\d.*([+-]\d\d:?\d*|Z)$", text.strip()) is not None


def _cell(column: _Column, text: str, line: int, number: int) -> float:
    try:
        return column.value(text)
    except QuantityError as error:
        raise _SeriesError(line, number, error.problem, error.remedy) from None
