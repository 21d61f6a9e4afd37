"""Heat loss and surface temperature of layered pipes, bare, lagged or buried; arrays of pipes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.conductivity import Conductivity
from allocator.physics.faces import TOLERANCE, settle
from allocator.physics.faults import PhysicsError
from allocator.physics.films import STEFAN_BOLTZMANN, outside_pipe, radiation

GROUND_FILM = 0.0685
"""m2 K/W over the ground in which pipes lie (EN 13941, from memory)."""

LEAST_DIFFERENCE = 1e-3
"""K below which still air has no relation: the film is taken at this difference."""


@dataclass(frozen=True)
class Insulation:
    """``n`` pipes of up to ``k`` layers, from the inside out; the wall of the pipe is a layer.

    ``bore``: (n,) m. ``thickness``: (k, n) m, 0 where a pipe has fewer layers. ``material``:
    (k, n) index into ``materials``. ``emissivity``: (n,) of the outer surface.
    """

    bore: Floats
    thickness: Floats
    material: NDArray[np.int64]
    materials: tuple[Conductivity, ...]
    emissivity: Floats

    @property
    def radii(self) -> Floats:
        """(k + 1, n) m, of the faces from the inside out."""
        inner = self.bore[None, :] / 2
        return np.concatenate([inner, inner + np.cumsum(self.thickness, axis=0)])

    @property
    def diameter(self) -> Floats:
        """(n,) m, outside."""
        return floats(self.bore + 2 * self.thickness.sum(axis=0))

    def take(self, rows: NDArray[np.int64]) -> Insulation:
        """Some of the pipes, in the order of their numbers."""
        return Insulation(
            self.bore[rows],
            self.thickness[:, rows],
            self.material[:, rows],
            self.materials,
            self.emissivity[rows],
        )


@dataclass(frozen=True)
class Outside:
    """What is around ``n`` pipes. ``temperature``: (n,) K. ``wind``: (n,) m/s.

    ``depth``: (n,) m of the axis below the ground, nan above it; ``ground``: (n,) its W/(m K).
    ``film``: (n,) W/(m2 K) in all where it is known, else nan: still air or wind and radiation.
    ``most``: whether the most that may be lost to ground is asked for, or the least.
    """

    temperature: Floats
    wind: Floats
    depth: Floats
    ground: Floats
    film: Floats
    most: bool = field(default=True, kw_only=True)

    @staticmethod
    def of(
        count: int,
        temperature: FloatLike,
        wind: FloatLike = 0.0,
        depth: FloatLike = np.nan,
        ground: FloatLike = 1.5,
        film: FloatLike = np.nan,
        *,
        most: bool = True,
    ) -> Outside:
        """Surroundings of ``count`` pipes; single values hold for all of them."""
        values = (temperature, wind, depth, ground, film)
        return Outside(*(np.broadcast_to(floats(v), (count,)) for v in values), most=most)


class HeatLoss(NamedTuple):
    """``per_metre`` W/m and ``surface`` K, (n,); ``faces``: (k + 1, n) K; ``resistance``: K m/W.

    ``known``: False where a layer's conductivity is not known at its temperature.
    """

    per_metre: Floats
    surface: Floats
    faces: Floats
    resistance: Floats
    known: NDArray[np.bool_]


def insulation_of(
    pipes: Sequence[tuple[float, Sequence[tuple[Conductivity, float]], float]],
) -> Insulation:
    """Pipes as (bore, layers of (material, thickness) from the inside out, emissivity)."""
    materials = tuple(dict.fromkeys(m for _, layers, _ in pipes for m, _ in layers))
    number = {material: i for i, material in enumerate(materials)}
    most = max((len(layers) for _, layers, _ in pipes), default=0) or 1
    thickness = np.zeros((most, len(pipes)))
    material = np.zeros((most, len(pipes)), dtype=np.int64)
    for column, (_, layers, _) in enumerate(pipes):
        for row, (kind, thick) in enumerate(layers):
            thickness[row, column] = thick
            material[row, column] = number[kind]
    return Insulation(
        floats(np.array([bore for bore, _, _ in pipes])),
        thickness,
        material,
        materials or (Conductivity("nothing", (1.0,)),),
        floats(np.array([emissivity for _, _, emissivity in pipes])),
    )


def heat_loss(
    insulation: Insulation,
    fluid: FloatLike,
    outside: Outside,
    inside_film: FloatLike = np.inf,
    *,
    start: Floats | None = None,
    tolerance: float = TOLERANCE,
) -> HeatLoss:
    """Steady heat loss a metre of pipes that hold a fluid at a temperature.

    ``R' = 1/(2 pi r h)`` of films, ``ln(r2/r1)/(2 pi k)`` of layers with the mean conductivity
    between their faces, ``acosh(2 z/D)/(2 pi k)`` of ground (F. P. Incropera et al., shape factor
    of a buried cylinder), and radiation alone across a vacuum gap. The least that is lost to ground
    is by a film of :data:`GROUND_FILM` over it, as so much more ground; a pipe less than its own
    diameter deep counts as in open air as well, by the worse of both.

    Args:
        fluid: (n,) K. inside_film: (n,) W/(m2 K), infinite for none.

    Raises:
        PhysicsError: the surface temperature does not settle, or ground does not cover a pipe.
    """
    radii, size = insulation.radii, insulation.diameter
    hot = np.broadcast_to(floats(fluid), size.shape)
    inner = np.broadcast_to(1.0 / (np.pi * insulation.bore * floats(inside_film)), size.shape)
    logs = np.log(radii[1:] / radii[:-1]) / (2 * np.pi)
    kinds = [
        (insulation.material == i) & (insulation.thickness > 0)
        for i in range(len(insulation.materials))
    ]

    def layers(faces: Floats) -> Floats:
        found = np.zeros_like(insulation.thickness)
        for kind, rows in zip(insulation.materials, kinds, strict=True):
            if not rows.any():
                continue
            first, second = faces[:-1][rows], faces[1:][rows]
            if kind.vacuum:
                found[rows] = _gap(kind, first, second, radii[:-1][rows], radii[1:][rows])
            else:
                with np.errstate(divide="ignore"):
                    found[rows] = logs[rows] / kind.mean(first, second)
        return found

    buried = np.isfinite(outside.depth)
    under = outside.depth + (0.0 if outside.most else GROUND_FILM) * outside.ground
    if np.any(outside.depth[buried] <= size[buried] / 2):
        raise PhysicsError("is not covered by the ground", "bury it deeper than its radius")
    ground = np.arccosh(np.where(buried, 2 * under / size, 2.0)) / (2 * np.pi * outside.ground)
    shallow = buried & (outside.depth < size)
    worse = np.minimum if outside.most else np.maximum
    fixed = np.isfinite(outside.film)

    def outer(surface: Floats) -> Floats:
        apart = np.maximum(np.abs(surface - outside.temperature), LEAST_DIFFERENCE)
        film = outside_pipe(size, apart, outside.wind)
        film = film + radiation(insulation.emissivity, surface, outside.temperature)
        film = np.where(fixed, outside.film, film)
        air = 1.0 / (np.pi * size * film)
        return np.where(buried, np.where(shallow, worse(ground, air), ground), air)

    if start is None:
        count = len(insulation.thickness)
        start = hot + (outside.temperature - hot) * np.linspace(0, 0.5, count + 1)[:, None]
    settled = settle(hot, outside.temperature, inner, layers, outer, start, tolerance)
    known = np.ones(size.shape, dtype=bool)
    for kind, rows in zip(insulation.materials, kinds, strict=True):
        sound = np.logical_and(kind.known(settled.faces[:-1]), kind.known(settled.faces[1:]))
        known &= ~(rows & ~sound).any(axis=0)
    return HeatLoss(settled.flow, settled.faces[-1], settled.faces, settled.resistance, known)


def _gap(kind: Conductivity, first: Floats, second: Floats, inner: Floats, outer: Floats) -> Floats:
    """K m/W of a vacuum between concentric grey faces (concentric-cylinder exchange factor)."""
    back = 1.0 / kind.emissivity
    factor = back + inner / outer * (back - 1.0)
    film = STEFAN_BOLTZMANN * (first**2 + second**2) * (first + second) / factor
    return floats(1.0 / (2 * np.pi * inner * film))


def critical_radius(conductivity: FloatLike, film: FloatLike) -> Floats:
    """m: a layer of smaller outer radius loses more heat the thicker it is (``k/h``)."""
    return floats(floats(conductivity) / floats(film))
