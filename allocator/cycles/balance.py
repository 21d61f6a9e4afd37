"""Draw less guaranteed supply as a function of window length, and the sums it is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from allocator.cycles.curves import Supply
from allocator.cycles.demand import DemandCurve
from allocator.cycles.lines import Array, RepeatingLine

LONGEST_PERIODS = 64
"""Unrelated periods are searched up to this many times the longest of them."""

ROUNDING = 1e-12
"""Relative difference of rates, or of periods, that counts as none."""


@dataclass(frozen=True, slots=True)
class Balance:
    """g(L) = slope * L + sum f beta(L) - sum r tau(L): what a store must hold back, kg.

    ``slope``: flat draw less all steady inflow. ``demands``, ``supplies``: the lines with
    kinks and their rates. ``rate``: long-run draw less inflow, kg/s. ``scale``: sum of all
    mean rates. ``lag``: kg, with g(L) <= rate * L + lag for every L. ``steepest`` draw and
    ``steepest_fall`` bound how fast the draw side may rise and fall; ``steepest_supply``
    how fast supply may rise.

    g is subadditive, g(a + b) <= g(a) + g(b): a window of a + b is one of a and one of b.
    """

    slope: float
    demands: tuple[tuple[RepeatingLine, float], ...]
    supplies: tuple[tuple[RepeatingLine, float], ...]
    rate: float
    scale: float
    lag: float
    steepest: float
    steepest_fall: float
    steepest_supply: float

    def draw(self, lengths: Array) -> Array:
        """Draw side of g at each length, kg."""
        total = self.slope * lengths
        for line, rate in self.demands:
            total = total + rate * line.at(lengths)
        return total

    def supply(self, lengths: Array) -> Array:
        """Supply side of g at each length, kg (without steady inflow)."""
        total = np.zeros(lengths.shape)
        for line, rate in self.supplies:
            total = total + rate * line.at(lengths)
        return total

    def at(self, lengths: Array) -> Array:
        """g at each length, kg."""
        return self.draw(lengths) - self.supply(lengths)

    @property
    def lines(self) -> tuple[RepeatingLine, ...]:
        """All lines with kinks."""
        return tuple(line for line, _ in self.demands + self.supplies)


def balance_of(
    inflows: Sequence[tuple[Supply, float]],
    flat: float,
    following: Sequence[tuple[DemandCurve, float]],
    steady: float,
) -> Balance:
    """The balance of a store: terms of rate 0 dropped, those without kinks in the slope."""
    inflow = [(supply, rate) for supply, rate in inflows if rate != 0.0]
    outflow = [(demand, rate) for demand, rate in following if rate != 0.0]
    gains = [flat, *(rate for _, rate in outflow)]
    losses = [steady, *(rate * supply.duty for supply, rate in inflow)]
    slope = [flat, -steady]
    slope += [rate for demand, rate in outflow if not len(demand.line.kinks)]
    slope += [-rate * supply.duty for supply, rate in inflow if not len(supply.line.kinks)]
    demands = [(demand, rate) for demand, rate in outflow if len(demand.line.kinks)]
    supplies = [(supply, rate) for supply, rate in inflow if len(supply.line.kinks)]
    base = math.fsum(slope)
    lags = [rate * supply.sigma for supply, rate in inflow]
    lags += [rate * demand.sigma for demand, rate in outflow]
    return Balance(
        base,
        tuple((demand.line, rate) for demand, rate in demands),
        tuple((supply.line, rate) for supply, rate in supplies),
        math.fsum(gains) - math.fsum(losses),
        math.fsum(map(abs, gains)) + math.fsum(map(abs, losses)),
        math.fsum(lags),
        base + math.fsum(rate * demand.peak for demand, rate in demands),
        max(0.0, -base - math.fsum(rate * demand.least for demand, rate in demands)),
        math.fsum(rate * supply.line.steepest for supply, rate in supplies),
    )


def search_length(
    inflows: Sequence[Supply], demands: Sequence[DemandCurve] = ()
) -> tuple[float, bool]:
    """How far windows are searched, s, and whether the tail row is needed beyond.

    (common period, False) where the periods of all that varies have a common multiple within
    ``LONGEST_PERIODS`` of the longest; else (that many longest periods, True).
    """
    curves: list[Supply | DemandCurve] = [*inflows, *demands]
    periods = sorted({curve.line.period for curve in curves if len(curve.line.kinks)})
    return search_limit(periods)


def search_limit(periods: Sequence[float]) -> tuple[float, bool]:
    """As :func:`search_length`, from the periods alone."""
    if not periods:
        return 1.0, False
    most = LONGEST_PERIODS * max(periods)
    common = common_period(periods)
    return (most, True) if common is None else (common, False)


def common_period(periods: Sequence[float], most: float = LONGEST_PERIODS) -> float | None:
    """Least common multiple of periods, s, if at most ``most`` of the longest; else None.

    Periods are compared to a relative 1e-12, so that 0.3 s is three times 0.1 s.
    """
    longest = max(periods)
    multiple = Fraction(1)
    for period in periods:
        ratio = Fraction(period / longest).limit_denominator(1_000_000)
        if ratio == 0 or abs(float(ratio) - period / longest) > ROUNDING * period / longest:
            return None
        multiple = Fraction(
            math.lcm(multiple.numerator, ratio.numerator),
            math.gcd(multiple.denominator, ratio.denominator),
        )
        if multiple > most:
            return None
    return longest * float(multiple)


def turning_lengths(balance: Balance, limit: float) -> Array:
    """Lengths up to ``limit`` at which g is likely to be low, sorted: near whole periods."""
    periods = sorted({line.period for line in balance.lines})
    longest = max(periods)
    marks = np.arange(1, LONGEST_PERIODS + 1) * longest
    marks = np.concatenate((longest * np.arange(1, 16) / 16.0, marks, [limit]))
    tries = [np.round(marks / period) * period for period in periods] + [marks]
    common = common_period(periods)
    if common is not None:
        tries.append(np.array([common]))
    every = np.unique(np.concatenate(tries))
    return every[(every > 0.0) & (every <= limit * (1.0 + ROUNDING))]
