"""A logger's CSV file as a table: headings with units, numbers, marks and dates by column."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from allocator.base.errors import Fault
from allocator.base.grouped import grouped
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.intake.cells import MOST_BYTES, TableFileError, refuse
from allocator.intake.change_rows import Floats
from allocator.intake.columns import ColumnKind, recognised
from allocator.site.headings import UTC_NAMES

LARGEST = 1e15
"""A cell beyond it is a fault of the logger; a time of 30 million years in seconds is below it."""
SEARCHED = 50
"""Lines below the first one in which a heading is looked for."""
DATED = ("time", "start")
"""Columns that may hold dates."""
_STATES = {
    **dict.fromkeys(("1", "1.0", "true", "on", "yes", "running"), 1.0),
    **dict.fromkeys(("0", "0.0", "false", "off", "no", "stopped"), 0.0),
}


@dataclass(frozen=True, slots=True, eq=False)
class LogTable:
    """The cells of a file. ``columns``: name -> place and unit; ``others``: headings not used.

    ``zone``: the time zone of dates, where their heading has one.
    """

    path: Path
    cells: Any
    columns: Mapping[str, tuple[int, str]]
    others: tuple[str, ...]
    zone: str = ""

    def fault(self, row: int, name: str, problem: str, remedy: str) -> TableFileError:
        """The error of a cell; rows count from 0 below the heading."""
        place = self.columns[name][0] if name else 0
        return TableFileError([Fault(str(self.path), row + 2, place + 1, "", problem, remedy)])

    def numbers(self, name: str) -> Floats:
        """A column in SI; NaN where it is empty. Cells may have their own unit."""
        column = self.cells.iloc[:, self.columns[name][0]]
        if column.dtype.kind in "if":
            read = np.array(column, dtype=float)
        else:
            import pandas as pd

            found = pd.to_numeric(column, errors="coerce")
            read = np.array(found, dtype=float)
            for row in np.flatnonzero((found.isna() & column.notna()).to_numpy()).tolist():
                read[row] = self._quantity(row, name, str(column.iloc[row]))
        beyond = np.flatnonzero(np.abs(read) > LARGEST)
        if len(beyond):
            row = int(beyond[0])
            problem = f"is out of all proportion, got {shown(str(column.iloc[row]))}"
            raise self.fault(row, name, problem, "correct it, or leave it empty")
        return read * self.unit(name)

    def _quantity(self, row: int, name: str, text: str) -> float:
        """A cell with its own unit, in the unit of the heading."""
        try:
            return parse_quantity(text, _DIMENSIONS[name]) / self.unit(name)
        except QuantityError:
            remedy = "write numbers with a decimal point; leave missing ones empty"
            problem = f"expects a number, got {shown(text)}"
            raise self.fault(row, name, problem, remedy) from None

    def unit(self, name: str) -> float:
        """Of the heading, in SI; 1 where it has none."""
        unit = self.columns[name][1]
        return parse_quantity(f"1 {unit}", _DIMENSIONS[name]) if unit else 1.0

    def states(self) -> Floats:
        """Marks as 1 and 0."""
        column = self.cells.iloc[:, self.columns["on"][0]]
        words = column.astype(str).str.strip().str.lower()
        read = words.map(_STATES)
        bad = np.flatnonzero((read.isna() & column.notna()).to_numpy())
        if len(bad):
            text = shown(str(column.iloc[bad[0]]))
            raise self.fault(int(bad[0]), "on", f"expects 1 or 0, got {text}", "write 1 or 0")
        return np.array(read, dtype=float)

    def times(self, name: str, repairs: list[str]) -> tuple[Floats, str]:
        """Times in s, from the first one where they are dates; and that date, else empty text."""
        import pandas as pd

        place, unit = self.columns[name]
        column = self.cells.iloc[:, place]
        dated = column.dtype.kind not in "if" and not pd.to_numeric(
            column.dropna().iloc[:20], errors="coerce"
        ).notna().any()  # fmt: skip
        if unit:
            return self.numbers(name), ""
        if not dated:
            raise self.fault(-1, name, f"{name} has no unit", f"head it such as '{name} [s]'")
        text = column.astype(str).str.strip()
        given = column.notna()
        ending = text.str.extract(r"[T ]\d.*?([+-]\d\d:?\d\d|Z)$")[0]
        zoned = ending.notna() | ~given
        if (zoned & given).any() and not zoned.all():
            row = int(np.flatnonzero((ending.notna() != ending.notna()[given].iloc[0]) & given)[0])
            remedy = "give the offset in every row or in none"
            raise self.fault(row, name, "only some of the times have a time zone", remedy)
        read = pd.to_datetime(text.where(given), utc=True, format="ISO8601", errors="coerce")
        bad = np.flatnonzero((read.isna() & given).to_numpy())
        if len(bad):
            problem = f"is no date of ISO 8601: {shown(str(column.iloc[bad[0]]))}"
            if len(bad) > 1:
                problem += f", and so are {grouped(len(bad) - 1)} more"
            raise self.fault(int(bad[0]), name, problem, "write 2026-03-01T12:00:00")
        if (zones := ending.nunique()) > 1:
            repairs.append(f"times of {zones} time zones brought to one")
        base = read[given].iloc[0]
        if self.zone and not ending.notna().any():
            repairs.append(f"times are in {self.zone}, as their heading says")
        zoned_base = base if ending.notna().any() or self.zone else base.tz_localize(None)
        began = zoned_base.isoformat()
        return np.array((read - base).dt.total_seconds(), dtype=float), began


_DIMENSIONS = {
    **dict.fromkeys(("time", "start", "duration", "wait", "rest", "interval"), "duration"),
    "flow": "mass_rate",
}


def read_table(path: Path, wanted: Mapping[str, ColumnKind]) -> LogTable:
    """The cells of a CSV file with a row of headings on top, each row at its line."""
    import pandas as pd

    try:
        if path.stat().st_size > MOST_BYTES:
            raise refuse(str(path), "is larger than 512 MB", "split it")
        content = path.read_bytes()
    except OSError as error:
        raise refuse(str(path), f"cannot be read ({error.strerror})", "check the path") from None
    if content[:2] == b"PK":
        raise refuse(str(path), "is an Excel workbook", "save its sheet as CSV")
    if b"\n" not in content:  # old line ends, of one letter as well
        content = content.replace(b"\r", b"\n")
    head = _heading(path, content)
    _refuse_lines_above(path, content, head, wanted)
    columns: dict[str, tuple[int, str]] = {}
    others, zone = [], ""
    for place, text in enumerate(head):
        name, unit = recognised(text, wanted)
        if name in columns:
            problem = f"has a second column of {name}: {shown(text)}"
            remedy = "delete one" + (
                "; write date and time of day in one cell, 2026-03-01T12:00:00"
                if name == "time"
                else ", or give each of them in a file of its own"
            )
            raise TableFileError([Fault(str(path), 1, place + 1, "", problem, remedy)])
        if not name:
            others.append(text)
            continue
        if name in DATED and unit.upper() in UTC_NAMES:
            zone, unit = unit, ""
        columns[name] = (place, unit)
        try:
            parse_quantity(f"1 {unit}", wanted[name].dimension) if unit else None
        except QuantityError as error:
            remedy = error.remedy or "correct the unit in the heading"
            if name in DATED:
                remedy = f"head dates '{name}' alone, and numbers such as '{name} [s]'"
            fault = Fault(str(path), 1, place + 1, "", f"{shown(text)}: {error.problem}", remedy)
            raise TableFileError([fault]) from None
    _refuse_ragged(path, content, len(head))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", pd.errors.ParserWarning)
            cells = pd.read_csv(
                io.BytesIO(content), encoding="utf-8-sig", skipinitialspace=True, header=None,
                names=range(len(head)), skiprows=1, index_col=False, skip_blank_lines=False,
                low_memory=False,
            )  # fmt: skip
    except ValueError as error:  # pandas has its parser errors below it
        if "EOF inside string" in str(error):
            line = _open_quote(content)
            fault = Fault(str(path), line, 1, "", "a quote is not closed", "delete or close it")
            raise TableFileError([fault]) from None
        said = shown(str(error).strip(), 100)[1:-1]
        raise refuse(str(path), f"is no table: {said}", "give CSV with commas") from None
    return LogTable(path, cells, columns, tuple(others), zone)


def _heading(path: Path, content: bytes) -> list[str]:
    """The cells of the first line."""
    if not content.strip():
        raise refuse(str(path), "is no table: it is empty", "give CSV with commas")
    if b"\0" in content[:4096]:
        raise refuse(str(path), "is not UTF-8 text", "save it as CSV with UTF-8")
    try:
        line = content.split(b"\n", 1)[0].decode("utf-8-sig").strip("\r")
        content.decode("utf-8")
    except UnicodeDecodeError as error:
        number = content.count(b"\n", 0, error.start) + 1
        fault = Fault(str(path), number, 1, "", "is not UTF-8 text", "save it as CSV with UTF-8")
        raise TableFileError([fault]) from None
    cells = [cell.strip() for cell in next(csv.reader([line]), [])]
    marks = {";": "semicolons", "\t": "tabs"}
    mark = next((mark for mark in marks if len(cells) < 2 and mark in line), "")
    if mark:
        problem = f"its columns are separated by {marks[mark]}"
        remedy = "save it with commas between columns and points in decimals"
        raise TableFileError([Fault(str(path), 1, 1, "", problem, remedy)])
    return cells


def _open_quote(content: bytes) -> int:
    """The line of the row in which a quote that is never closed begins."""
    rows = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
    ends = [0, *(rows.line_num for _ in rows)]
    return ends[-2] + 1  # the last row reaches to the end of the file


def _refuse_lines_above(
    path: Path, content: bytes, head: list[str], wanted: Mapping[str, ColumnKind]
) -> None:
    """A heading that is not in the first line, but in one of those below."""
    if any(recognised(text, wanted)[0] for text in head):
        return
    lines = content.split(b"\n", SEARCHED + 1)[1 : SEARCHED + 1]
    for above, line in enumerate(lines, 1):
        cells = next(csv.reader([line.decode("utf-8-sig").replace("\r", "")]), [])
        if sum(bool(recognised(text, wanted)[0]) for text in cells) > 1:
            problem = f"the heading is in line {above + 1}: {shown(','.join(cells))}"
            remedy = f"delete the {counted(above, 'line')} above the heading"
            raise TableFileError([Fault(str(path), above + 1, 1, "", problem, remedy)])


def _refuse_ragged(path: Path, content: bytes, wide: int) -> None:
    """A row with more cells than the heading would lose some without a word."""
    if b'"' in content:
        rows = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
        found = next(((rows.line_num, len(row)) for row in rows if len(row) > wide), None)
    else:
        data = np.frombuffer(content, dtype=np.uint8)
        ends = np.append(np.flatnonzero(data == ord("\n")), len(data))
        commas = np.searchsorted(np.flatnonzero(data == ord(",")), ends)
        cells = np.diff(np.append(0, commas)) + 1
        long = np.flatnonzero(cells > wide)
        found = (int(long[0]) + 1, int(cells[long[0]])) if len(long) else None
    if found:
        line, cells_there = found
        problem = f"has {counted(cells_there, 'cell')}, the heading has {wide}"
        remedy = "write decimals with a point, and a heading for each column"
        raise TableFileError([Fault(str(path), line, wide + 1, "", problem, remedy)])


def counted(count: int, what: str = "row") -> str:
    """Such as "3 rows"."""
    return f"{grouped(count)} {what}{'s' * (count != 1)}"
