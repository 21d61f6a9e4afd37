"""Temperatures of the faces of a layered wall in steady state, by iteration.

Round pipes and flat walls differ only in what their layers and films resist; both give their
resistances by temperature, and the faces are settled here.

The heat that a film takes away rises with the surface's temperature, but may jump up: still air by
a sixth where it turns turbulent (:mod:`allocator.physics.films`). Where what comes through lies
between both sides of the jump, the surface is at the jump, which no iteration finds: then its
temperature is halved in. It is the only one: with the film of either side alone, it would be on the
other.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.physics.arrays import Floats
from allocator.physics.faults import PhysicsError

TOLERANCE = 1e-6
"""K between two rounds at which faces are settled."""

FINE = 1e-9
"""K to which the temperature of a surface is halved in."""

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
    moved = np.zeros(hot.shape)
    for _ in range(MOST_ROUNDS):
        parts = np.concatenate([inner[None, :], layers(faces), outer(faces[-1])[None, :]])
        shares, total = _shares(parts)
        following = hot - (hot - around) * np.cumsum(shares, axis=0)[:-1]
        moved = np.max(np.abs(following - faces), axis=0)
        faces = following
        if np.max(moved, initial=0.0) <= tolerance:
            break
    with np.errstate(divide="ignore"):
        flow = np.where(np.isinf(total), 0.0, (hot - around) / total)
    open_ = moved > tolerance
    if not open_.any():
        return Settled(faces, flow, total)
    halved = _halved(hot, around, inner, layers, outer, faces, open_, tolerance)
    return Settled(
        np.where(open_, halved.faces, faces),
        np.where(open_, halved.flow, flow),
        np.where(open_, halved.resistance, total),
    )


def _halved(
    hot: Floats,
    around: Floats,
    inner: Floats,
    layers: Callable[[Floats], Floats],
    outer: Callable[[Floats], Floats],
    start: Floats,
    asked: NDArray[np.bool_],
    tolerance: float,
) -> Settled:
    """The same for walls that are ``asked`` for, by halving in the temperature of the surface."""
    low, high = np.minimum(hot, around), np.maximum(hot, around)
    faces = start
    while np.max((high - low)[asked]) > FINE:
        surface = (low + high) / 2
        faces, through = _within(hot, surface, inner, layers, faces, asked, tolerance)
        hotter = through > (surface - around) / outer(surface)  # more comes than is taken away
        low, high = np.where(hotter, surface, low), np.where(hotter, high, surface)
    surface = (low + high) / 2
    faces, through = _within(hot, surface, inner, layers, faces, asked, tolerance)
    ends = (low - around) / outer(low), (high - around) / outer(high)
    flow = np.clip(through, np.minimum(*ends), np.maximum(*ends))
    with np.errstate(divide="ignore", invalid="ignore"):
        return Settled(faces, flow, (hot - around) / flow)


def _within(
    hot: Floats,
    surface: Floats,
    inner: Floats,
    layers: Callable[[Floats], Floats],
    start: Floats,
    asked: NDArray[np.bool_],
    tolerance: float,
) -> tuple[Floats, Floats]:
    """Faces between a fluid and a surface of known temperature, and the heat that comes through.

    Half of each correction is taken: resistances that fall with temperature swing less.
    """
    faces = np.concatenate([start[:-1], surface[None, :]])
    for _ in range(MOST_ROUNDS):
        shares, total = _shares(np.concatenate([inner[None, :], layers(faces)]))
        aims = hot - (hot - surface) * np.cumsum(shares, axis=0)
        moved = np.max(np.abs(aims - faces)[:, asked])
        faces = (faces + aims) / 2
        if moved <= tolerance:
            with np.errstate(divide="ignore", invalid="ignore"):
                return faces, np.where(np.isinf(total), 0.0, (hot - surface) / total)
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
