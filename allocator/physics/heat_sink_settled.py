"""The state of a thermal mass that repeats itself, and the least mass or cooling for a limit."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_cycles import CycleBlock
from allocator.physics.thermal_mass import Piece, ThermalMass

HOTTEST = 1e5
"""K beyond which nothing is said to settle."""

MOST_TRIES = 10_000

_ULPS = 4.0
"""Roundings of a temperature that the answer may be off by."""


def settled(body: ThermalMass, period: CycleBlock, guess: float) -> float:
    """K at the start of a period that is K at its end too.

    What a period does to the temperature at its start is affine piece by piece and rises with
    slope 1 at most, so each piece has its own fixed point; the one that lies in its piece is the
    answer, to rounding. Newton's steps within a bracket find it.

    Raises:
        PhysicsError: more heat comes than can ever leave.
    """
    low, high = _bracket(period, guess, body.ceiling)
    now = guess
    for _ in range(MOST_TRIES):
        piece = period.piece(now)
        if piece.moved == 0:
            return now
        low, high = (max(low, now), high) if piece.moved > 0 else (low, min(high, now))
        aim = now + piece.moved / (1 - piece.slope) if piece.slope < 1 else math.nan
        if abs(aim - now) <= _ULPS * math.ulp(now):
            return min(aim, body.ceiling)
        if not low < aim < high:
            aim = (low + high) / 2
            if not low < aim < high:
                return high
        now = aim
    raise PhysicsError("did not settle", "check the cycle and the losses")


def _bracket(period: CycleBlock, guess: float, ceiling: float) -> tuple[float, float]:
    """Temperatures from which a period does not cool, and does not warm."""
    high, step = guess, 1.0
    while high < ceiling and period.piece(high).moved > 0:
        high, step = min(guess + step, ceiling), 4 * step
        if high > HOTTEST:
            raise PhysicsError(
                "neither loses, gives nor boils off as much heat as comes, so it never settles",
                "give its loss, or more recovery or cooling",
            )
    low, step = guess, 1.0
    while low > 0 and period.piece(low).moved < 0:
        low, step = max(guess - step, 0.0), 4 * step
    return low, high


class HeatSinkCourse(NamedTuple):
    """What a body does for ever: ``begin`` K and ``rest`` of the period that repeats; K reached

    ``high`` at any time and ``high_on`` while heat comes, from the start or settled."""

    begin: float
    rest: Piece
    high: float
    high_on: float


def course(body: ThermalMass, period: CycleBlock, start: float) -> HeatSinkCourse:
    """What is reached for ever from ``start`` K: the settled period, or the first if hotter.

    From a cold start each period is warmer than the one before, and from a warm start colder.
    """
    begin = settled(body, period, start)
    rest, first = period.piece(begin), period.piece(start)
    return HeatSinkCourse(begin, rest, max(rest.high, first.high), max(rest.high_on, first.high_on))


def least(keeps: Callable[[float], bool], low: float, high: float, grid: int = 25) -> float | None:
    """The least size from which on all sizes that are tried up to ``high`` keep a limit.

    ``low`` must be above 0. A grid of ``grid`` sizes finds where the last failure is, halving
    the rest, to 1e-9 of the answer. None when ``high`` itself does not keep it.
    """
    sizes = [float(size) for size in np.geomspace(low, high, grid)]
    sizes[-1] = high
    good: float | None = None
    for size in reversed(sizes):
        if not keeps(size):
            break
        good = size
    else:
        return low
    if good is None:
        return None
    bad = sizes[sizes.index(good) - 1]
    while good - bad > 1e-9 * good:
        middle = (bad + good) / 2
        bad, good = (bad, middle) if keeps(middle) else (middle, good)
    return good
