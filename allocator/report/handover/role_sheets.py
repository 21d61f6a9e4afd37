"""Sheets of the workbook by role: the crew's, the storekeeper's and the buyer's, with sums.

Values are in units of people, which the heads name. Sums are formulas that a spreadsheet works out
again after a change; the value that they have now is stored with them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from allocator.base.column_units import ColumnUnit, head_of, unit_of
from allocator.base.spreadsheet_cells import inert
from allocator.base.table import Column, Table

LONGEST_TEXT = 32_767
"""Characters that a cell of the format holds."""
_WIDEST = 48
Record = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class RoleSheet:
    """A sheet made of a table: which of its columns and rows, and what is added up.

    ``kinds``: of rows by their column ``kind``; all where it is empty. ``formulas``: column ->
    formula of its row, in which ``{name}`` is the cell of a column.
    """

    name: str
    table: str
    about: str
    columns: tuple[str, ...]
    sums: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    formulas: Mapping[str, str] | None = None
    by: str = ""


ROLE_SHEETS = (
    RoleSheet(
        "crew build order",
        "build_order",
        "crew: what to build, in this order",
        (
            *("step", "action", "valves", "what", "where", "materials", "mass", "mass_so_far"),
            *("needs_steps", "unlocks", "promised_so_far", "done_after_d", "next_spell_in_d"),
            "note",
        ),
        ("mass",),
    ),
    RoleSheet(
        "crew cut list",
        "cut_list",
        "crew: pipe and insulation of each run, with spares",
        (
            *("build", "run", "start", "end", "fluid", "layer", "material", "bore_mm"),
            *("thickness_mm", "length", "cut_length", "mass", "cut_mass", "stock_length"),
            *("full_lengths", "rest", "joints", "valves", "note"),
        ),
        ("mass", "cut_mass", "full_lengths", "joints"),
        ("pipe", "layer"),
    ),
    RoleSheet(
        "crew cutting plan",
        "cutting_plan",
        "crew: how each delivered length of pipe is cut",
        ("pipe", "lengths", "stock_length", "cuts_m", "for_runs", "off_cut"),
        ("lengths",),
    ),
    RoleSheet(
        "crew set-points",
        "set_points",
        "crew and operators: what each valve, switch and machine is set to",
        (
            *("tag", "thing", "place", "setting", "set_to", "set_unit", "set_at_peak"),
            *("set_absolute_mbar", "note"),
        ),
    ),
    RoleSheet(
        "stores",
        "stock_list",
        "storekeeper: what to issue out of stock, and what is left",
        (
            *("material", "to_build", "spares", "off_cuts", "to_issue", "stock", "left", "short"),
            *("price", "money"),
        ),
        ("to_build", "spares", "off_cuts", "to_issue", "money"),
        formulas={
            "to_issue": "={to_build}+{spares}+{off_cuts}",
            "left": "=MAX(0,{stock}-{to_issue})",
            "short": "=MAX(0,{to_issue}-{stock})",
        },
    ),
    RoleSheet(
        "procurement",
        "bill_of_materials",
        "buyer: everything that is new, with masses and money",
        ("item", "where", "amount", "amount_unit", "material", "kg", "money"),
        ("kg", "money"),
        ("item",),
        by="material",
    ),
    RoleSheet(
        "procurement pipe",
        "cut_list",
        "buyer: pipe to order by type, with spares and waste",
        (
            *("build", "bore_mm", "length", "cut_length", "mass", "cut_mass", "stock_length"),
            *("lengths_needed", "spare_lengths", "lengths_to_order", "waste", "waste_percent"),
            "note",
        ),
        ("length", "cut_length", "mass", "cut_mass", "lengths_to_order", "waste"),
        ("order",),
    ),
)


def role_sheets(tables: Iterable[Table]) -> list[RoleSheet]:
    """The sheets for which a table has rows."""
    found = {table.name: table for table in tables}
    return [one for one in ROLE_SHEETS if one.table in found and _rows(one, found[one.table])]


def _rows(sheet: RoleSheet, table: Table) -> list[Record]:
    named = [
        {column.name: cell for column, cell in zip(table.columns, row, strict=True)}
        for row in table.rows
    ]
    return [row for row in named if not sheet.kinds or row["kind"] in sheet.kinds]


def write_role_sheet(book: Any, one: RoleSheet, table: Table, head: Any) -> None:
    """Write a sheet: heads with units, values, a row of sums, and sums by name where asked for."""
    rows = _rows(one, table)
    by_name = {column.name: column for column in table.columns}
    columns = [by_name[name] for name in one.columns if _used(name, rows)]
    # one unit for all columns of a kind, so that they can be added and compared
    units = {
        c.name: unit_of(c, [row[d.name] for d in columns if d.kind == c.kind for row in rows])
        for c in columns
    }
    sheet = book.add_worksheet(one.name)
    sheet.freeze_panes(1, 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    places = {column.name: place for place, column in enumerate(columns)}
    for place, column in enumerate(columns):
        unit = units[column.name]
        sheet.write_string(0, place, head_of(column, unit), head)
        values = [_number(row[column.name], unit) for row in rows]
        style = book.add_format({"num_format": number_format(column, values), "valign": "top"})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        formula = (one.formulas or {}).get(column.name)
        for line, (row, value) in enumerate(zip(rows, values, strict=True), 1):
            if value is not None and formula is not None and _all_there(formula, row):
                text = formula.format_map(_Cells(places, line))
                sheet.write_formula(line, place, text, style, value)
            elif value is not None:
                sheet.write_number(line, place, value, style)
            elif row[column.name] not in (None, ""):
                text = inert(str(row[column.name]))[:LONGEST_TEXT]
                sheet.write_string(line, place, text, wrapped)
        shown = [str(row[column.name] or "") for row in rows if not column.numeric]
        sheet.set_column(place, place, min(_WIDEST, max([9, *map(len, shown)]) + 2))
    sheet.autofilter(0, 0, len(rows), len(columns) - 1)
    sums = [name for name in one.sums if name in places]
    _write_sums(book, sheet, columns, units, rows, sums)
    if one.by in places:
        _write_sums_by(book, sheet, places, rows, sums, one.by)


def _all_there(formula: str, row: Record) -> bool:
    return all(row[name] is not None for name in row if f"{{{name}}}" in formula)


class _Cells(dict[str, str]):
    """Column -> its cell in a line, for the formulas of a row."""

    def __init__(self, places: Mapping[str, int], line: int) -> None:
        super().__init__({name: cell(line, place) for name, place in places.items()})

    def __missing__(self, name: str) -> str:
        return "0"  # a column without any value is left out


def cell(line: int, place: int) -> str:
    """The address of a cell, counted from 0: ``C5``."""
    letters, number = "", place + 1
    while number:
        number, letter = divmod(number - 1, 26)
        letters = f"{chr(65 + letter)}{letters}"
    return f"{letters}{line + 1}"


def _write_sums(
    book: Any,
    sheet: Any,
    columns: Sequence[Column],
    units: Mapping[str, ColumnUnit],
    rows: Sequence[Record],
    sums: Sequence[str],
) -> None:
    """A row of sums below a table, of the rows that a filter leaves."""
    if not sums:
        return
    line = len(rows) + 1
    sheet.write_string(line, 0, "total", book.add_format({"bold": True, "top": 1}))
    for place, column in enumerate(columns):
        if column.name not in sums:
            continue
        values = [_number(row[column.name], units[column.name]) for row in rows]
        total = math.fsum(value for value in values if value is not None)
        form = {"bold": True, "top": 1, "num_format": number_format(column, [*values, total])}
        area = f"{cell(1, place)}:{cell(len(rows), place)}"
        sheet.write_formula(line, place, f"=SUBTOTAL(109,{area})", book.add_format(form), total)


def _write_sums_by(
    book: Any,
    sheet: Any,
    places: Mapping[str, int],
    rows: Sequence[Record],
    sums: Sequence[str],
    by: str,
) -> None:
    """A row of sums for each name in a column, below the sums of all."""
    names = list(dict.fromkeys(str(row[by]) for row in rows if row[by]))
    plain = book.add_format({"num_format": "#,##0.00"})
    for line, name in enumerate(names, len(rows) + 3):
        sheet.write_string(line, places[by], inert(name))
        key = cell(line, places[by])
        for summed in sums:
            total = math.fsum(_plain(row[summed]) for row in rows if row[by] == name)
            areas = [
                f"{cell(1, places[one])}:{cell(len(rows), places[one])}" for one in (by, summed)
            ]
            formula = f"=SUMPRODUCT(--({areas[0]}={key}),{areas[1]})"
            sheet.write_formula(line, places[summed], formula, plain, total)


def _used(name: str, rows: Sequence[Record]) -> bool:
    return any(row[name] not in (None, "") for row in rows)


def _plain(value: object) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _number(value: object, unit: ColumnUnit) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return (value - unit.zero) / unit.size


def number_format(column: Column, values: Iterable[float | None], most: int = 3) -> str:
    """A number format that shows two figures of the smallest value, in ``most`` decimals."""
    if column.kind == "count":
        return "#,##0"
    sizes = [abs(value) for value in values if value]
    if column.kind == "number" and all(size == round(size) for size in sizes):
        return "#,##0"
    least = min(sizes, default=1.0)
    places = min(most, max(0, 1 - math.floor(math.log10(least))))
    return f"#,##0.{'0' * places}" if places else "#,##0"
