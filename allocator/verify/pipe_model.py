"""A pipe's loss of heat, walked in plain steps: independent of the model that planning uses."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from allocator.network.records import Network
from allocator.site.records import Material, Route

STEPS = 40
ROUNDS = 60
SETTLED = 1e-9
"""Share of a heat flow to which a surface and the faces between layers are settled."""
SIGMA = 5.670374e-8
TURBULENT = 10.0
"""m3 K: D^3 dT from which still air along a pipe is turbulent, by ISO 12241."""
DRY_GROUND, WET_GROUND = 0.5, 2.0
OVER_GROUND = 0.0685
"""m2 K/W of the film over ground, from memory of EN 13941; left out where most is lost."""
UNKNOWN_EMISSIVITY, DULL = 0.3, 0.95
"""What the site file's documentation says of a surface whose emissivity is not given: for

temperatures, and for heat."""


@dataclass(frozen=True)
class PipeModel:
    """``layers``: (inner radius, outer radius, material) from the inside out; ``bore``: m."""

    bore: float
    length: float
    layers: tuple[tuple[float, float, Material], ...]
    radius: float
    emissivity: float
    around: float
    depth: float | None
    ground: float
    most: bool = False

    @staticmethod
    def of(site: Network, route: Route, build: str, *, dull: bool = False) -> PipeModel | None:
        """The model of a build on a route, or None where it is not known well enough.

        ``dull``: surfaces and ground of which nothing is said let out as much heat as they may.
        """
        grey = DULL if dull else UNKNOWN_EMISSIVITY
        record = site.pipes[build]
        if record.bore is None:
            return None
        radius, layers = record.bore / 2, []
        for layer in record.layers:
            material = site.materials[layer.material]
            if layer.thickness is None or not (material.conductivity or material.vacuum):
                return None
            if material.emissivity is None:
                material = replace(material, emissivity=grey)
            layers.append((radius, radius + layer.thickness, material))
            radius += layer.thickness
        outer = site.materials[record.layers[-1].material].emissivity if record.layers else None
        return PipeModel(
            record.bore,
            route.length,
            tuple(layers),
            radius,
            grey if outer is None else outer,
            site.ambient.temperature,
            route.burial_depth,
            _ground(site, dull),
            dull,
        )


def _ground(site: Network, wet: bool) -> float:
    """W/(m K) of the ground: of a range or of one that is not given, dry or wet.

    What is not the middle of its range was set, and counts alone.
    """
    given, own = site.spreads.get("ambient.ground_conductivity"), site.ambient.ground_conductivity
    if given is not None and given.middle == own:
        return given.high if wet else given.low
    if own is not None:
        return own
    return WET_GROUND if wet else DRY_GROUND


class Films(Protocol):
    """What gives flows (kg/s) of which one cools the least at a temperature, with their films."""

    def flows(self, kelvin: float) -> tuple[tuple[float, float], ...]:
        """Flows and the film of each, K m/W."""


def end_and_surface(
    pipe: PipeModel,
    inlet: float,
    rate: float,
    specific_heat: Callable[[float], float],
    film: Films | None = None,
) -> tuple[float, float]:
    """K at the end of a run in still air, and K of its surface at the inlet without a film inside.

    The end is that without a film, the coldest; with one the hottest of all flows up to ``rate``.
    The steps grow along the run, as most is lost where it is hottest. Each uses the mean of the
    loss at its start and end (Heun's rule), as a share of the difference to the surroundings.
    """
    _, surface = loss(pipe, inlet)

    def decay(kelvin: float) -> float:
        """Least share of the warmth that is lost a metre."""
        flows = ((rate, 0.0),) if film is None else film.flows(kelvin)
        least = min(loss(pipe, kelvin, inner)[0] / flow for flow, inner in flows)
        return least / (kelvin - pipe.around) / specific_heat(kelvin)

    now = inlet
    marks = [(i / STEPS) ** 2 * pipe.length for i in range(STEPS + 1)]
    for start, end in itertools.pairwise(marks):
        apart = now - pipe.around
        if abs(apart) < 1e-6:
            break
        first = second = decay(now)
        guess = pipe.around + apart * math.exp(-first * (end - start))
        if abs(guess - pipe.around) > 1e-3:
            second = decay(guess)
        now = pipe.around + apart * math.exp(-(first + second) / 2 * (end - start))
    return now, surface


def loss(pipe: PipeModel, fluid: float, inner: float = 0.0) -> tuple[float, float]:
    """W a metre and K of the surface: what comes through equals what leaves.

    The surface lies between surroundings and fluid; the chord between what is left over at both
    ends is cut, and an end that stays counts half (the Illinois form of false position). Where
    still air turns turbulent, it takes more away at once: what comes through between both holds the
    surface there. ``inner``: the film inside, K m/W.
    """
    if not pipe.layers and not inner:
        return _away(pipe, fluid), fluid
    ends = [pipe.around, fluid]
    turns = pipe.around + math.copysign(TURBULENT / (2 * pipe.radius) ** 3, fluid - pipe.around)
    if min(ends) < turns < max(ends):
        through = _settled(pipe, fluid, turns, inner)[0]
        calm, wild = (abs(_away(pipe, turns, turbulent=t)) for t in (False, True))
        if calm <= abs(through) <= wild:  # more than calm air takes away, less than turbulent
            return through, turns
    over = [_settled(pipe, fluid, end, inner)[0] - _away(pipe, end) for end in ends]
    small = SETTLED * max(abs(over[0]), abs(over[1]))
    surface, stays = pipe.around, -1
    for _ in range(ROUNDS):
        if over[0] == over[1]:
            break
        surface = (ends[0] * over[1] - ends[1] * over[0]) / (over[1] - over[0])
        here = _settled(pipe, fluid, surface, inner)[0] - _away(pipe, surface)
        if abs(here) <= small:
            break
        moved = 0 if (here > 0) == (over[0] > 0) else 1
        ends[moved], over[moved] = surface, here
        if stays == 1 - moved:
            over[1 - moved] /= 2
        stays = 1 - moved
    return _away(pipe, surface), surface


def _away(pipe: PipeModel, surface: float, *, turbulent: bool | None = None) -> float:
    """W a metre from the surface: ISO 12241 still air and rays, or the ground's shape factor.

    Of a pipe with less ground above it than its radius, the worse of both for what is asked.
    """
    apart = surface - pipe.around
    if turbulent is None:
        turbulent = (2 * pipe.radius) ** 3 * abs(apart) > TURBULENT
    air = _to_air(pipe, surface, turbulent=turbulent)
    if pipe.depth is None or pipe.depth <= pipe.radius:
        return air
    deep = pipe.depth if pipe.most else pipe.depth + OVER_GROUND * pipe.ground
    below = 2 * math.pi * pipe.ground * apart / math.acosh(deep / pipe.radius)
    if pipe.depth >= 2 * pipe.radius:
        return below
    return (max if pipe.most else min)(air, below, key=abs)


def _to_air(pipe: PipeModel, surface: float, *, turbulent: bool) -> float:
    """W a metre from the surface to still air, along which it is turbulent or not."""
    apart = surface - pipe.around
    size, size_apart = 2 * pipe.radius, max(abs(apart), 1e-3)
    if turbulent:
        film = 1.21 * math.cbrt(size_apart)
    else:
        film = 1.25 * math.sqrt(math.sqrt(size_apart / size))
    rays = pipe.emissivity * SIGMA * (surface**4 - pipe.around**4)
    return math.pi * size * (film * apart + rays)


def faces_of(pipe: PipeModel, fluid: float) -> list[float]:
    """K of the faces of the layers from the inside out, around a fluid, in still air."""
    return _settled(pipe, fluid, loss(pipe, fluid)[1])[1]


def _settled(
    pipe: PipeModel, fluid: float, surface: float, inner: float = 0.0
) -> tuple[float, list[float]]:
    """W a metre and the faces (K) of layers between a fluid with a film inside and a surface.

    Layer by layer with its mean conductivity, until the faces in between are settled. A layer
    that lets no heat through has all that is within it as warm as the fluid.
    """
    if not pipe.layers:
        if inner:
            return (fluid - surface) / inner, [surface]
        return (math.copysign(1e12, fluid - surface) if fluid != surface else 0.0), [fluid]
    faces = [fluid + (surface - fluid) * i / len(pipe.layers) for i in range(len(pipe.layers) + 1)]
    flow = 0.0
    for _ in range(ROUNDS if len(pipe.layers) > 1 or inner else 1):
        resist = [_resistance(layer, faces[i], faces[i + 1]) for i, layer in enumerate(pipe.layers)]
        whole = inner + sum(resist)
        if math.isinf(whole):
            blocked = resist.index(math.inf)
            return 0.0, [fluid if i <= blocked else surface for i in range(len(faces))]
        before, flow = flow, (fluid - surface) / whole
        if abs(flow - before) <= SETTLED * abs(flow):
            break
        at = faces[0] = fluid - flow * inner
        for i, one in enumerate(resist):
            at -= flow * one
            faces[i + 1] = at
    return flow, faces


def _resistance(layer: tuple[float, float, Material], hot: float, cold: float) -> float:
    """K m/W of one layer."""
    inner, outer, material = layer
    if material.vacuum:
        grey = UNKNOWN_EMISSIVITY if material.emissivity is None else material.emissivity
        factor = 1 / grey + inner / outer * (1 / grey - 1)
        film = SIGMA * (hot**2 + cold**2) * (hot + cold) / factor
        return 1 / (2 * math.pi * inner * film)
    mean = sum(
        weight * _conductivity(material, hot + (cold - hot) * share)
        for share, weight in (
            (0.0, 1 / 12),
            (0.25, 1 / 3),
            (0.5, 1 / 6),
            (0.75, 1 / 3),
            (1.0, 1 / 12),
        )
    )
    return math.log(outer / inner) / (2 * math.pi * mean) if mean > 0 else math.inf


def _conductivity(material: Material, kelvin: float) -> float:
    """W/(m K) at a temperature, straight between the points of the file."""
    points = material.conductivity
    if kelvin <= points[0][0] or len(points) == 1:
        return points[0][1]
    for (cold, low), (hot, high) in itertools.pairwise(points):
        if kelvin <= hot:
            return low + (high - low) * (kelvin - cold) / (hot - cold)
    return points[-1][1]
