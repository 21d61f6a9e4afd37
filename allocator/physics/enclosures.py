"""A room of several walls: heat let out, temperatures of faces, the least mass that keeps limits.

Heat leaves by areas side by side, so conductances A/R add. The surface resistances are those of
ISO 6946:2017, table 7, for surfaces without forced air: 0.13 m2 K/W inside where heat goes
sideways, 0.10 upwards, 0.17 downwards; 0.04 outside. Heat bridges are not counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal, NamedTuple

import numpy as np

from allocator.physics.arrays import Floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.faults import PhysicsError
from allocator.physics.walls import wall_loss

Part = Literal["wall", "roof", "floor"]
UPWARDS, SIDEWAYS, DOWNWARDS = 0.10, 0.13, 0.17
"""Inside surface resistances, m2 K/W (ISO 6946:2017, table 7), by the way that heat goes."""
OUTSIDE = 0.04
"""Outside surface resistance, m2 K/W (the same table)."""
MOST_BUILDS = 200_000
"""Combinations that are kept while thicknesses are chosen."""


@dataclass(frozen=True, slots=True)
class Slab:
    """A layer. ``thicknesses``: m, one of which is built.

    ``density`` kg/m3 or None; ``hottest``: K that it bears, or None. ``bright``: how little heat it
    may pass, where that is not known well; ``kind`` is then how much.
    """

    kind: Conductivity
    thicknesses: tuple[float, ...]
    density: float | None = None
    hottest: float | None = None
    bright: Conductivity | None = None


@dataclass(frozen=True, slots=True)
class Side:
    """An area of a room, m2, whose ``slabs`` stand from the inside out.

    ``resistance``: m2 K/W from air to air in place of slabs. ``outside``: K. ``closed``: passes no
    heat. ``inner`` and ``outer``: surface resistances, by default of ISO 6946.
    """

    name: str
    area: float
    part: Part
    outside: float
    slabs: tuple[Slab, ...] = ()
    resistance: float | None = None
    closed: bool = False
    inner: float | None = None
    outer: float | None = None


class SideBuild(NamedTuple):
    """An area with a thickness a slab.

    ``heat``: W let out at the most; ``resistance``: m2 K/W from air to air, by which that is;
    ``faces``: K from inside to out, each as hot as it may be; ``mass``: kg of slabs of known
    density; ``broken``: limits that it breaks. ``least_heat`` W and ``conductance`` W/K: at the
    least.
    """

    thicknesses: tuple[float, ...]
    heat: float
    resistance: float
    faces: tuple[float, ...]
    mass: float
    broken: tuple[str, ...]
    least_heat: float
    conductance: float


class _Passing(NamedTuple):
    """What a square metre passes: W, m2 K/W, and K of its faces from inside to out."""

    flow: float
    resistance: float
    faces: tuple[float, ...]


def inside_resistance(part: Part, outwards: bool) -> float:
    """m2 K/W of the inner surface of a part; heat goes outwards, or into the room."""
    if part == "wall":
        return SIDEWAYS
    return UPWARDS if (part == "roof") == outwards else DOWNWARDS


def side_build(
    side: Side, thicknesses: Sequence[float], inside: float, max_surface: float | None = None
) -> SideBuild:
    """Heat and temperatures of an area with these thicknesses, m, at ``inside`` K.

    Raises
    ------
    PhysicsError
        The faces do not settle.
    """
    parts = list(zip(side.slabs, thicknesses, strict=True))
    mass = sum((slab.density or 0.0) * thick * side.area for slab, thick in parts)
    if side.closed:
        return SideBuild(tuple(thicknesses), 0.0, np.inf, (), mass, (), 0.0, 0.0)
    found = [_passing(side, [(slab.kind, thick) for slab, thick in parts], inside)]
    if any(slab.bright is not None for slab, _ in parts):
        bright = [(slab.bright or slab.kind, thick) for slab, thick in parts]
        found.append(_passing(side, bright, inside))
    most, least = max(found), min(found)
    faces = tuple(max(both) for both in zip(*(one.faces for one in found), strict=True))
    broken = []
    if max_surface is not None and faces[-1] > max_surface * (1 + 1e-12):
        broken.append("outer surface too hot")
    for (slab, _), *ends in zip(parts, faces, faces[1:], strict=False):
        if slab.hottest is not None and max(ends) > slab.hottest:
            broken.append(f"{slab.kind.name} too hot")
    return SideBuild(
        tuple(thicknesses),
        most.flow * side.area,
        most.resistance,
        faces,
        mass,
        tuple(broken),
        least.flow * side.area,
        side.area / max(one.resistance for one in found),
    )


def _passing(side: Side, layers: list[tuple[Conductivity, float]], inside: float) -> _Passing:
    """Of an area whose resistance is given, no surface is beyond the air on the other side.

    That is where the resistance is less than the surface resistances assumed of it.
    """
    inner = side.inner
    if inner is None:
        inner = inside_resistance(side.part, inside >= side.outside)
    outer = OUTSIDE if side.outer is None else side.outer
    if side.resistance is None:
        found = wall_loss(layers, inside, side.outside, inside_film=1.0 / inner, film=1.0 / outer)
        return _Passing(found.per_area, found.resistance, found.faces)
    apart, whole = inside - side.outside, side.resistance
    last = min(1.0, outer / whole)
    first = min(inner / whole, 1.0 - last)
    faces = (inside - apart * first, side.outside + apart * last)
    return _Passing(apart / whole, whole, faces)


def lightest_sides(
    sides: Sequence[Side],
    inside: float,
    max_heat: float | None = None,
    max_surface: float | None = None,
) -> tuple[SideBuild, ...]:
    """The thicknesses of least mass that keep every limit; where none do, those of least heat.

    Parameters
    ----------
    sides
        Areas of the room.
    inside
        K of the room's air.
    max_heat
        W that the room may let out.
    max_surface
        K that outer surfaces may have.

    Raises
    ------
    PhysicsError
        There are too many combinations, or faces that do not settle.
    """
    offers = [_offers(side, inside, max_surface) for side in sides]
    least = np.array([min(build.heat for build in offer) for offer in offers])
    rest = np.append(np.cumsum(least[::-1])[::-1][1:], 0.0)  # of the sides that follow
    most = np.inf if max_heat is None else max_heat + 1e-9 * abs(max_heat)
    if least.sum() > most:
        return tuple(min(offer, key=lambda build: (build.heat, build.mass)) for offer in offers)
    mass, heat = np.zeros(1), np.zeros(1)
    ways: list[tuple[Floats, Floats]] = []
    for offer, later in zip(offers, rest, strict=True):
        masses = (mass[:, None] + np.array([build.mass for build in offer])).ravel()
        heats = (heat[:, None] + np.array([build.heat for build in offer])).ravel()
        fits = np.flatnonzero(heats + later <= most + 1e-12 * np.abs(heats))
        order = fits[np.lexsort((heats[fits], masses[fits]))]
        below = np.minimum.accumulate(heats[order])
        order = order[np.append(True, below[1:] < below[:-1])]
        if len(order) > MOST_BUILDS:
            raise PhysicsError("offers too many combinations of thickness", "offer fewer")
        ways.append((order // len(offer), order % len(offer)))
        mass, heat = masses[order], heats[order]
    chosen, place = [], 0  # the lightest comes first
    for offer, (before, which) in zip(reversed(offers), reversed(ways), strict=True):
        chosen.append(offer[int(which[place])])
        place = int(before[place])
    return tuple(reversed(chosen))


def _offers(side: Side, inside: float, max_surface: float | None) -> list[SideBuild]:
    """Every build of an area that keeps the limits of its faces, or all where none does."""
    thicknesses = [slab.thicknesses for slab in side.slabs]
    if np.prod([len(offered) for offered in thicknesses]) > 10_000:
        raise PhysicsError("offers too many combinations of thickness", "offer fewer")
    builds = [side_build(side, one, inside, max_surface) for one in product(*thicknesses)]
    return [build for build in builds if not build.broken] or builds
