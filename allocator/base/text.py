"""Plain text for people: tables and paragraphs that fit a terminal, of 100 columns by default."""

from __future__ import annotations

import contextlib
import operator
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextvars import ContextVar

WIDTH = 100
"""Columns of text in files, and on a terminal that does not say how wide it is."""
GAP = 2
_NARROWEST = 8
_LEAST = 40
_KEPT = "\n\u00a0"  # a no-break space parts thousands
_columns = ContextVar("columns", default=WIDTH)


@contextlib.contextmanager
def columns(count: int) -> Iterator[None]:
    """Within the block, text is laid out for so many columns, 40 at least."""
    token = _columns.set(max(_LEAST, count))
    try:
        yield
    finally:
        _columns.reset(token)


def width() -> int:
    """Columns that text is laid out for now."""
    return _columns.get()


def printable(text: str) -> str:
    """Text without control characters, so that a name from a file cannot steer a terminal."""
    return "".join(c if c.isprintable() or c in _KEPT else "�" for c in text)


def paragraph(text: str, indent: int = 2, bullet: str = "") -> list[str]:
    """A paragraph as lines of at most :func:`width` columns; a bullet hangs before it."""
    first = " " * indent + bullet
    later = " " * len(first)
    lines = textwrap.wrap(printable(text), width(), initial_indent=first, subsequent_indent=later)
    return lines or [first.rstrip()]


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], right: Iterable[int] = (), indent: int = 2
) -> list[str]:
    """A table as lines: heads, then rows, in columns as wide as they need.

    ``right``: indices of columns that line up on the right, for numbers. Where the whole would
    be wider than :func:`width`, the widest columns give way and their cells run over lines; names
    are broken after ``_`` then. Numbers that are still too wide go on in a table below, with the
    first column again; words and numbers are broken only where that leaves no room.
    """
    cells = [[printable(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(1, *(len(row[i]) for row in cells)) for i in range(len(heads))]
    aligned = set(right)
    lines: list[str] = []
    whole, parted = (
        [
            max(
                _NARROWEST, *(unbroken(one, i in aligned and k > 0) for k, one in enumerate(column))
            )
            for i, column in enumerate(zip(*cells, strict=True))
        ]
        for unbroken in (_unbroken, _parted)
    )
    room = width() - indent - GAP * (len(heads) - 1)
    fitting = _fitting(parted, width() - indent)
    if aligned and 1 < fitting < len(heads):
        for columns in (range(fitting), (0, *range(fitting, len(heads)))):
            part = [[row[i] for i in columns] for row in cells]
            numbers = [k for k, i in enumerate(columns) if i in aligned]
            lines += [*([""] if lines else []), *table(part[0], part[1:], numbers, indent)]
        return lines
    for least in (whole, parted, [_NARROWEST] * len(heads)):
        while sum(widths) > room and any(map(operator.gt, widths, least)):
            spare = [wide if wide > few else 0 for wide, few in zip(widths, least, strict=True)]
            widths[spare.index(max(spare))] -= 1
    for row in cells:
        wrapped = [_wrapped(cell, wide) or [""] for cell, wide in zip(row, widths, strict=True)]
        for k in range(max(len(part) for part in wrapped)):
            parts = [part[k] if k < len(part) else "" for part in wrapped]
            shown = [
                cell.rjust(wide) if i in aligned else cell.ljust(wide)
                for i, (cell, wide) in enumerate(zip(parts, widths, strict=True))
            ]
            lines.append((" " * indent + (" " * GAP).join(shown)).rstrip())
    return lines


def _fitting(least: Sequence[int], room: int) -> int:
    """How many of the first columns have room, each with its least width."""
    taken = -GAP
    for number, wide in enumerate(least):
        taken += GAP + wide
        if taken > room:
            return number
    return len(least)


def _unbroken(cell: str, number: bool) -> int:
    """The least width of a cell that leaves its words, or its number with unit, whole."""
    return len(cell) if number else max(map(len, cell.split(" ")), default=0)


def _parted(cell: str, number: bool) -> int:
    """The same where names may be broken after ``_``."""
    return len(cell) if number else max(map(len, _parts(cell)), default=0)


def _parts(cell: str) -> list[str]:
    """Words of a cell, names in their parts: ``gas_holder at`` is ``gas_``, ``holder``, ``at``."""
    return [part for word in cell.split(" ") for part in re.findall(r"[^_]*_+|[^_]+", word)]


def _wrapped(cell: str, wide: int) -> list[str]:
    """A cell in lines: names that are too long for one are broken after ``_``, if that helps."""
    words = (
        _folded(word, wide) if len(word) > wide and "_" in word else word
        for word in cell.split(" ")
    )
    return textwrap.wrap(" ".join(words), wide)


def _folded(word: str, wide: int) -> str:
    lines = [""]
    for part in _parts(word):
        if len(lines[-1]) + len(part) > wide and lines[-1]:
            lines.append("")
        lines[-1] += part
    return " ".join(lines)


def section(title: str, lines: Sequence[str]) -> list[str]:
    """A titled block with a blank line before it; nothing at all when there are no lines."""
    return ["", title, *lines] if lines else []
