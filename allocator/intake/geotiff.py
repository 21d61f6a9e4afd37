"""Ground as a GeoTIFF, by the package rasterio, which is an extra."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from allocator.base.errors import AllocatorError
from allocator.intake.cells import refuse
from allocator.intake.terrain import MOST_CELLS, Raster

ENDINGS = (".tif", ".tiff")
SQUARE = 1e-6
"""Share by which the sides of a cell may differ."""


def read_geotiff(path: Path) -> Raster:
    """The first band of a GeoTIFF in a system of metres, its northern row first.

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
        raise refuse(name, f"has {file.width * file.height:,} cells", f"at most {MOST_CELLS:,}")
    values = file.read(1, masked=True).astype(float)
    filled = np.asarray(values.filled(math.nan), dtype=float)
    return Raster(name, filled, west, north - file.height * across, across)
