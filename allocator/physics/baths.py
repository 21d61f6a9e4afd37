"""Thermal mass beside a source: how warm it gets, exactly, when heat comes in steps.

``C dT/dt = Q - UA (T - Ta) - P``, with Q constant in each step and P the heat that recovery draws
while the mass is above a threshold; at the boiling point heat goes into steam instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from allocator.physics.faults import PhysicsError


@dataclass(frozen=True, slots=True)
class Bath:
    """``capacity``: J/K. ``loss``: W/K to ``around`` K. ``boils``: K, None never; ``latent``: J/kg.

    ``recovery``: W drawn while it is above ``threshold`` K.
    """

    capacity: float
    loss: float
    around: float
    boils: float | None = None
    latent: float = 2.2565e6
    recovery: float = 0.0
    threshold: float = math.inf


class Swing(NamedTuple):
    """``low``, ``high``: K reached; ``end``: K; ``drives_after``: s until the threshold is reached

    for the first time, None never; ``recovered``: J; ``steam``: kg; ``lost``: J."""

    low: float
    high: float
    end: float
    drives_after: float | None
    recovered: float
    steam: float
    lost: float


def relax(start: float, limit: float, time: float, lag: float) -> float:
    """Temperature after ``time``: ``limit + (start - limit) exp(-time/lag)`` (lumped body)."""
    return limit + (start - limit) * math.exp(-time / lag)


def time_to(start: float, limit: float, wanted: float, lag: float) -> float:
    """s until a lumped body that tends to ``limit`` reaches ``wanted``; infinite if never."""
    if start == wanted:
        return 0.0
    ratio = (wanted - limit) / (start - limit) if start != limit else -1.0
    return -lag * math.log(ratio) if 0 < ratio < 1 else math.inf


def follow(bath: Bath, steps: Sequence[tuple[float, float]], start: float) -> Swing:
    """March a bath through (duration s, heat W) steps, from event to event, exact in between."""
    if bath.capacity <= 0 or bath.loss < 0:
        raise PhysicsError("needs a heat capacity above 0 and a loss from 0 on", "check both")
    if bath.boils is not None and start > bath.boils:
        raise PhysicsError("begins above its boiling point", "start it colder")
    state = _March(bath, start)
    for duration, heat in steps:
        state.step(duration, heat)
    return Swing(
        state.low,
        state.high,
        state.now,
        state.drives_after,
        state.recovered,
        state.steam,
        state.lost,
    )


class _March:
    """The bath on its way."""

    def __init__(self, bath: Bath, start: float) -> None:
        self.bath = bath
        self.now = self.low = self.high = start
        self.time = 0.0
        self.drives_after: float | None = 0.0 if start >= bath.threshold else None
        self.recovered = self.steam = self.lost = 0.0

    def step(self, duration: float, heat: float) -> None:
        left = duration
        while left > 0:
            left -= self._leg(left, heat)

    def _leg(self, most: float, heat: float) -> float:
        """One stretch in which nothing switches; its length, s."""
        bath = self.bath
        cooling = bath.loss * (self.now - bath.around)
        drawing = bath.recovery
        if self.now < bath.threshold or (self.now == bath.threshold and heat - cooling < 0):
            drawing = 0.0
        elif self.now == bath.threshold and heat - cooling < drawing:
            drawing = heat - cooling  # recovery takes what comes, and the bath stays there
            return self._stay(most, drawing, cooling, steam=0.0)
        if bath.boils is not None and self.now >= bath.boils and heat - cooling - drawing >= 0:
            return self._stay(most, drawing, cooling, (heat - cooling - drawing) / bath.latent)
        net = heat - drawing
        span, end = most, self._after(most, net)
        for mark in (bath.threshold, bath.boils):
            if mark is not None and math.isfinite(mark) and mark != self.now:
                reached = self._until(mark, net)
                if reached <= span:
                    span, end = reached, mark
        mean = self._mean(span, net, end)
        self.lost += bath.loss * (mean - bath.around) * span
        self._pass(span, drawing)
        self.now = end
        self.low, self.high = min(self.low, end), max(self.high, end)
        if self.drives_after is None and end >= bath.threshold:
            self.drives_after = self.time
        return span

    def _stay(self, span: float, drawing: float, cooling: float, steam: float) -> float:
        self.lost += cooling * span
        self.steam += steam * span
        self._pass(span, drawing)
        return span

    def _pass(self, span: float, drawing: float) -> None:
        self.recovered += drawing * span
        self.time += span

    def _after(self, span: float, net: float) -> float:
        bath = self.bath
        if bath.loss == 0:
            return self.now + net * span / bath.capacity
        return relax(self.now, bath.around + net / bath.loss, span, bath.capacity / bath.loss)

    def _until(self, mark: float, net: float) -> float:
        bath = self.bath
        if bath.loss == 0:
            span = (mark - self.now) * bath.capacity / net if net else math.inf
            return span if span > 0 else math.inf
        return time_to(self.now, bath.around + net / bath.loss, mark, bath.capacity / bath.loss)

    def _mean(self, span: float, net: float, end: float) -> float:
        bath = self.bath
        if span <= 0:
            return self.now
        if bath.loss == 0:
            return (self.now + end) / 2
        # from the energy balance of the leg: C (end - now) = net span - loss (mean - around) span
        gained = bath.capacity * (end - self.now) / span
        return bath.around + (net - gained) / bath.loss


def settled(bath: Bath, steps: Sequence[tuple[float, float]]) -> Swing:
    """The swing over one period of ``steps`` once it repeats itself.

    The end of a period rises more slowly than its start, so the start that repeats is found by
    halving between surroundings and the hottest that the bath could ever be.

    Raises:
        PhysicsError: a bath that neither loses heat nor boils has no settled state.
    """
    heats = [heat for _, heat in steps]
    tops = [] if bath.boils is None else [bath.boils]
    if bath.loss > 0:
        tops.append(bath.around + max([0.0, *heats]) / bath.loss)
    if not tops:
        raise PhysicsError("neither loses heat nor boils, so it never settles", "give its loss")
    low, high = bath.around, max(bath.around, min(tops))
    while high - low > 1e-10 * high:
        middle = (low + high) / 2
        if follow(bath, steps, middle).end > middle:
            low = middle
        else:
            high = middle
    return follow(bath, steps, high)


def least_mass(
    bath: Bath,
    specific_heat: float,
    steps: Sequence[tuple[float, float]],
    limit: float,
    most: float,
) -> float | None:
    """kg of a substance (J/(kg K)) with which the settled peak keeps ``limit`` K; None beyond

    ``most`` kg. More mass has a lower peak, so it is found by halving.
    """

    def peak(mass: float) -> float:
        return settled(_sized(bath, mass * specific_heat), steps).high

    if peak(most) > limit:
        return None
    low, high = 0.0, most
    while high - low > 1e-9 * most:
        middle = (low + high) / 2
        if peak(middle) <= limit:
            high = middle
        else:
            low = middle
    return high


def mass_curve(
    bath: Bath,
    specific_heat: float,
    steps: Sequence[tuple[float, float]],
    masses: Sequence[float],
) -> list[tuple[float, Swing, float | None]]:
    """(kg, settled swing, s from cold until recovery can be driven): more mass, later recovery."""
    found = []
    for mass in masses:
        sized = _sized(bath, mass * specific_heat)
        cycles = [step for _ in range(200) for step in steps]
        first = follow(sized, cycles, bath.around).drives_after
        found.append((mass, settled(sized, steps), first))
    return found


def _sized(bath: Bath, capacity: float) -> Bath:
    return Bath(
        capacity,
        bath.loss,
        bath.around,
        bath.boils,
        bath.latent,
        bath.recovery,
        bath.threshold,
    )
