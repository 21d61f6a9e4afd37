"""What a battery needs to serve a profile out of flat generation: constants a profile.

All of it is proportional to the mean power served, so it is worked out once, exactly: for a
profile s(t) of mean 1 and charge efficiency e, flat generation g serves it for ever when what
is charged, e * (g - s) where g > s, covers what is discharged, s - g where s > g. The least
such g and the largest fall of the battery's level give linear rules.

With more generation than the least the battery may be smaller, as it is full again earlier. The
size is the largest fall of the level over any stretch of time, and each stretch falls by a convex
function of g, of slope -1 a second where g < s and -e where g > s. So the size is convex in g:
between generations at which it is known it is no more than what is in proportion between them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from allocator.site.records import Profile

STEPS = 16
"""Generations above the least at which the size of a battery is known, at the most."""
STRAIGHT = 1e-9
"""Share of the largest size by which a size may be less than in proportion between two others."""
BESIDE = 1e-7
"""Share of the range of generation beside a generation at which a slope is that of its stretch."""


@dataclass(frozen=True, slots=True)
class Levelling:
    """``generation``: W flat a W of mean demand served; ``size``: J a W; ``charge`` and

    ``discharge``: highest W into and out of the battery a W of mean demand served; ``through``:
    mean W out of it. ``surplus``: the same for more generation than that, in rising order; the
    last needs no battery.
    """

    generation: float
    size: float
    charge: float
    discharge: float
    through: float
    surplus: tuple[Levelling, ...] = ()


def levelling(profile: Profile | None, efficiency: float) -> Levelling:
    """The constants for a profile of mean 1 and a charge efficiency in (0, 1].

    The charge balance is piecewise linear and rising in the generation, so the generation is
    found exactly between two neighbouring levels. A margin of 1e-9 keeps the balance on the
    safe side of rounding.
    """
    if profile is None:
        return Levelling(1.0, 0.0, 0.0, 0.0, 0.0)
    curve = _Curve(profile, efficiency)
    surplus = tuple(curve.at(generation) for generation in curve.knees())
    return replace(curve.at(curve.least), surplus=surplus)


class _Curve:
    """Sizes of the battery by generation, a W of mean demand served."""

    def __init__(self, profile: Profile, efficiency: float) -> None:
        self._durations = np.diff(np.append(profile.starts, profile.period))
        self._levels = np.asarray(profile.levels, np.float64)
        self._efficiency, self._period = efficiency, profile.period
        self.least, self.most = self._balanced(), float(self._levels.max())

    def at(self, generation: float) -> Levelling:
        """All constants at a generation."""
        # what falls and is discharged is less with more of it
        safe = generation * (1.0 + 1e-9)
        lacking = np.maximum(0.0, self._levels - generation)
        return Levelling(
            safe,
            self.size(generation) * (1.0 + 1e-9),
            max(0.0, safe - float(self._levels.min())),
            max(0.0, self.most - generation),
            float(self._durations @ lacking) / self._period,
        )

    def size(self, generation: float) -> float:
        """The largest fall of the level, J a W: that of a battery which is full whenever it may."""
        return self._largest_fall(generation)[0]

    def _largest_fall(self, generation: float) -> tuple[float, float]:
        """The largest fall and its slope, by one stretch of steps.

        Twice round, as it may span the seam, and not longer, as each period fills what it takes.
        """
        surplus = generation - self._levels
        slopes = np.where(surplus > 0.0, self._efficiency, 1.0) * self._durations
        level = np.cumsum(np.concatenate(([0.0], np.tile(slopes * surplus, 2))))
        full = np.maximum.accumulate(level)
        end = int(np.argmax(full - level))
        start = int(np.argmax(level[: end + 1]))
        slope = -float(np.tile(slopes, 2)[start:end].sum())
        return float(full[end] - level[end]), slope

    def knees(self) -> list[float]:
        """Generations above the least between which the size is straight, or nearly so.

        The next one is where the tangents of two neighbours meet, where that is furthest below
        what is in proportion between them.
        """
        largest, width = self.size(self.least), self.most - self.least
        if largest <= 0.0 or width <= 0.0:
            return []
        found = [self.least, self.most]
        while len(found) <= STEPS:
            pairs = itertools.pairwise(found)
            deep, knee = max(self._knee(low, high) for low, high in pairs)
            if deep <= STRAIGHT * largest:
                break
            found = sorted({*found, knee})
        return found[1:]

    def _knee(self, low: float, high: float) -> tuple[float, float]:
        """How far the size is below what is in proportion, and at which generation, most of all."""
        beside = BESIDE * (high - low)
        (first, falls), (last, rises) = (
            self._largest_fall(low + beside),
            self._largest_fall(high - beside),
        )
        if rises - falls <= 0.0:
            return 0.0, low
        across = ((first - falls * (low + beside)) - (last - rises * (high - beside))) / (
            rises - falls
        )
        knee = min(max(across, low), high)
        if not low < knee < high:
            return 0.0, low
        share = (knee - low) / (high - low)
        straight = (1.0 - share) * self.size(low) + share * self.size(high)
        return straight - self.size(knee), knee

    def _balanced(self) -> float:
        def balance(generation: float) -> float:
            surplus = generation - self._levels
            factors = np.where(surplus > 0.0, self._efficiency, 1.0)
            return float(self._durations @ (factors * surplus))

        levels = sorted(set(self._levels.tolist()))
        low = levels[0]
        for high in levels[1:]:
            if balance(high) >= 0:
                below, above = balance(low), balance(high)
                return float(low + (high - low) * (-below) / (above - below))
            low = high
        return float(levels[-1])
