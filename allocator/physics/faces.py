"""Temperatures of the faces of a layered wall in steady state, by iteration.

Round pipes and flat walls differ only in what their layers and films resist; both give their
resistances by temperature, and the faces are settled here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from allocator.physics.arrays import Floats
from allocator.physics.faults import PhysicsError

TOLERANCE = 1e-6
"""K between two rounds at which faces are settled."""

MOST_ROUNDS = 200


class Settled(NamedTuple):
    """``faces``: (layers + 1, n) K from inside to out; ``flow``: heat; ``resistance``: in all."""

    faces: Floats
    flow: Floats
    resistance: Floats


def settle(
    hot: Floats,
    around: Floats,
    inner: Floats,
    layers: Callable[[Floats], Floats],
    outer: Callable[[Floats], Floats],
    start: Floats,
    tolerance: float = TOLERANCE,
) -> Settled:
    """Faces between a fluid at ``hot`` and surroundings at ``around``, K, shape (n,).

    Args:
        inner: resistance of the inner film, (n,).
        layers: faces (k + 1, n) -> resistances of the layers (k, n); may be infinite.
        outer: surface temperature (n,) -> resistance outside (n,).
        start: faces to begin with.

    Raises:
        PhysicsError: the faces do not settle.
    """
    faces: Floats = np.array(start)
    for _ in range(MOST_ROUNDS):
        parts = np.concatenate([inner[None, :], layers(faces), outer(faces[-1])[None, :]])
        shares, total = _shares(parts)
        following = hot - (hot - around) * np.cumsum(shares, axis=0)[:-1]
        change = float(np.max(np.abs(following - faces), initial=0.0))
        faces = following
        if change <= tolerance:
            with np.errstate(divide="ignore"):
                return Settled(faces, np.where(np.isinf(total), 0.0, (hot - around) / total), total)
    raise PhysicsError("has a surface temperature that does not settle", "check its layers")


def _shares(parts: Floats) -> tuple[Floats, Floats]:
    """Each resistance as a share of their sum; infinite ones take all of it in equal parts."""
    endless = np.isinf(parts)
    total = parts.sum(axis=0)
    if not endless.any():
        return parts / total, total
    closed = endless.any(axis=0)
    number = np.maximum(endless.sum(axis=0), 1)
    divisor = np.where(closed, 1.0, total)
    plain = np.where(endless, 0.0, parts)
    return np.where(closed, endless / number, plain / divisor), total
