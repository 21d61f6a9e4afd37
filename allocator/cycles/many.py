"""The firm draw of one source at many store sizes at once."""

from __future__ import annotations

import numpy as np

from allocator.cycles.curves import Supply
from allocator.cycles.lines import Array


def draws_for_stores(supply: Supply, rate: float, sizes: Array) -> Array:
    """Greatest constant draw, kg/s, of one source of ``rate`` kg/s for each store size, kg.

    With b = B / rate the draw is rate * min over windows of (b + tau(L)) / L: the slope of the
    line from (0, -b) that just touches tau from below, so the window that holds the draw down
    is a vertex of the lower convex hull of tau's corners, and moves to longer windows as b
    grows. The hull is made once; each size is then a look-up. Windows longer than a period
    add equal shares of on-time and length at the mean, so the mean is the only other bound.

    Raises ValueError for a negative size.
    """
    given = np.asarray(sizes, dtype=np.float64)
    if np.any(given < 0.0):
        raise ValueError("store sizes must not be negative")
    mean = np.full(given.shape, rate * supply.duty)
    if rate == 0.0 or len(supply.line.peaks) == 0:
        return mean
    lengths = supply.line.peaks
    lengths, gains = _lower_hull(lengths, supply.line.at(lengths))
    # Vertex i + 1 is worse than i from the size at which the line through both begins.
    rises = gains[1:] * lengths[:-1] - gains[:-1] * lengths[1:]
    turns = np.maximum.accumulate(rises / np.diff(lengths))
    vertex = np.searchsorted(turns, given / rate, side="right")
    return np.asarray(np.minimum(mean, (given + rate * gains[vertex]) / lengths[vertex]))


def _lower_hull(x: Array, y: Array) -> tuple[Array, Array]:
    """Vertices of the lower convex hull of points in order of x."""
    while len(x) > 2:  # a point on or above the line between its neighbours is no vertex
        left = (y[1:-1] - y[:-2]) * (x[2:] - x[1:-1])
        right = (y[2:] - y[1:-1]) * (x[1:-1] - x[:-2])
        keep = np.concatenate(([True], left < right, [True]))
        few = keep.sum() > 0.9 * len(keep)
        x, y = x[keep], y[keep]
        if few:
            break
    hull: list[int] = []
    for place in range(len(x)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (y[b] - y[a]) * (x[place] - x[b]) < (y[place] - y[b]) * (x[b] - x[a]):
                break
            hull.pop()
        hull.append(place)
    return x[hull], y[hull]
