"""Candidate corridors over ground given as a raster."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from allocator.base.errors import AllocatorError
from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.intake.cells import refuse
from allocator.intake.geotiff import ENDINGS, read_geotiff
from allocator.intake.least_cost import GroundWay, corridors
from allocator.intake.surface import Terrain
from allocator.intake.terrain import Raster, factors_of, read_grid, read_grounds
from allocator.site.records import Place, Site

ROUNDED = 1e-6
"""Steps of 0.1 m by which a length may be above a whole number of them: the rounding of a sum."""

_WAYS = (
    labelled("start"),
    labelled("end"),
    labelled("length", "length"),
    Column("climb", "climbs and falls", "length", "Added up along the way."),
    Column("ground_factor", "ground factor", "number", "Mean cost of a metre; plain ground is 1."),
    Column("bends", "bends", "count"),
)


@dataclass(frozen=True, slots=True)
class Found:
    """Corridors over a raster. ``junctions``: x and y of each, m; ``heights``: m, by place.

    ``unknown``: cells without a class or height, which no corridor crosses. ``notes``: of grids.
    """

    ways: tuple[GroundWay, ...]
    junctions: Mapping[str, tuple[float, float]]
    heights: Mapping[str, float]
    grid: Raster
    unknown: int = 0
    notes: tuple[str, ...] = ()

    def points(self, way: GroundWay) -> list[tuple[float, float]]:
        """East and north of the ends and bends of a way, m."""
        return [_coordinates(self.grid, point) for point in way.line]

    @property
    def table(self) -> Table:
        """A row a corridor."""
        rows = tuple(
            (
                way.start,
                way.end,
                told_length(way),
                round(way.climb, 1),
                ground_factor(way),
                max(0, len(way.line) - 2),
            )
            for way in self.ways
        )
        return Table("corridors", "Corridors", _WAYS, rows)


def told_length(way: GroundWay) -> float:
    """The length of a way in steps of 0.1 m, never less than it is, m."""
    return math.ceil(10.0 * way.length - ROUNDED) / 10.0


def ground_factor(way: GroundWay) -> float:
    """How many times as dear a metre of a way is as on plain ground, on average."""
    return round(way.cost / way.length, 3) if way.length > 0 else 1.0


def corridors_over(
    site: Site,
    terrain: Path,
    grounds: Path,
    heights: Path | None = None,
    steepest: float = np.inf,
    former: frozenset[str] = frozenset(),
) -> Found:
    """Corridors that join the places of a site over ground of known cost.

    Parameters
    ----------
    site
        Its places have coordinates in the grid's system, in m.
    terrain, heights
        Grids of classes and of heights in m, with the same cells: ESRI ASCII, or GeoTIFF (.tif).
    grounds
        Table of the classes: ``class,ground,factor``.
    steepest
        Most rise or fall per length on the map along a pipe.
    former
        Places that are junctions of an earlier search: they are found again.

    Raises
    ------
    TableFileError
        A file that cannot be used.
    AllocatorError
        A place outside the grid or on ground that cannot be built on; places that no way joins.
    """
    grid = _grid(terrain)
    _refuse_outside(grid, site)
    factors = factors_of(grid, read_grounds(grounds))
    levels, blank = np.zeros(factors.shape), np.isnan(grid.values)
    notes = {grid.note: None}
    if heights is not None:
        high = _grid(heights)
        if not high.same_cells(grid):
            raise refuse(high.file, f"has other cells than {grid.file}", "export both alike")
        notes[high.note] = None
        levels = np.nan_to_num(high.values)
        blank |= np.isnan(high.values)
        factors[blank] = np.inf
    surface = Terrain(factors, levels, grid.cell, steepest)
    spots = {n: _spot(grid, place) for n, place in site.places.items() if n not in former}
    if len(spots) < 2:
        raise AllocatorError("the site has fewer than two places: there is nothing to join")
    ways = corridors(surface, spots)
    centres = {
        name: end
        for way in ways
        for name, end in ((way.start, way.line[0]), (way.end, way.line[-1]))
        if name not in spots
    }
    junctions = {name: _coordinates(grid, end) for name, end in sorted(centres.items())}
    ends = {**spots, **{name: (float(end[0]), float(end[1])) for name, end in centres.items()}}
    known = {} if heights is None else {n: _height(levels, spot) for n, spot in ends.items()}
    told = tuple(note for note in notes if note)
    return Found(ways, junctions, known, grid, int(blank.sum()), told)


def _grid(path: Path) -> Raster:
    return read_geotiff(path) if path.suffix.lower() in ENDINGS else read_grid(path)


def _spot(grid: Raster, place: Place) -> tuple[float, float]:
    """Row and column of a place, in cells, with fractions."""
    rows = grid.values.shape[0]
    column = (place.x - grid.west) / grid.cell - 0.5
    row = rows - (place.y - grid.south) / grid.cell - 0.5
    return row, column


def _refuse_outside(grid: Raster, site: Site) -> None:
    """One error for all places that are not on the grid."""
    rows, columns = grid.values.shape
    outside = [
        place
        for place in site.places.values()
        for row, column in [_spot(grid, place)]
        if not (-0.5 < row < rows - 0.5 and -0.5 < column < columns - 0.5)
    ]
    if outside:
        east, north = grid.west + columns * grid.cell, grid.south + rows * grid.cell
        others = f" and {len(outside) - 1} more are" if len(outside) > 1 else " is"
        place = outside[0]
        raise AllocatorError(
            f"place {place.name!r} at [{place.x:g} m, {place.y:g} m]{others} outside {grid.file}, "
            f"which spans [{grid.west:g} m, {grid.south:g} m] to [{east:g} m, {north:g} m]; give "
            "all places 'at' in the system of the grid"
        )


def _coordinates(grid: Raster, spot: np.ndarray) -> tuple[float, float]:
    rows = grid.values.shape[0]
    east = grid.west + (float(spot[1]) + 0.5) * grid.cell
    north = grid.south + (rows - float(spot[0]) - 0.5) * grid.cell
    return round(east, 2), round(north, 2)


def _height(levels: np.ndarray, spot: tuple[float, float]) -> float:
    return float(levels[round(spot[0]), round(spot[1])])
