"""A table of results: named columns with a kind each, rows of SI values, and nothing of layout.

:mod:`allocator.base.rendering` writes one as text, HTML, CSV, JSON and rows of a worksheet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from allocator.base.dimensions import DIMENSIONS

if TYPE_CHECKING:
    import pandas as pd

PLAIN_KINDS = ("text", "count", "flag", "number")
"""Kinds of columns without a unit."""

_FRAME_TYPES = {"text": "object", "count": "Int64", "flag": "boolean"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a :class:`Table`.

    Attributes:
        name: for machines, in snake case and without the unit: ``flow``.
        head: for people; explains itself: ``flow when on``.
        kind: one of :data:`PLAIN_KINDS`, or a dimension of
            :data:`allocator.base.quantities.DIMENSIONS`, whose values are SI.
        about: one sentence that says what it is.
        file_key: its key in files, where that is not the name with the unit.
        currency: what money of this column is counted in; people see it in the head.
        unit: the unit that people see; empty: the one that suits the values.
        ambient: Pa. A column of absolute pressures with it is shown as gauge pressures, over it.
        files_only: in CSV, JSON and worksheets, not in what people read: another column says it.
        towards: 1: people see it rounded up, as what is to be bought or built; -1: down.

    Raises:
        ValueError: the name is empty, or the kind is none of these.
    """

    name: str
    head: str
    kind: str = "text"
    about: str = ""
    file_key: str = ""
    currency: str = ""
    unit: str = ""
    ambient: float = 0.0
    files_only: bool = False
    towards: int = 0

    def __post_init__(self) -> None:
        if not self.name:
            raise ValueError("a column has a name")
        if self.kind not in PLAIN_KINDS and self.kind not in DIMENSIONS:
            raise ValueError(f"column {self.name!r}: no kind is called {self.kind!r}")

    @property
    def numeric(self) -> bool:
        """True when its values are numbers."""
        return self.kind not in ("text", "flag")

    @property
    def si(self) -> str:
        """The SI unit of its values; empty where they have none."""
        unit = "1" if self.kind in PLAIN_KINDS else DIMENSIONS[self.kind].si
        return "" if unit == "1" else unit

    @property
    def key(self) -> str:
        """Its name with the SI unit, for machines: ``flow_kg_s``, ``loss_w_per_m``."""
        if self.file_key:
            return self.file_key
        unit = self.si
        if not unit:
            return self.name
        # kg_s as in plan.json; the other units say "per"
        unit = unit.replace("kg/s", "kg_s").replace("/", "_per_").replace("^", "")
        ending = re.sub(r"[^a-z0-9]+", "_", unit.lower()).removeprefix("1_").strip("_")
        return f"{self.name}_{ending}"


@dataclass(frozen=True, slots=True, repr=False)
class Table:
    """Rows of values under columns.

    Attributes:
        name: file name and address, in snake case: ``sources``.
        title: the heading for people.
        columns: what the values are.
        rows: a value a column: text, bool, int or float in SI; None where there is none.
        note: a sentence or two for people, below the table.
        one_unit: people see all columns of a kind in the same unit, as of one thing side by side.

    Raises:
        ValueError: two columns share a name and unit, or a row has not as many values as columns.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[object, ...], ...]
    note: str = ""
    one_unit: bool = False

    def __post_init__(self) -> None:
        if len(set(self.keys)) < len(self.columns):
            raise ValueError(f"table {self.name!r}: two columns share a name and unit")
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"table {self.name!r}: {len(self.columns)} columns, row {row!r}")

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def keys(self) -> tuple[str, ...]:
        """The key of every column: its name with the SI unit."""
        return tuple(column.key for column in self.columns)

    def column(self, name: str) -> tuple[object, ...]:
        """The values of a column, by its name or key. Raises KeyError where there is none."""
        place = self._place(name)
        return tuple(row[place] for row in self.rows)

    def select(self, *names: str, title: str = "", note: str = "") -> Table:
        """The same rows with these columns, in this order. Raises KeyError for unknown names."""
        chosen = [self._place(name) for name in names]
        rows = tuple(tuple(row[place] for place in chosen) for row in self.rows)
        heads = tuple(self.columns[place] for place in chosen)
        return Table(self.name, title or self.title, heads, rows, note)

    def _place(self, name: str) -> int:
        for place, column in enumerate(self.columns):
            if name in (column.name, column.key):
                return place
        known = ", ".join(column.name for column in self.columns)
        raise KeyError(f"table {self.name!r} has no column {name!r}; it has {known}")

    def records(self) -> list[dict[str, object]]:
        """A mapping from keys to SI values for every row."""
        return [dict(zip(self.keys, row, strict=True)) for row in self.rows]

    def to_frame(self) -> pd.DataFrame:
        """A frame of pandas with a numeric type for every column of numbers, SI."""
        import pandas as pd

        columns = zip(*self.rows, strict=True) if self.rows else ((),) * len(self.columns)
        return pd.DataFrame(
            {
                column.key: pd.Series(list(cells), dtype=_FRAME_TYPES.get(column.kind, "float64"))
                for column, cells in zip(self.columns, columns, strict=True)
            }
        )

    def __repr__(self) -> str:
        from allocator.base.rendering import text_of

        return text_of(self)

    def _repr_html_(self) -> str:
        from allocator.base.rendering import html_of

        return html_of(self)
