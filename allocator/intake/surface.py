"""Ground to be crossed: what a step or a line over it costs, and lines made straight."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from allocator.intake.terrain import Floats

STEPS = ((0, 1), (1, 0), (1, 1), (1, -1))
SAMPLES = 4
"""Points a cell at which a straight line reads the ground."""

Cells: TypeAlias = npt.NDArray[np.int64]
Line: TypeAlias = npt.NDArray[np.float64]
"""Points of a line in cells: (n, 2), row and column, of cell centres."""


@dataclass(frozen=True, slots=True)
class Terrain:
    """Ground to be crossed. ``factors``: of each cell, infinite where no pipe may be laid.

    ``heights``: m; ``cell``: m; ``steepest``: rise per length above which nothing is laid.
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
        ends, pieces = np.diff(line, axis=0), _pieces(line)
        starts, whole = (np.repeat(part, pieces, axis=0) for part in (line[:-1], ends))
        share = np.concatenate([np.arange(n) / n for n in pieces])[:, None]
        step = whole / np.repeat(pieces, pieces)[:, None]
        begins = starts + share * whole
        cells = np.rint(begins + step / 2).astype(np.int64)
        numbers = cells[:, 0] * self.factors.shape[1] + cells[:, 1]
        heights = self.height(np.concatenate([begins, begins + step]))
        rises = heights[len(begins) :] - heights[: len(begins)]
        sizes = np.hypot(self.cell * np.hypot(*step.T), rises)
        return numbers, sizes * self.factors[cells[:, 0], cells[:, 1]]

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
        """Whether a line passes from a cell to the next where that is steeper than allowed."""
        if math.isinf(self.steepest):
            return False
        numbers = self.read(line)[0]
        passed = numbers[np.insert(np.diff(numbers) != 0, 0, True)]
        flat = self.cell * np.hypot(*np.diff(np.divmod(passed, self.factors.shape[1]), axis=1))
        rises = np.abs(np.diff(self.heights.ravel()[passed]))
        return bool((rises > self.steepest * flat * (1 + 1e-9)).any())

    def cost(self, line: Line) -> float:
        """What a line costs: its length, climbs included, times the factors under it."""
        return float(self.read(line)[1].sum()) if len(line) > 1 else 0.0

    def cost_so_far(self, line: Line) -> Floats:
        """The cost from the beginning of a line to each of its points."""
        pieces = _pieces(line)
        ends = np.cumsum(pieces)
        return np.concatenate([[0.0], np.cumsum(self.read(line)[1])[ends - 1]])

    def profile(self, line: Line) -> tuple[float, float]:
        """Length with climbs, and the climb, both ways added, m."""
        if len(line) < 2:
            return 0.0, 0.0
        ends = np.diff(line, axis=0)
        pieces = np.maximum(1, np.ceil(np.hypot(*ends.T))).astype(int)
        starts = np.repeat(line[:-1], pieces, axis=0)
        share = np.concatenate([np.arange(n) / n for n in pieces])[:, None]
        points = np.vstack([starts + share * np.repeat(ends, pieces, axis=0), line[-1:]])
        flat = self.cell * np.hypot(*np.diff(points, axis=0).T)
        rises = np.diff(self.height(points))
        return float(np.hypot(flat, rises).sum()), float(np.abs(rises).sum())


def _pieces(line: Line) -> Cells:
    """Pieces into which each stretch of a line is cut to read the ground."""
    found: Cells = np.maximum(1, np.ceil(SAMPLES * np.hypot(*np.diff(line, axis=0).T))).astype(int)
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
