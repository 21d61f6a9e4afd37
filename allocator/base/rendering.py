"""A table as text, HTML, CSV, JSON and rows of a worksheet.

Text and HTML are for people: one unit a column, in its head, three significant figures, without
the columns that have no value. CSV, JSON and worksheets are for machines: every column, SI.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
from html import escape

from allocator.base import text
from allocator.base.column_units import head_of, shown_cell, unit_of
from allocator.base.spreadsheet_cells import inert
from allocator.base.table import Column, Table


def shown_cells(table: Table) -> tuple[tuple[Column, ...], list[tuple[str, ...]]]:
    """The columns that have a value, and the cells for people: heads with units, then the rows."""
    kept = []
    for column, cells in zip(table.columns, columns_of(table), strict=True):
        if not column.files_only and any(cell is not None for cell in cells):
            kept.append((column, cells))
    shown = []
    for column, cells in kept:
        like = [mine for one, mine in kept if table.one_unit and one.kind == column.kind] or [cells]
        unit = unit_of(column, itertools.chain.from_iterable(like))
        head = head_of(column, unit)
        shown.append([head, *(shown_cell(column, cell, unit) for cell in cells)])
    return tuple(column for column, _ in kept), list(zip(*shown, strict=True))


def columns_of(table: Table) -> list[tuple[object, ...]]:
    """The cells of a table, column by column."""
    return list(zip(*table.rows, strict=True)) or [()] * len(table.columns)


def shown_value(table: Table, name: str, value: object) -> str:
    """A value for people in the unit that its column has in the table: ``0.844 t``."""
    column = next(one for one in table.columns if one.name == name)
    unit = unit_of(column, table.column(name))
    return f"{shown_cell(column, value, unit)} {unit.name}".rstrip()


def lines_of(table: Table) -> list[str]:
    """A table without its title as lines of text, its note below; none where it has no rows."""
    columns, cells = shown_cells(table)
    if not cells:
        return []
    heads, *rows = cells
    right = [place for place, column in enumerate(columns) if column.numeric]
    return text.table(heads, rows, right) + (text.paragraph(table.note) if table.note else [])


def section_of(table: Table) -> list[str]:
    """A table with its title as lines after a blank one; none where it has no rows."""
    return text.section(table.title, lines_of(table))


def text_of(table: Table) -> str:
    """A table with its title as text that ends in a new line."""
    return "\n".join([table.title, *(lines_of(table) or ["  none"])]) + "\n"


def html_of(table: Table) -> str:
    """A table as an HTML element; nothing in it is taken for markup."""
    columns, cells = shown_cells(table)
    align = [' style="text-align:right"' if column.numeric else "" for column in columns]
    heads = "".join(
        f'<th scope="col"{_title(column.about)}>{escape(head)}</th>'
        for column, head in zip(columns, cells[0] if cells else (), strict=True)
    )
    body = "".join(
        "<tr>"
        + "".join(f"<td{style}>{escape(cell)}</td>" for style, cell in zip(align, row, strict=True))
        + "</tr>"
        for row in cells[1:]
    )
    note = f"<p>{escape(table.note)}</p>" if table.note else ""
    return (
        f"<table><caption>{escape(table.title)}</caption>"
        f"<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>{note}"
    )


def _title(about: str) -> str:
    return f' title="{escape(about)}"' if about else ""


def csv_of(table: Table) -> str:
    """A table as CSV: nine significant figures, empty where there is no value, ``\\n`` line ends.

    Text that a spreadsheet would run as a formula is led by an apostrophe.
    """
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(map(inert, table.keys))
    writer.writerows([_written(cell) for cell in row] for row in table.rows)
    return sink.getvalue()


def _written(cell: object) -> object:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        # never -0, nor what is left of a rounding
        return f"{cell if abs(cell) > 1e-30 else 0.0:.9g}"
    return inert(cell) if isinstance(cell, str) else cell


def json_records(table: Table) -> list[dict[str, object]]:
    """The records of a table as values of JSON."""
    return [
        {
            key: None if isinstance(cell, float) and not math.isfinite(cell) else cell
            for key, cell in record.items()
        }
        for record in table.records()
    ]


def sheet_rows(table: Table) -> list[list[str | int | float | None]]:
    """A table as rows of a worksheet, heads first: full precision, no text that runs as a formula.

    The heads are the keys with spaces, so that they hold the SI unit.
    """
    heads: list[str | int | float | None] = [key.replace("_", " ") for key in table.keys]
    return [heads, *([_sheet_cell(cell) for cell in row] for row in table.rows)]


def _sheet_cell(cell: object) -> str | int | float | None:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if cell is None or isinstance(cell, int | float):
        return cell
    return inert(str(cell))
