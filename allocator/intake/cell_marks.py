"""Faults of the site file that a workbook becomes, told by the sheet and cell they come from."""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from allocator.base.errors import Fault
from allocator.intake.cells import Sheet
from allocator.site.nodes import Node, Pairs, Scalar

Path = tuple[str, ...]
Marks = dict[Path, tuple[Sheet, int, int]]
"""Keys from the top of a site file -> sheet, row and column of the cell that gives the value."""


def told_by_cell(
    faults: Iterable[Fault], file: str, root: Node, marks: Mapping[Path, tuple[Sheet, int, int]]
) -> tuple[Fault, ...]:
    """Faults of ``file`` with sheet and cell in place of line and column; others as they are.

    ``root``: the document in which they were found. A fault within a cell is told by that cell,
    one of a whole row by the cell of its name.
    """
    paths: dict[tuple[int, int], Path] = {(root.line, root.column): ()}
    for mark, keys in _positions(root, ()):
        paths.setdefault(mark, keys)
    known = sorted(paths)
    found = []
    for fault in faults:
        place = bisect.bisect_right(known, (fault.line, fault.column)) - 1
        path = paths[known[place]] if place >= 0 else ()
        while path and path not in marks:
            path = path[:-1]
        if fault.file != file or path not in marks:
            found.append(fault if fault.file != file else replace(fault, line=0, column=0))
        else:
            sheet, row, column = marks[path]
            found.append(sheet.fault(row, column, fault.problem, fault.remedy, fault.subject))
    return tuple(found)


def _positions(node: Node, path: Path) -> Iterator[tuple[tuple[int, int], Path]]:
    """Line and column of each key and value, with the keys that lead there."""
    for key, value in node.pairs if isinstance(node, Pairs) else ():
        if isinstance(key, Scalar):
            below = (*path, key.text)
            yield (key.line, key.column), below
            yield from _positions(value, below)
            yield (value.line, value.column), below  # of a mapping often that of its first key
