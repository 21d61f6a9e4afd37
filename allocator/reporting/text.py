"""Plain text for people: tables and paragraphs that fit a terminal of 100 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 100
GAP = 2
_NARROWEST = 8


def printable(text: str) -> str:
    """Text without control characters, so that a name from a file cannot steer a terminal."""
    return "".join(c if c.isprintable() or c == "\n" else "�" for c in text)


def paragraph(text: str, indent: int = 2, bullet: str = "") -> list[str]:
    """A paragraph as lines of at most :data:`WIDTH` columns; a bullet hangs before it."""
    first = " " * indent + bullet
    later = " " * len(first)
    return textwrap.wrap(printable(text), WIDTH, initial_indent=first, subsequent_indent=later) or [
        first.rstrip()
    ]


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], right: Iterable[int] = (), indent: int = 2
) -> list[str]:
    """A table as lines: heads, then rows, in columns as wide as they need.

    ``right``: indices of columns that line up on the right, for numbers. Where the whole would
    be wider than :data:`WIDTH`, the widest columns give way and their cells run over lines.
    """
    cells = [[printable(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(1, *(len(row[i]) for row in cells)) for i in range(len(heads))]
    room = WIDTH - indent - GAP * (len(heads) - 1)
    while sum(widths) > room and max(widths) > _NARROWEST:
        widest = widths.index(max(widths))
        widths[widest] -= 1
    aligned = set(right)
    lines: list[str] = []
    for row in cells:
        wrapped = [
            textwrap.wrap(cell, width) or [""] for cell, width in zip(row, widths, strict=True)
        ]
        for k in range(max(len(part) for part in wrapped)):
            parts = [part[k] if k < len(part) else "" for part in wrapped]
            shown = [
                cell.rjust(width) if i in aligned else cell.ljust(width)
                for i, (cell, width) in enumerate(zip(parts, widths, strict=True))
            ]
            lines.append((" " * indent + (" " * GAP).join(shown)).rstrip())
    return lines


def section(title: str, lines: Sequence[str]) -> list[str]:
    """A titled block with a blank line before it; nothing at all when there are no lines."""
    return ["", title, *lines] if lines else []
