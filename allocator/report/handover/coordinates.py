"""Coordinates of places on a map of the world, where the site file gives an ``origin``."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from allocator.base.errors import AllocatorError
from allocator.site.records import MapOrigin, Site

LOCAL = "local: metres east and north of the site's own origin, elevation in metres; not WGS 84"
"""RFC 7946 section 4 asks for WGS 84 unless all involved agree on something else: this says so."""
DIGITS = 7
"""Decimals of a degree: about a centimetre."""


class CoordinatesError(AllocatorError):
    """An ``origin`` from which no coordinates follow: why, and what to do."""


def reference_of(site: Site) -> str:
    """What the coordinates of a file refer to, in words."""
    if site.origin is None:
        return LOCAL
    return f"WGS 84, longitude and latitude in degrees, from {site.origin.crs}"


def position_in(site: Site) -> Callable[[str], list[float]]:
    """What gives the position of a place: longitude and latitude with an ``origin``, else local.

    Heights stay out of longitude and latitude: RFC 7946 means them above the ellipsoid.

    Raises:
        CoordinatesError: ``pyproj`` is not installed, or the coordinate system is none in metres.
    """
    places = site.places
    if site.origin is None:
        return lambda name: [places[name].x, places[name].y, places[name].elevation]
    at = point_in(site)
    return lambda name: at((places[name].x, places[name].y))


def point_in(site: Site) -> Callable[[tuple[float, float]], list[float]]:
    """What gives the position of a point by its east and north coordinates, without a height.

    Raises:
        CoordinatesError: see :func:`position_in`.
    """
    if site.origin is None:
        return list
    origin, transformer = site.origin, _transformer(site.origin)

    def position(point: tuple[float, float]) -> list[float]:
        east, north = origin.east + point[0], origin.north + point[1]
        degrees: tuple[float, float] = transformer.transform(east, north, errcheck=True)
        return [round(value, DIGITS) for value in degrees]

    return position


def check_origin(site: Site) -> None:
    """Raise now what :func:`position_in` would raise after hours of planning.

    Raises:
        CoordinatesError: the coordinates of the site cannot be worked out.
    """
    position = position_in(site)
    for name in site.places:
        try:
            position(name)
        except CoordinatesError:
            raise
        except Exception as error:  # pyproj has several kinds
            raise CoordinatesError(
                f"origin: place {name!r} is outside of {site.origin and site.origin.crs}: {error}; "
                "check 'east' and 'north'"
            ) from None


def _transformer(origin: MapOrigin) -> Any:
    try:
        import pyproj
    except ImportError:
        raise CoordinatesError(
            "origin: true coordinates need an extra: pip install 'allocator[geo]'; or leave "
            "'origin' out for local coordinates"
        ) from None
    try:
        crs = pyproj.CRS.from_user_input(origin.crs)
    except pyproj.exceptions.CRSError:
        raise CoordinatesError(
            f"origin.crs: {origin.crs!r} is no known coordinate system; give one such as EPSG:25832"
        ) from None
    units = {axis.unit_name for axis in crs.axis_info}
    if not crs.is_projected or units != {"metre"}:
        raise CoordinatesError(
            f"origin.crs: {origin.crs!r} is not projected in metres; give one such as EPSG:25832"
        )
    return pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
