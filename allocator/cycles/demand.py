"""Demand and supply that follow a repeating step series: their integrals over any window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from allocator.cycles.lines import Array, RepeatingLine, straight
from allocator.cycles.steps import check_steps, largest_line
from allocator.site.records import Profile


@dataclass(frozen=True, slots=True, eq=False)
class DemandCurve:
    """Window integrals of a demand's profile of mean 1.

    ``peak``, ``least``: greatest and least level. ``sigma``: s, least constant with
    beta(L) <= L + sigma. ``line``: beta.
    """

    peak: float
    least: float
    sigma: float
    line: RepeatingLine

    def largest(self, lengths: Array) -> Array:
        """beta(L): largest integral, s, over any window of each length L >= 0, s. Exact."""
        return self.line.at(np.asarray(lengths, dtype=np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class SeriesCurve:
    """Guaranteed integral of a repeating step series: a supply of uneven rate, phase unknown.

    ``duty``: mean level. ``sigma``: least constant with tau(L) >= duty * L - sigma.
    """

    duty: float
    sigma: float
    line: RepeatingLine

    def guaranteed(self, lengths: Array) -> Array:
        """Least integral over any window of each length L >= 0, s. Exact."""
        return self.line.at(np.asarray(lengths, dtype=np.float64))


CONSTANT = DemandCurve(1.0, 1.0, 0.0, straight(1.0))
"""A demand that never changes."""


@lru_cache(maxsize=64)
def demand_curve_of(profile: Profile | None) -> DemandCurve:
    """The demand curve of a profile of mean 1; None is constant.

    Raises ValueError when the mean of the profile is not 1 (to 1e-9), or its steps are not
    in order.
    """
    if profile is None:
        return CONSTANT
    check_steps(profile.period, profile.starts, profile.levels)
    spans = np.diff([*profile.starts, profile.period])
    mean = float(np.dot(profile.levels, spans)) / profile.period
    if abs(mean - 1.0) > 1e-9:
        raise ValueError(f"a profile must have mean 1 (got {mean})")
    # What is left of rounding in the mean would add up over many periods.
    line = largest_line(profile.period, profile.starts, [x / mean for x in profile.levels])
    sigma = float(np.max(line.values - line.lengths, initial=0.0))
    return DemandCurve(max(profile.levels), min(profile.levels), sigma, line)


def series_curve_of(period: float, starts: Sequence[float], levels: Sequence[float]) -> SeriesCurve:
    """The guaranteed curve of a repeating step series (levels in any unit, >= 0)."""
    line = largest_line(period, starts, levels).mirrored()
    duty = line.gain / line.period
    sigma = float(np.max(duty * line.lengths - line.values, initial=0.0))
    return SeriesCurve(duty, sigma, line)
