"""Ground to be crossed: what a step or a line over it costs, and lines made straight."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from allocator.intake.terrain import Floats

STEPS = ((0, 1), (1, 0), (1, 1), (1, -1))
SAMPLES = 4
"""Points a cell at which a straight line reads heights."""
BORDER = 1e-9
"""Cells within which a point is on a border, and shorter than which a piece is none."""

Cells: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Line: TypeAlias = npt.NDArray[np.float64]
"""Points of a line in cells: (n, 2), row and column, of cell centres."""


@dataclass(frozen=True, slots=True)
class Terrain:
    """Ground to be crossed. ``factors``: of each cell, infinite where no pipe may be laid.

    ``heights``: m; ``cell``: m; ``steepest``: most rise per length on the map along a pipe. A line
    on the border of cells costs as on the dearer one, and touches no corner of a forbidden one.
    """

    factors: Floats
    heights: Floats
    cell: float
    steepest: float = math.inf

    def graph(self) -> object:
        """The cost of each step between neighbours, both ways, as a sparse matrix."""
        from scipy.sparse import csr_matrix

        rows, columns = self.factors.shape
        number = np.arange(rows * columns).reshape(rows, columns)
        ends, costs = [], []
        for down, right in STEPS:
            here = np.s_[: rows - down, max(0, -right) : columns - max(0, right)]
            there = np.s_[down:, max(0, right) : columns + min(0, right)]
            rise = np.abs(self.heights[there] - self.heights[here])
            flat = self.cell * math.hypot(down, right)
            cost = np.sqrt(flat**2 + rise**2) * 0.5 * (self.factors[here] + self.factors[there])
            if down and right:  # not between two cells that touch at a corner alone
                corners = np.isfinite(self.factors[here[0], there[1]])
                corners &= np.isfinite(self.factors[there[0], here[1]])
                cost = np.where(corners, cost, math.inf)
            kept = np.isfinite(cost) & (rise <= self.steepest * flat)
            ends.append((number[here][kept], number[there][kept]))
            costs.append(cost[kept])
        one, other = (np.concatenate([pair[side] for pair in ends]) for side in (0, 1))
        shape, cost = (rows * columns, rows * columns), np.concatenate(costs)
        both = np.concatenate([one, other]), np.concatenate([other, one])
        return csr_matrix((np.concatenate([cost, cost]), both), shape=shape)

    def steps(self, one: Cells, other: Cells) -> Floats:
        """The costs of steps between neighbours, as :meth:`graph` has them."""
        columns = self.factors.shape[1]
        down, right = np.array(np.divmod(other, columns)) - np.divmod(one, columns)
        rise = self.heights.ravel()[other] - self.heights.ravel()[one]
        factors = self.factors.ravel()
        found: Floats = np.hypot(self.cell * np.hypot(down, right), rise)
        return found * 0.5 * (factors[one] + factors[other])

    def read(self, line: Line) -> tuple[Cells, Floats]:
        """Cells that a line passes, as numbers, and the cost of each piece, climbs included."""
        return self._read(line, _cut(line))

    def _read(self, line: Line, cut: Cut) -> tuple[Cells, Floats]:
        starts, whole = line[cut.stretch], line[cut.stretch + 1] - line[cut.stretch]
        begins, ends = (starts + share[:, None] * whole for share in (cut.begin, cut.end))
        heights = self.height(np.concatenate([begins, ends]))
        rises = heights[len(begins) :] - heights[: len(begins)]
        sizes = np.hypot(self.cell * np.hypot(*(ends - begins).T), rises)
        middles = (begins + ends) / 2
        cells = np.rint(middles).astype(np.int64)
        numbers = cells[:, 0] * self.factors.shape[1] + cells[:, 1]
        factors = self._dearest(middles)
        factors[np.isinf(self._dearest(begins, cut.corner))] = math.inf
        return numbers, sizes * factors

    def _dearest(self, points: Line, asked: Flags | None = None) -> Floats:
        """The largest factor of the cells that have a point: several where it is on a border.

        ``asked``: of these points alone; 0 for others.
        """
        most = np.array(self.factors.shape) - 1
        found = np.zeros(len(points))
        chosen = points if asked is None else points[asked]
        low = np.clip(np.ceil(chosen - 0.5 - BORDER), 0, most).astype(np.int64)
        high = np.clip(np.floor(chosen + 0.5 + BORDER), 0, most).astype(np.int64)
        dearest = np.maximum.reduce(
            [
                self.factors[rows[:, 0], columns[:, 1]]
                for rows in (low, high)
                for columns in (low, high)
            ]
        )
        found[slice(None) if asked is None else asked] = dearest
        return found

    def height(self, points: Line) -> Floats:
        """Heights at points between the centres of cells, m: bilinear."""
        most = np.array(self.heights.shape) - 1
        inside = np.clip(points, 0, most)
        low = np.floor(inside).astype(np.int64)
        high, share = np.minimum(low + 1, most), inside - low
        across = share[:, 1]
        upper, lower = (
            (1.0 - across) * self.heights[rows, low[:, 1]] + across * self.heights[rows, high[:, 1]]
            for rows in (low[:, 0], high[:, 0])
        )
        found: Floats = upper + share[:, 0] * (lower - upper)
        return found

    def too_steep(self, line: Line) -> bool:
        """Whether a line rises or falls more than allowed along a piece of a cell's length."""
        if math.isinf(self.steepest) or len(line) < 2:
            return False
        flat, rises = self._pieces(line, np.floor)
        return bool((np.abs(rises) > self.steepest * flat * (1 + 1e-9)).any())

    def cost(self, line: Line) -> float:
        """What a line costs: its length, climbs included, times the factors under it."""
        return float(self.read(line)[1].sum()) if len(line) > 1 else 0.0

    def cost_so_far(self, line: Line) -> Floats:
        """The cost from the beginning of a line to each of its points."""
        cut = _cut(line)
        each = np.bincount(cut.stretch, weights=self._read(line, cut)[1], minlength=len(line) - 1)
        return np.concatenate([[0.0], np.cumsum(each)])

    def profile(self, line: Line) -> tuple[float, float]:
        """Length with climbs, and the climb, both ways added, m."""
        if len(line) < 2:
            return 0.0, 0.0
        flat, rises = self._pieces(line, np.ceil)
        return float(np.hypot(flat, rises).sum()), float(np.abs(rises).sum())

    def _pieces(self, line: Line, rounded: Callable[[Floats], Floats]) -> tuple[Floats, Floats]:
        """Length on the map and rise of pieces of about a cell's length, m."""
        ends = np.diff(line, axis=0)
        pieces = np.maximum(1, rounded(np.hypot(*ends.T))).astype(int)
        starts = np.repeat(line[:-1], pieces, axis=0)
        share = np.concatenate([np.arange(n) / n for n in pieces])[:, None]
        points = np.vstack([starts + share * np.repeat(ends, pieces, axis=0), line[-1:]])
        flat: Floats = self.cell * np.hypot(*np.diff(points, axis=0).T)
        rises: Floats = np.diff(self.height(points))
        return flat, rises


