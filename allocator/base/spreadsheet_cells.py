"""Text in tables for spreadsheets, which run cells that look like formulas."""

from __future__ import annotations

_FORMULA_STARTS = ("=", "+", "-", "@")


def inert(text: str) -> str:
    """Text that no spreadsheet runs as a formula, without control characters.

    An apostrophe is put before what begins like a formula, with or without space before it.
    """
    # a carriage return alone would end a row in some readers
    shown = "".join(c if c.isprintable() else " " for c in text)
    return f"'{shown}" if shown.lstrip()[:1] in _FORMULA_STARTS else shown


def without_guard(cell: str) -> str:
    """The text of a cell that :func:`inert` made of printable text."""
    return cell[1:] if cell[:1] == "'" and inert(cell[1:]) == cell else cell
