"""A model stated without pipes, and what laid builds use of its limits."""

from __future__ import annotations

from collections.abc import Callable

from allocator.model.model import INFINITY, Key, Model, Row, Terms
from allocator.search.bounds.disaggregated import DROPPED, DROPPED_ROWS

LAID = ("lay", "way")
STOCKS = ("stock[", "money_cap")
"""Rows of limits that laid builds use up."""


class PipelessModel(Model):
    """A model that is stated without pipes. ``uses``: by row of a limit, what laid builds use."""

    def __init__(self, check: Callable[[], None] | None = None) -> None:
        super().__init__(check)
        self.uses: dict[str, tuple[dict[Key, float], Terms, float]] = {}

    def variable(self, key: Key, *given: float, **named: float) -> Key:
        """Add a variable; one of a pipe is left out."""
        return key if is_of_pipe(key) else super().variable(key, *given, **named)  # type: ignore[arg-type]

    def row(
        self, name: str, terms: Terms, *, low: float = -INFINITY, high: float = INFINITY
    ) -> Row | None:
        """Add a row without pipes where they are a burden in it; else leave it out."""
        if name.startswith(DROPPED_ROWS):
            return None
        piped = [(value, key) for value, key in terms if is_of_pipe(key)]
        if not piped:
            return super().row(name, terms, low=low, high=high)
        sign = 1.0 if low == -INFINITY else -1.0
        burden = all(sign * value >= 0.0 for value, _ in piped)
        if not burden or (low != -INFINITY and high != INFINITY):
            return None
        kept = [(value, key) for value, key in terms if not is_of_pipe(key)]
        if name.startswith(STOCKS) and 0.0 < high < INFINITY:
            laid: dict[Key, float] = {}
            for value, key in piped:
                laid[key] = laid.get(key, 0.0) + value
            self.uses[name] = laid, kept, high
        return super().row(name, kept, low=low, high=high)

    def summed(self, terms: Terms) -> dict[int, float]:
        """Scaled coefficients by column; those of pipes are left out."""
        return super().summed([term for term in terms if not is_of_pipe(term[1])])


def is_of_pipe(key: Key) -> bool:
    """True for a variable of what is laid or flows in pipes."""
    return isinstance(key, tuple) and (key[0] in LAID or key[0] in DROPPED)