@dataclass(frozen=True, slots=True)
class Cut:
    """Pieces of a line, each in one cell. ``begin``, ``end``: shares of the ``stretch`` it is of.

    ``corner``: where a piece begins at the corner of cells, so that others are touched there.
    """

    stretch: Cells
    begin: Floats
    end: Floats
    corner: Flags


def _cut(line: Line) -> Cut:
    """A line cut at every border of cells, and at :data:`SAMPLES` points a cell for heights."""
    ends = np.diff(line, axis=0)
    even = np.maximum(1, np.ceil(SAMPLES * np.hypot(*ends.T))).astype(np.int64)
    stretches = [np.repeat(np.arange(len(ends)), even)]
    shares = [_counted(even) / np.repeat(even, even)]
    for start, step in zip(line[:-1].T, ends.T, strict=True):
        low, high = np.minimum(start, start + step), np.maximum(start, start + step)
        first = np.floor(low - 0.5) + 1.0
        count = np.maximum(0, np.ceil(high - 0.5) - first).astype(np.int64)
        border = np.repeat(first, count) + _counted(count) + 0.5
        stretches.append(np.repeat(np.arange(len(ends)), count))
        shares.append((border - np.repeat(start, count)) / np.repeat(step, count))
    kinds = np.repeat([0, 1, 2], [len(share) for share in shares])
    stretch, begin = np.concatenate(stretches), np.concatenate(shares)
    order = np.lexsort((begin, stretch))
    stretch, begin, kinds = stretch[order], begin[order], kinds[order]
    end = np.append(np.where(np.diff(stretch) == 0, begin[1:], 1.0), 1.0)
    span = np.hypot(*ends.T)[stretch]
    some = (end - begin) * span > BORDER
    crossed = np.zeros((2, len(begin)), dtype=np.int64)  # of pieces until here, by direction
    group = np.cumsum(np.append(True, some[:-1]))  # cuts at one point end with a piece
    for number in (1, 2):
        met = np.bincount(group, weights=kinds == number)
        crossed[number - 1] = met[group]
    corner = (crossed[0] > 0) & (crossed[1] > 0)
    return Cut(stretch[some], begin[some], end[some], corner[some])


def _counted(counts: Cells) -> Cells:
    """0, 1, ... of each count, one after the other."""
    ends = np.cumsum(counts)
    found: Cells = np.arange(ends[-1]) - np.repeat(ends - counts, counts)
    return found


def straightened(surface: Terrain, line: Line) -> Line:
    """A line with as few bends as cost no more: each piece as long as it can be."""
    kept = [0]
    so_far = surface.cost_so_far(line)

    def straight(start: int, end: int) -> bool:
        along = so_far[end] - so_far[start]
        piece = line[[start, end]]
        return surface.cost(piece) <= along * (1 + 1e-9) and not surface.too_steep(piece)

    while kept[-1] < len(line) - 1:
        start, last, step = kept[-1], kept[-1] + 1, 1
        while last + step < len(line) and straight(start, last + step):
            last, step = last + step, 2 * step
        if last + step >= len(line) and straight(start, len(line) - 1):
            last = len(line) - 1
        while step > 1:
            step //= 2
            if last + step < len(line) and straight(start, last + step):
                last += step
        kept.append(last)
    return line[kept]
