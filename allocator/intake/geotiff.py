"""Ground as a GeoTIFF, by the package rasterio, which is an extra."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from allocator.base.errors import AllocatorError
from allocator.base.grouped import grouped
from allocator.intake.cells import refuse
from allocator.intake.terrain import MOST_CELLS, Raster

ENDINGS = (".tif", ".tiff")
SQUARE = 1e-6
"""Share by which the sides of a cell may differ."""


def read_geotiff(path: Path) -> Raster:
    """The first band of a GeoTIFF, its northern row first, with coordinates in metres.

    Coordinates in another unit of length, such as feet, are converted, and a note says so; the
    values of the cells are not.

    Raises
    ------
    TableFileError
        No such file, none that can be read, cells that are not square or turned, degrees.
    AllocatorError
        The package rasterio is not installed.
    """
    try:
        import rasterio
    except ImportError:
        raise AllocatorError(
            f"{path}: GeoTIFF needs an extra: pip install 'allocator[raster]'; or export it as an "
            "ESRI ASCII grid (.asc)"
        ) from None
    try:
        with rasterio.open(path) as file:
            raster = _raster(str(path), file)
    except rasterio.errors.RasterioError as error:
        said = " ".join(str(error).split())
        raise refuse(str(path), f"cannot be read ({said})", "give a GeoTIFF or .asc") from None
    return raster


def _raster(name: str, file: Any) -> Raster:
    across, turned, west, leaning, down, north = tuple(file.transform)[:6]
    if file.crs is not None and file.crs.is_geographic:
        raise refuse(name, "is in degrees", "project it into the system of the places, in m")
    if turned or leaning or not (across > 0 > down) or abs(across + down) > SQUARE * across:
        raise refuse(name, "has cells that are turned or not square", "resample it north up")
    if file.width * file.height > MOST_CELLS:
        problem = f"has {grouped(file.width * file.height)} cells"
        raise refuse(name, problem, f"at most {grouped(MOST_CELLS)}")
    unit, metres = _unit_of(name, file.crs)
    note = (
        f"{name} is in {unit}: its coordinates were multiplied by {metres:.10g}, so give places "
        "'at' likewise; heights in a grid are read as m"
        if metres != 1.0
        else ""
    )
    west, cell, south = (metres * value for value in (west, across, north - file.height * across))
    values = file.read(1, masked=True).astype(float)
    filled = np.asarray(values.filled(math.nan), dtype=float)
    return Raster(name, filled, west, south, cell, note)


def _unit_of(name: str, crs: Any) -> tuple[str, float]:
    """The unit of coordinates, and how many metres it has; metres where no system is stated."""
    import rasterio

    if crs is None:
        return "metre", 1.0
    try:
        unit, metres = crs.linear_units_factor
    except rasterio.errors.CRSError as error:
        said = " ".join(str(error).split())
        raise refuse(
            name, f"has coordinates of no known unit ({said})", "project it into metres"
        ) from None
    return str(unit), float(metres)
