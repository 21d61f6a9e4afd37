"""Temperature along a run: the exponential, and a march where resistance or heat capacity vary.

A march without the film inside loses the most heat, has the hottest surface and ends coldest; with
the film of :mod:`allocator.physics.inner_film` it ends no colder than any real flow.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.inner_film import FilmFluid, films_up_to
from allocator.physics.insulation import Insulation, Outside, heat_loss

STEPS = 12
"""Steps of a march; each is an exponential of its own, so few are enough."""

SETTLED = 1e-4
"""K to which faces are settled in a march."""


class Along(NamedTuple):
    """``end`` K; ``heat_loss`` W in all; ``surface`` K at the hot end; ``per_metre`` W/m there.

    ``known``: False where a conductivity is not known at its temperature. All (n,).
    """

    end: Floats
    heat_loss: Floats
    surface: Floats
    per_metre: Floats
    known: NDArray[np.bool_]


def end_temperature(
    inlet: FloatLike,
    around: FloatLike,
    length: FloatLike,
    resistance: FloatLike,
    rate: FloatLike,
    specific_heat: FloatLike,
) -> Floats:
    """K at the end of a run: ``Ta + (T0 - Ta) exp(-L / (R' m cp))``; ``Ta`` where nothing flows."""
    with np.errstate(divide="ignore", invalid="ignore"):
        lengths = floats(length) / (floats(resistance) * floats(rate) * floats(specific_heat))
    lengths = np.where(floats(rate) > 0, lengths, np.inf)
    return floats(floats(around) + (floats(inlet) - floats(around)) * np.exp(-lengths))


def along(
    insulation: Insulation,
    inlet: FloatLike,
    length: FloatLike,
    rate: FloatLike,
    specific_heat: FloatLike | Callable[[Floats], Floats],
    outside: Outside,
    inside_film: FloatLike = np.inf,
    *,
    steps: int = STEPS,
) -> Along:
    """March ``n`` runs from the inlet to the end; arguments are (n,) or single values, SI.

    ``specific_heat``: J/(kg K), or a function of temperatures (n,). Each step is the exponential
    with the resistance and heat capacity at its middle.

    Raises:
        PhysicsError: a surface temperature does not settle.
    """
    count = insulation.bore.shape
    flow = np.broadcast_to(floats(rate), count)
    far = np.broadcast_to(floats(length), count)
    fixed = None if callable(specific_heat) else np.broadcast_to(floats(specific_heat), count)

    def capacity(temperature: Floats) -> Floats:
        if fixed is not None:
            return fixed
        assert callable(specific_heat)
        return specific_heat(temperature)

    now: Floats = np.array(np.broadcast_to(floats(inlet), count))
    first = heat_loss(insulation, now, outside, inside_film)
    known, faces, resistance = first.known, first.faces, first.resistance
    lost = np.zeros(count)
    around = outside.temperature
    for _ in range(steps):
        half = end_temperature(now, around, far / steps / 2, resistance, flow, capacity(now))
        middle = heat_loss(insulation, half, outside, inside_film, start=faces, tolerance=SETTLED)
        faces, resistance = middle.faces, middle.resistance
        heat = capacity(half)
        following = end_temperature(now, around, far / steps, resistance, flow, heat)
        lost += np.where(flow > 0, flow * heat * (now - following), 0.0)
        known = known & middle.known
        now = following
    return Along(now, lost, first.surface, first.per_metre, known)


def hottest_end(
    insulation: Insulation,
    inlet: Floats,
    length: Floats,
    rate: Floats,
    specific_heat: Callable[[Floats], Floats],
    outside: Outside,
    film: FilmFluid,
    *,
    steps: int = STEPS,
) -> Floats:
    """K that ``n`` runs of a fluid warmer than its surroundings end at, at the most.

    An upper bound for all flows up to ``rate``, with a film inside that is no better than the real
    one; why is proven in :mod:`allocator.physics.inner_film`. Arguments are (n,), ``rate`` above 0.

    Raises:
        PhysicsError: a surface temperature does not settle.
    """
    count = len(insulation.bore)
    now: Floats = np.array(inlet)
    faces: list[Floats | None] = [None, None]

    def decay(kelvin: Floats) -> Floats:
        """The least share of the warmth above the surroundings that is lost a metre."""
        heat = specific_heat(kelvin)
        least = np.full(count, np.inf)
        for k, (flow, within) in enumerate(films_up_to(film, insulation.bore, rate, kelvin, heat)):
            found = heat_loss(
                insulation, kelvin, outside, within, start=faces[k], tolerance=SETTLED
            )
            faces[k] = found.faces
            with np.errstate(divide="ignore"):
                least = np.minimum(least, 1.0 / (found.resistance * flow * heat))
        return floats(least)

    around, step = outside.temperature, length / steps
    for _ in range(steps):
        half = around + (now - around) * np.exp(-decay(now) * step / 2)
        now = floats(around + (now - around) * np.exp(-decay(half) * step))
    return now
