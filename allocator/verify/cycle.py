"""A rate that repeats: piecewise constant over a period, with its integral.

Both a source's on and off (rate 1 or 0) and a demand's profile are such cycles. A demand is
kept with its sign turned, so that one search for the *least* integral over a window serves the
guaranteed on-time of a source and the largest demand alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from allocator.site.clocks import Timing
from allocator.site.records import Profile, Stage
from allocator.verify.march import Array, on_intervals


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """Rate ``rates[i]`` from ``times[i]`` (s, the first is 0) to the next, again each ``period``.

    ``integrals[i]``: integral from 0 to ``times[i]``. ``total``: integral over a period.
    ``drops`` and ``rises``: times at which the rate falls and grows.
    ``lag``: s, the least constant with (least integral over L) >= mean * L - lag.
    ``start``: when it is known to be at its time 0, to within ``error`` s; None: at any phase.
    """

    period: float
    times: Array
    rates: Array
    integrals: Array
    total: float
    drops: Array
    rises: Array
    lag: float
    start: float | None = None
    error: float = 0.0

    @property
    def mean(self) -> float:
        """Mean rate."""
        return self.total / self.period

    @property
    def least(self) -> float:
        """Lowest rate."""
        return float(self.rates.min())

    @property
    def most(self) -> float:
        """Highest rate."""
        return float(self.rates.max())

    @property
    def steady(self) -> bool:
        """True when the rate never changes."""
        return len(self.drops) == 0


def cycle_of(period: float, times: Array, rates: Array) -> Cycle:
    """A cycle from breakpoints (the first at 0, rising) and the rate from each to the next."""
    lengths = np.diff(np.append(times, period))
    keep = lengths > 0
    times, rates = times[keep], rates[keep]
    changed = np.append(True, rates[1:] != rates[:-1])
    times, rates = times[changed], rates[changed]
    lengths = np.diff(np.append(times, period)).astype(np.longdouble)
    # Ten thousands of terms are added: in long numbers, so that the sum is right to the last bit.
    sums = np.concatenate((np.zeros(1, np.longdouble), np.cumsum(lengths * rates)))
    total = float(sums[-1])
    before = np.roll(rates, 1)
    above = (sums[:-1] - times * (sums[-1] / period)).astype(np.float64)
    return Cycle(
        period=float(period),
        times=times,
        rates=rates,
        integrals=sums[:-1].astype(np.float64),
        total=total,
        drops=times[rates < before],
        rises=times[rates > before],
        # The integral less its mean repeats, so its largest fall is its highest to its lowest.
        lag=float(above.max() - above.min()),
    )


def source_cycle(stages: Sequence[Stage]) -> Cycle:
    """A source's on (1) and off (0); no stages: always on.

    Raises:
        TooManyIntervalsError: too many on-intervals to march.
    """
    if not stages:
        return cycle_of(1.0, np.zeros(1), np.ones(1))
    period, starts, ends = on_intervals(stages)
    times = np.column_stack((starts, ends)).ravel()
    rates = np.tile((1.0, 0.0), len(starts))
    return cycle_of(period, times, rates)


def sure_cycle(timing: Timing) -> Cycle:
    """What is sure of a source: its cycle as its clock may turn it at worst, where it is known.

    A clock that drifts may run fast whenever the source is on, and slow whenever it rests.
    """
    cycle = source_cycle(timing.stages)
    if timing.drift > 0.0 and not cycle.steady:
        pace = np.where(cycle.rates > 0.0, 1.0 + timing.drift, 1.0 / (1.0 + timing.drift))
        lengths = np.diff(np.append(cycle.times, cycle.period)) / pace
        times = np.concatenate((np.zeros(1), np.cumsum(lengths)))
        return cycle_of(float(times[-1]), times[:-1], cycle.rates)
    return replace(cycle, start=timing.start, error=timing.error)


def demand_cycle(profile: Profile) -> Cycle:
    """A demand's profile with its sign turned: its least integral is the largest demand."""
    times = np.asarray(profile.starts, dtype=np.float64)
    return cycle_of(profile.period, times, -np.asarray(profile.levels, dtype=np.float64))
