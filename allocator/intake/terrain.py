"""Ground as a raster: an ESRI ASCII grid of classes, one of heights, and what each class costs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from allocator.base.errors import Fault
from allocator.base.grouped import grouped
from allocator.base.quantities import shown
from allocator.intake.cells import TableFileError, read_sheets, refuse

Floats: TypeAlias = npt.NDArray[np.float64]

MOST_CELLS = 40_000_000
_HEAD = ("ncols", "nrows", "xllcorner", "yllcorner", "cellsize", "nodata_value")
_CENTRED = {"xllcenter": "xllcorner", "yllcenter": "yllcorner"}


@dataclass(frozen=True, slots=True)
class Raster:
    """A raster. ``values``: (rows, columns), the northern row first; NaN where there is no data.

    ``west``, ``south``: m, the outer corner; ``cell``: m, the side of a cell. ``note``: how
    it was read, where whoever gives it should know.
    """

    file: str
    values: Floats
    west: float
    south: float
    cell: float
    note: str = ""

    def same_cells(self, other: Raster) -> bool:
        """Whether two grids have the same cells."""
        near = 1e-6 * self.cell
        return (
            self.values.shape == other.values.shape
            and abs(self.cell - other.cell) < near
            and abs(self.west - other.west) < near
            and abs(self.south - other.south) < near
        )


@dataclass(frozen=True, slots=True)
class GroundClass:
    """A class of ground: its name, and how many times as dear a metre is as on plain ground.

    ``factor``: infinite where no pipe may be laid.
    """

    name: str
    factor: float


def read_grid(path: Path) -> Raster:
    """An ESRI ASCII grid.

    Raises
    ------
    TableFileError
        No such file, a head that is not one, a row that is too long or too short, a cell that is
        no number.
    """
    file = str(path)
    try:
        lines = path.read_text(encoding="ascii").splitlines()
    except OSError as error:
        raise refuse(file, f"cannot be read ({error.strerror})", "check the path") from None
    except UnicodeDecodeError:
        raise refuse(file, "is no ASCII grid", "export it as an ESRI ASCII grid (.asc)") from None
    head, first = _head(file, lines)
    columns, rows = (int(head[name]) for name in ("ncols", "nrows"))
    body = lines[first:]
    while body and not body[-1].strip():
        body.pop()
    remedy = "correct nrows, or give the rows that lack"
    faults = [Fault(file, first + len(body), 1, "", f"{len(body)} rows, nrows is {rows}", remedy)]
    if len(body) != rows:
        raise TableFileError(faults)
    values = np.empty((rows, columns))
    for number, line in enumerate(body):
        values[number] = _row(file, first + number + 1, line, columns)
    if "nodata_value" in head:
        values[values == head["nodata_value"]] = math.nan
    return Raster(file, values, head["xllcorner"], head["yllcorner"], head["cellsize"])


def _head(file: str, lines: list[str]) -> tuple[dict[str, float], int]:
    """The head by its words, and the number of lines that it takes."""
    head: dict[str, float] = {}
    centred = False
    for number, line in enumerate(lines):
        word, *rest = line.split()[:2] or [""]
        name = _CENTRED.get(word.lower(), word.lower())
        if name not in _HEAD:
            break
        centred |= word.lower() in _CENTRED
        try:
            head[name] = float(rest[0])
        except (IndexError, ValueError):
            fault = Fault(file, number + 1, 1, "", f"{word} has no number", "write one behind it")
            raise TableFileError([fault]) from None
    missing = [name for name in _HEAD[:5] if name not in head]
    if missing:
        remedy = "begin it with the head of an ESRI ASCII grid"
        if missing == ["cellsize"]:
            remedy += "; cells are square, without dx and dy"
        raise refuse(file, f"has no {', '.join(missing)}", remedy)
    whole = all(head[name] >= 1 and head[name] == int(head[name]) for name in _HEAD[:2])
    if not whole or head["ncols"] * head["nrows"] > MOST_CELLS or not 0 < head["cellsize"] < 1e6:
        told = f"{head['ncols']:g} columns, {head['nrows']:g} rows of {head['cellsize']:g} m"
        raise refuse(file, f"cannot be: {told}", f"at most {grouped(MOST_CELLS)} cells")
    if centred:
        head["xllcorner"] -= head["cellsize"] / 2
        head["yllcorner"] -= head["cellsize"] / 2
    return head, len(head)


def _row(file: str, line: int, text: str, columns: int) -> Floats:
    try:
        found = np.array(text.split(), dtype=float)
    except ValueError:
        for number, word in enumerate(text.split(), 1):
            try:
                float(word)
            except ValueError:
                remedy = "write numbers with a decimal point, and NODATA_value where none is known"
                fault = Fault(file, line, number, "", f"{shown(word)} is no number", remedy)
                raise TableFileError([fault]) from None
        raise
    if len(found) != columns:
        problem = f"{len(found)} cells in the row, ncols is {columns}"
        raise TableFileError([Fault(file, line, 1, "", problem, "give each row as many")])
    return found


DEAREST = 1e6
"""Factor of ground, or one over it, beyond which none is meant: single precision still adds it."""


def read_grounds(path: Path) -> dict[float, GroundClass]:
    """Classes of ground of a CSV or Excel table: class, ground, factor (a number or ``no``).

    Raises
    ------
    TableFileError
        Cells that cannot be read, each with its line.
    """
    (sheet, *_) = read_sheets(path)
    heads = [cell.lower() for cell in sheet.rows[0][1]] if sheet.rows else []
    if heads[:3] != ["class", "ground", "factor"]:
        raise refuse(str(path), "has no heads class,ground,factor", "begin the table with them")
    found: dict[float, GroundClass] = {}
    faults = []
    for row, cells in sheet.rows[1:]:
        number, name, factor = (*cells, "", "", "")[:3]
        try:
            key = float(number)
        except ValueError:
            faults.append(sheet.fault(row, 1, f"{shown(number)} is no number", "give the class"))
            continue
        try:
            value = math.inf if factor.lower() == "no" else float(factor)
        except ValueError:
            value = math.nan
        if not value > 0:
            remedy = "write how many times as dear a metre is as on plain ground, or no"
            faults.append(sheet.fault(row, 3, f"{shown(factor)} is no factor above 0", remedy))
        elif factor.lower() != "no" and not 1 / DEAREST <= value <= DEAREST:
            problem = f"{shown(factor)} is out of all proportion"
            remedy = f"give a factor from {1 / DEAREST:g} to {DEAREST:g}, or no"
            faults.append(sheet.fault(row, 3, problem, remedy))
        if key in found:
            faults.append(sheet.fault(row, 1, f"class {number} is there twice", "keep one"))
        found[key] = GroundClass(name, value)
    if faults:
        raise TableFileError(faults)
    return found


def factors_of(grid: Raster, grounds: Mapping[float, GroundClass]) -> Floats:
    """The cost factor of each cell; infinite where no pipe may be laid or nothing is known.

    Raises
    ------
    TableFileError
        A class of the grid that is not among the grounds.
    """
    classes = np.unique(grid.values[~np.isnan(grid.values)])
    unknown = [f"{one:g}" for one in classes if float(one) not in grounds]
    if unknown:
        told = ", ".join(unknown[:10])
        raise refuse(grid.file, f"has classes that the table of grounds lacks: {told}", "add them")
    factors = np.full(grid.values.shape, math.inf)
    for one in classes:
        factors[grid.values == one] = grounds[float(one)].factor
    return factors
