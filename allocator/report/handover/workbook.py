"""The tables of a plan as one workbook: the same bytes for the same tables."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from allocator.base.rendering import sheet_rows
from allocator.base.spreadsheet_cells import inert
from allocator.base.table import Table
from allocator.plans.records import Plan
from allocator.report.handover.role_sheets import (
    LONGEST_TEXT,
    number_format,
    role_sheets,
    write_role_sheet,
)
from allocator.report.tags import scheme_of

WRITTEN = datetime(2000, 1, 1)
"""A fixed date of writing: a workbook says nothing that its tables do not say."""

_WIDEST = 60


def workbook(plan: Plan, tables: Sequence[Table]) -> bytes:
    """What this is; sheets by role in units of people, with sums; then a sheet a table, exact SI.

    Heads are frozen and filtered. Names are sheet names of at most 31 characters. Text is text:
    nothing in it is run as a formula or made a link, here or after it is copied on. Numbers stay
    numbers at full precision.
    """
    import xlsxwriter

    sink = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(sink, options) as book:
        book.set_properties({"title": inert(plan.site_name), "created": WRITTEN})
        head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        by_name = {table.name: table for table in tables}
        _about(book, plan, tables, head)
        for sheet in role_sheets(tables):
            write_role_sheet(book, sheet, by_name[sheet.table], head)
        for table in tables:
            _sheet(book, table, head)
    return sink.getvalue()


def _about(book: Any, plan: Plan, tables: Sequence[Table], head: Any) -> None:
    sheet = book.add_worksheet("read me")
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 100)
    rows = [
        ("site", plan.site_name),
        ("basis", plan.basis),
        ("audited", "yes" if plan.verified else "NO: do not build from this plan"),
        ("site file, SHA-256", plan.site_sha256),
        *((f"sheet {sheet.name!r}", sheet.about) for sheet in role_sheets(tables)),
        ("all other sheets", "exact values in SI, as in the CSV files; units in the heads"),
        ("tags", scheme_of(plan).partition(": ")[2]),
        *(("caution", text) for text in plan.cautions),
    ]
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    for number, (what, said) in enumerate(rows):
        sheet.write_string(number, 0, what, head)
        sheet.write_string(number, 1, inert(said)[:LONGEST_TEXT], wrapped)


def _sheet(book: Any, table: Table, head: Any) -> None:
    sheet = book.add_worksheet(table.name)
    sheet.freeze_panes(1, 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    heads, *rows = sheet_rows(table)
    for column, title in enumerate(heads):
        sheet.write_string(0, column, title, head)
        cells = [row[column] for row in rows]
        numbers = [c for c in cells if isinstance(c, int | float) and math.isfinite(c)]
        form = number_format(table.columns[column], numbers, most=9)
        shown = book.add_format({"num_format": form})
        for number, cell in enumerate(cells, 1):
            if isinstance(cell, str):
                sheet.write_string(number, column, cell[:LONGEST_TEXT])
            elif cell is not None:
                sheet.write_number(number, column, cell, shown)
        widest = max([len(str(title)) // 2 + 4, *(len(_shown(cell)) for cell in cells)])
        sheet.set_column(column, column, min(widest + 2, _WIDEST))
    sheet.autofilter(0, 0, len(table), len(heads) - 1)


def _shown(cell: object) -> str:
    return f"{cell:.6g}" if isinstance(cell, float) else "" if cell is None else str(cell)
