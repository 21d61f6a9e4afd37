"""Tables of the page: cells as people read them, with the full figure kept for sort and copy."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from allocator.base.column_units import ColumnUnit, shown_cell, unit_of
from allocator.base.rendering import columns_of
from allocator.base.table import Column, Table

ORDER = (
    "sources_used",
    "store_sizes",
    "machine_counts",
    "runs",
    "build_order",
    "bill_of_materials",
    "cut_list",
    "set_points",
    "heat_limits",
    "pressures",
    "boosters",
    "coolers",
    "baths",
)


@dataclass(frozen=True, slots=True)
class Cell:
    """``shown`` to people; ``exact`` to sort and copy by. ``right``: a number."""

    shown: str
    exact: str
    right: bool


@dataclass(frozen=True, slots=True)
class Head:
    """The head of a column: words, the unit that is shown, and words with the SI unit to copy."""

    words: str
    unit: str
    exact: str


@dataclass(frozen=True, slots=True)
class Listing:
    """A table: its name, title, heads with units, rows of cells. ``empty`` columns are gone."""

    name: str
    title: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]

    @property
    def right(self) -> tuple[bool, ...]:
        """Columns that hold a number anywhere."""
        return tuple(any(cell.right for cell in column) for column in zip(*self.rows, strict=True))


def listings(tables: Iterable[Table]) -> list[Listing]:
    """Tables in the order of :data:`ORDER`, without those that have no rows."""
    found = {table.name: table for table in tables if len(table)}
    return [_listing(found[name]) for name in ORDER if name in found]


def _listing(table: Table) -> Listing:
    heads, columns = [], []
    for column, cells in zip(table.columns, columns_of(table), strict=True):
        if all(cell is None or cell == "" for cell in cells):
            continue
        unit = unit_of(column, cells)
        heads.append(Head(column.head, unit.name, f"{column.head} {column.si}".strip()))
        columns.append([_cell(column, cell, unit) for cell in cells])
    return Listing(table.name, table.title, tuple(heads), tuple(zip(*columns, strict=True)))


def _cell(column: Column, value: object, unit: ColumnUnit) -> Cell:
    if value is None:
        return Cell("", "", False)
    right = isinstance(value, int | float) and not isinstance(value, bool)
    shown = shown_cell(column, value, unit)
    return Cell(shown, f"{value:.9g}" if right else shown, right)
