"""The statement of a program: keyed variables and named rows, in SI at the edge.

Every variable carries the size of one of its steps in SI (its *unit*), and every row is
divided by a power of two near the geometric middle of its coefficients, so that the solver
sees numbers near one whatever the user's magnitudes are. Solvers know columns by number alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

Key = Hashable
Terms = list[tuple[float, Key]]

INFINITY = math.inf
CHECKED_EVERY = 1000
"""Variables and rows between two questions whether to go on."""


@dataclass(frozen=True, slots=True)
class ModelColumn:
    """One variable: bounds in its own steps, ``unit`` SI a step.

    ``implied``: it is an integer wherever the other integers are, so that a solver need not know.
    """

    key: Key
    low: float
    high: float
    unit: float
    integer: bool
    implied: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One row ``low <= sum(coefficient * column) <= high`` in numbers divided by ``scale``."""

    name: str
    columns: tuple[int, ...]
    coefficients: tuple[float, ...]
    low: float
    high: float
    scale: float = 1.0


class Model:
    """Variables and rows in the order in which they were stated."""

    def __init__(self, check: Callable[[], None] | None = None) -> None:
        """``check``: called now and then while much is stated; it may end that by an exception."""
        self._check = check
        self._stated = 0
        self.columns: list[ModelColumn] = []
        self.rows: list[Row] = []
        self._index: dict[Key, int] = {}

    def variable(
        self,
        key: Key,
        low: float = 0.0,
        high: float = INFINITY,
        unit: float = 1.0,
        integer: bool = False,
        *,
        implied: bool = False,
    ) -> Key:
        """Add a variable with SI bounds; returns its key."""
        if key in self._index:
            raise KeyError(f"variable {key!r} is stated twice")
        self._tick()
        self._index[key] = len(self.columns)
        self.columns.append(ModelColumn(key, low / unit, high / unit, unit, integer, implied))
        return key

    def _tick(self) -> None:
        self._stated += 1
        if self._check is not None and self._stated % CHECKED_EVERY == 0:
            self._check()

    def has(self, key: Key) -> bool:
        """True when the variable exists (rules skip what a site does not have)."""
        return key in self._index

    def index(self, key: Key) -> int:
        """Position of a variable."""
        return self._index[key]

    def row(
        self, name: str, terms: Terms, *, low: float = -INFINITY, high: float = INFINITY
    ) -> Row | None:
        """Add ``low <= sum(coefficient * variable) <= high`` in SI; empty rows are dropped."""
        self._tick()
        made = self.scaled_row(name, terms, low=low, high=high)
        if made is not None:
            self.rows.append(made)
        return made

    def scaled_row(
        self, name: str, terms: Terms, *, low: float = -INFINITY, high: float = INFINITY
    ) -> Row | None:
        """The row, scaled, without adding it. A row without terms that cannot hold is kept."""
        summed = self.summed(terms)
        if not summed:
            if low <= 0.0 <= high:
                return None
            return Row(name, (), (), low, high)
        sizes = [abs(value) for value in summed.values()]
        scale = 2.0 ** round(0.5 * (math.log2(max(sizes)) + math.log2(min(sizes))))
        return Row(
            name,
            tuple(summed),
            tuple(value / scale for value in summed.values()),
            low / scale,
            high / scale,
            scale,
        )

    def summed(self, terms: Terms) -> dict[int, float]:
        """Scaled coefficients by column, zero ones dropped."""
        summed: dict[int, float] = {}
        for coefficient, key in terms:
            if coefficient == 0.0:
                continue
            column = self._index[key]
            summed[column] = summed.get(column, 0.0) + coefficient * self.columns[column].unit
        return {column: value for column, value in summed.items() if value != 0.0}

    def value(self, terms: Iterable[tuple[float, Key]], values: Mapping[Key, float]) -> float:
        """SI value of an expression at a point given by key."""
        return math.fsum(coefficient * values[key] for coefficient, key in terms)

    def by_key(self, point: Any) -> dict[Key, float]:
        """SI values by key of a point given in columns; integers are rounded."""
        result: dict[Key, float] = {}
        for column, value in zip(self.columns, point, strict=True):
            number = float(value)
            if column.integer:
                number = float(round(number))
            number = min(max(number, column.low), column.high)
            result[column.key] = number * column.unit
        return result

    def copy(self) -> Model:
        """A statement of its own with the same variables and rows."""
        other = Model()
        other.columns, other.rows = list(self.columns), list(self.rows)
        other._index = dict(self._index)
        return other

    def extend(self, number: int, terms: Terms) -> None:
        """Add terms (SI) of variables that are new to it to a row."""
        row = self.rows[number]
        added = self.summed(terms)
        self.rows[number] = replace(
            row,
            columns=(*row.columns, *added),
            coefficients=(*row.coefficients, *(value / row.scale for value in added.values())),
        )

    def close(self, key: Key) -> None:
        """Hold a variable at its lower bound."""
        number = self._index[key]
        column = self.columns[number]
        self.columns[number] = replace(column, high=column.low)

    def raise_high(self, key: Key) -> None:
        """Take away a variable's upper bound."""
        number = self._index[key]
        self.columns[number] = replace(self.columns[number], high=INFINITY)
