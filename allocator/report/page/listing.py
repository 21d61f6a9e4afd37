"""Tables of the page: cells as people read them, with the full figure kept for sort and copy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd

_UNITS = (
    ("_kg_per_s", "kg/s"),
    ("_w_per_k", "W/K"),
    ("_percent", "%"),
    ("_share", "share"),
    ("_mm", "mm"),
    ("_kg", "kg"),
    ("_m", "m"),
    ("_k", "K"),
    ("_w", "W"),
    ("_j", "J"),
    ("_d", "d"),
    ("_s", "s"),
)

TITLES = {
    "sources_used": "Sources used",
    "store_sizes": "Stores",
    "machine_counts": "Machines",
    "runs": "Runs and lines",
    "build_order": "PipeType order",
    "bill_of_materials": "Bill of materials",
    "cut_list": "Cut list",
    "set_points": "Set-points",
    "heat_limits": "Limits of temperature and heat",
    "coolers": "Coolers",
    "baths": "Heat sinks",
}


class ListedUnit(NamedTuple):
    """A unit as it is shown: ``name``, how many of it are one of SI, and what they count from."""

    name: str
    factor: float = 1.0
    zero: float = 0.0


SHOWN = {
    "kg/s": ListedUnit("g/s", 1e3),
    "J": ListedUnit("kWh", 1 / 3.6e6),
    "K": ListedUnit("degC", 1.0, -273.15),
}
"""Units that people read more easily than SI."""
DIFFERENCES = ("margin",)
"""Columns of temperatures that are differences, which count from nothing."""


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


def listings(tables: Mapping[str, pd.DataFrame]) -> list[Listing]:
    """Tables in the order of :data:`TITLES`, without those that have no rows."""
    return [
        _listing(name, title, tables[name])
        for name, title in TITLES.items()
        if name in tables and len(tables[name])
    ]


def _listing(name: str, title: str, table: pd.DataFrame) -> Listing:
    kept = [
        column
        for column in table.columns
        if any(cell is not None and cell != "" for cell in table[column])
    ]
    heads = [_unit(column) for column in kept]
    columns = [
        [_cell(cell, _shown(*head)) for cell in table[column]]
        for column, head in zip(kept, heads, strict=True)
    ]
    rows = tuple(zip(*columns, strict=True))
    return Listing(name, title, tuple(_head(words, unit) for words, unit in heads), rows)


def _unit(column: str) -> tuple[str, str]:
    for ending, unit in _UNITS:
        if column.endswith(ending):
            return column.removesuffix(ending).replace("_", " "), unit
    return column.replace("_", " "), ""


def _shown(words: str, unit: str) -> ListedUnit:
    return ListedUnit(unit) if words in DIFFERENCES else SHOWN.get(unit, ListedUnit(unit))


def _head(words: str, unit: str) -> Head:
    return Head(words, _shown(words, unit).name, f"{words} {unit}".strip())


def _cell(value: object, unit: ListedUnit) -> Cell:
    if value is None:
        return Cell("", "", False)
    if isinstance(value, bool):
        return Cell("yes" if value else "no", "yes" if value else "no", False)
    if isinstance(value, int | float):
        return Cell(short(float(value) * unit.factor + unit.zero), f"{value:.9g}", True)
    return Cell(str(value), str(value), False)


def short(value: float) -> str:
    """Four figures, thousands set apart, no exponent where it can be helped."""
    if value == 0:
        return "0"
    if abs(value) >= 1000:
        return f"{value:,.0f}".replace(",", "\u202f")
    return f"{value:.4g}" if abs(value) >= 1e-4 else f"{value:.3e}"
