"""Tables of the page: cells as people read them, with the full figure kept for sort and copy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from allocator.base.column_units import ColumnUnit, shown_cell, unit_of
from allocator.base.rendering import columns_of
from allocator.base.table import Column, Table
from allocator.report.parts import in_words

ORDER = (
    "sources_used",
    "store_sizes",
    "machine_counts",
    "runs",
    "build_order",
    "bill_of_materials",
    "stock_list",
    "cut_list",
    "cutting_plan",
    "set_points",
    "temperature_limits",
    "power_limits",
    "pressures",
    "pressure_paths",
    "boosters",
    "coolers",
    "baths",
)


CHOSEN: Mapping[str, tuple[str, ...]] = {
    "sources_used": ("source", "fluid", "new_tap", "goes_to", "rate_while_on", "mean"),
    "store_sizes": ("store", "holds", "size", "new", "promised"),
    "machine_counts": ("type", "place", "count", "new", "turning", "power_out_each"),
    "runs": ("name", "start", "end", "build", "carries", "length", "peak", "used_share"),
    "build_order": ("step", "action", "what", "where", "mass_so_far", "promised_so_far"),
    "bill_of_materials": ("item", "where", "quantity", "unit", "material", "kg", "mass", "money"),
    "cut_list": ("build", "run", "fluid", "material", "length", "mass", "cut_length", "cut_mass"),
    "set_points": (
        *("tag", "thing", "place", "setting", "set_to", "set_unit", "set_absolute_mbar", "note"),
    ),
    "pressure_paths": (
        "start",
        "end",
        "place",
        "distance",
        "arrives",
        "leaves",
        "booster",
        "needs",
    ),
    "boosters": (
        *("booster", "place", "into", "peak", "power_at_peak", "inlet", "outlet", "outlet_shut_in"),
    ),
    "coolers": ("cooler", "units", "place", "fluid", "set_point", "peak", "duty", "power"),
    "baths": ("bath", "source", "keeps", "hottest", "gas_leaves_at", "margin", "mass"),
}
"""Columns that are shown at first, by name; the rest come on demand."""

FITS = 8
"""Columns that are shown at first of a table of which nothing is chosen."""


@dataclass(frozen=True, slots=True)
class Cell:
    """``shown`` to people; ``exact`` to sort and copy by. ``right``: a number."""

    shown: str
    exact: str
    right: bool


@dataclass(frozen=True, slots=True)
class Head:
    """The head of a column: words, the unit that is shown, and words with the SI unit to copy.

    ``more``: shown on demand.
    """

    words: str
    unit: str
    exact: str
    more: bool = False


@dataclass(frozen=True, slots=True)
class Listing:
    """A table without its empty columns. ``things``: of each row the address on the map, or ""."""

    name: str
    title: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]
    things: tuple[str, ...] = ()

    @property
    def right(self) -> tuple[bool, ...]:
        """Columns that hold a number anywhere."""
        return tuple(any(cell.right for cell in column) for column in zip(*self.rows, strict=True))


def listings(tables: Iterable[Table]) -> list[Listing]:
    """Tables in the order of :data:`ORDER`, without those that have no rows."""
    found = {table.name: table for table in tables if len(table)}
    return [listing_of(found[name]) for name in ORDER if name in found]


def listing_of(table: Table) -> Listing:
    """A table with the columns that are shown at first, and the rest on demand."""
    heads: list[Head] = []
    columns = []
    chosen = CHOSEN.get(table.name, ())
    said = columns_of(in_words(table))
    for column, cells, words in zip(table.columns, columns_of(table), said, strict=True):
        if column.files_only or all(cell is None or cell == "" for cell in cells):
            continue
        unit = _unit(column, cells)
        more = column.name not in chosen if chosen else len(heads) >= FITS
        si = f"{column.si} absolute" if column.ambient else column.si
        heads.append(Head(column.head, unit.name, f"{column.head} {si}".strip(), more))
        pairs = zip(cells, words, strict=True)
        columns.append([_cell(column, cell, word, unit) for cell, word in pairs])
    rows = tuple(zip(*columns, strict=True))
    return Listing(table.name, table.title, tuple(heads), rows, tuple(_things(table)))


USUAL = {
    "power": ColumnUnit("kW", 1e3),
    "energy": ColumnUnit("kWh", 3.6e6),
    "mass_rate": ColumnUnit("g/s", 1e-3),
}
"""Units of the page by dimension, the same in every table."""


def _unit(column: Column, cells: Sequence[object]) -> ColumnUnit:
    """The usual unit of the page, where the largest value is not too small for it."""
    usual = USUAL.get(column.kind)
    sizes = [abs(cell) for cell in cells if isinstance(cell, int | float)]
    if usual is None or max(sizes, default=0.0) < 0.1 * usual.size:
        return unit_of(column, cells)
    return usual


def _things(table: Table) -> Iterator[str]:
    """The address on the map of what each row is about."""
    kind, *parts = _ADDRESSES.get(table.name, ("",))
    names = [column.name for column in table.columns]
    places = [names.index(part) for part in parts if part in names]
    for row in table.rows:
        cells = [str(row[place]) for place in places]
        if table.name == "runs" and len(cells) == 2:
            yield ":".join(cells)
        else:
            yield f"{kind}:{'@'.join(cells)}" if parts and len(cells) == len(parts) else ""


_ADDRESSES = {
    "sources_used": ("source", "source"),
    "store_sizes": ("store", "store"),
    "machine_counts": ("machine", "type", "place"),
    "runs": ("", "kind", "name"),
    "coolers": ("cooler", "cooler"),
}
"""Kind of thing of a table's rows, and the columns that name it."""


def _cell(column: Column, value: object, words: object, unit: ColumnUnit) -> Cell:
    if value is None:
        return Cell("", "", False)
    right = isinstance(value, int | float) and not isinstance(value, bool)
    shown = shown_cell(column, words, unit)
    text = shown if words == value else str(value)  # the key that files have
    return Cell(shown, f"{value:.9g}" if right else text, right)
