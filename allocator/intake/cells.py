"""Tables as a user has them, CSV or Excel -> rows of text cells, read exactly as typed."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Container
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from allocator.base.errors import Fault, FileError
from allocator.base.quantities import shown

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

MOST_BYTES = 512 * 1024 * 1024
"""The largest table that is read, unpacked."""


class TableFileError(FileError):
    """A table, log or grid that cannot be used: ``faults`` holds all that is wrong with it."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: rows that are not blank, each with its number from 1 and the text of its cells.

    ``book``: it is of a workbook, so that faults are told by sheet and cell.
    """

    name: str
    file: str
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    book: bool = False

    def fault(self, row: int, column: int, problem: str, remedy: str, subject: str = "") -> Fault:
        """A fault of a cell; both count from 1."""
        if not self.book:
            return Fault(self.file, row, column, subject, problem, remedy)
        from openpyxl.utils.cell import get_column_letter

        cell = f"sheet {shown(self.name)}, cell {get_column_letter(column)}{row}"
        told = f"{cell}: {subject}" if subject else cell
        return Fault(self.file, 0, 0, told, problem, remedy)


def refuse(file: str, problem: str, remedy: str) -> TableFileError:
    """The error of a file that cannot be used at all."""
    return TableFileError([Fault(file, 0, 0, "", problem, remedy)])


def read_sheets(path: Path, wanted: Container[str] = ()) -> tuple[Sheet, ...]:
    """The sheets of an Excel workbook, or the one of a CSV file.

    ``wanted``: names in small letters; where a workbook has sheets of these names, others are
    read without their cells.

    Raises
    ------
    TableFileError
        No such file, no table, merged cells, formulas, dates, cells with an error.
    """
    try:
        if path.suffix.lower() in (".xlsx", ".xlsm"):
            return _workbook(path, wanted)
        if path.stat().st_size > MOST_BYTES:
            raise refuse(str(path), "is larger than 512 MB", "split it")
        content = path.read_bytes()
    except OSError as error:
        raise refuse(str(path), f"cannot be read ({error.strerror})", "check the path") from None
    return (_csv(path, content),)


def _csv(path: Path, content: bytes) -> Sheet:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refuse(str(path), "is not UTF-8 text", "save it as CSV with UTF-8") from None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((reader.line_num, tuple(cell.strip() for cell in row)))
    except csv.Error as error:
        fault = Fault(str(path), reader.line_num, 1, "", f"not valid CSV: {error}", "check quotes")
        raise TableFileError([fault]) from None
    sheet = Sheet(path.stem, str(path), tuple(rows))
    if rows and len(rows[0][1]) == 1 and ";" in rows[0][1][0]:
        problem = "its columns are separated by semicolons"
        remedy = "save it with commas between columns and points in decimals"
        raise TableFileError([sheet.fault(rows[0][0], 1, problem, remedy)])
    faults = [
        sheet.fault(
            number,
            1,
            f"has {len(row)} cells, the heading has {len(rows[0][1])}",
            "write decimals with a point, and text with commas in quotes",
        )
        for number, row in rows
        if len(row) != len(rows[0][1])
    ]
    if faults:
        raise TableFileError(faults)
    return sheet


def _workbook(path: Path, wanted: Container[str]) -> tuple[Sheet, ...]:
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    bad = refuse(str(path), "is not an Excel workbook", "save it as .xlsx, or as CSV")
    try:
        with zipfile.ZipFile(path) as packed:
            if sum(one.file_size for one in packed.infolist()) > MOST_BYTES:
                raise refuse(str(path), "is larger than 512 MB unpacked", "split it")
        book = openpyxl.load_workbook(path)
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, TypeError):
        raise bad from None
    some = any(sheet.title.lower() in wanted for sheet in book.worksheets)
    found, faults = [], list[Fault]()
    for sheet in book.worksheets:
        if some and sheet.title.lower() not in wanted:
            found.append(Sheet(sheet.title, str(path), (), book=True))
        else:
            found.append(_sheet(path, sheet, faults))
    if faults:
        raise TableFileError(faults)
    return tuple(found)


def _sheet(path: Path, sheet: Worksheet, faults: list[Fault]) -> Sheet:
    found = Sheet(sheet.title, str(path), (), book=True)
    faults += [
        found.fault(one.min_row, one.min_col, f"is merged ({one.coord})", "unmerge the cells")
        for one in sorted(sheet.merged_cells.ranges, key=lambda one: str(one.coord))
    ]
    rows = []
    for number, row in enumerate(sheet.iter_rows(), 1):
        cells = []
        for column, cell in enumerate(row, 1):
            problem, remedy = _refusal(cell)
            if problem:
                faults.append(found.fault(number, column, problem, remedy))
            cells.append("" if problem else _text(cell.value))
        if any(cell.strip() for cell in cells):
            rows.append((number, tuple(cells)))
    return replace(found, rows=tuple(rows))


def _refusal(cell: Any) -> tuple[str, str]:
    """Why a cell cannot be read, and what to do; empty where it can."""
    if cell.data_type == "f":
        return "holds a formula", "paste its value in its place"
    if cell.data_type == "e":
        return f"holds the error {shown(cell.value)}", "correct it"
    if cell.value is not None and not isinstance(cell.value, str | bool | int | float):
        remedy = "begin it with an apostrophe, so that it is text: '2027-03-14, or '3 d"
        return "holds a date or a time of day", remedy
    return "", ""


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)
