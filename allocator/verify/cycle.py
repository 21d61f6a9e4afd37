"""A rate that repeats: piecewise constant over a period, with its integral.

Both a source's on and off (rate 1 or 0) and a demand's profile are such cycles. A demand is
kept with its sign turned, so that one search for the *least* integral over a window serves the
guaranteed on-time of a source and the largest demand alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b

import numpy as np

from allocator.site.clocks import Timing
from allocator.site.records import Profile, Stage
from allocator.verify.march import Array, on_intervals


@dataclass(frozen=True, slots=True, eq=False)
class LengthTable:
    """An integral that is sure, by the length of a window: from ``onset`` s on, each ``period``

    adds ``total``. From ``times[i]`` s on it grows at ``rates[i]`` from ``integrals[i]``;
    ``rises``: where it turns up.
    """

    onset: float
    period: float
    total: float
    times: Array
    rates: Array
    integrals: Array
    rises: Array

    def at(self, lengths: Array) -> Array:
        """The integral that is sure in windows of some lengths."""
        turns = np.floor(np.maximum(lengths - self.onset, 0.0) / self.period)
        rest = lengths - turns * self.period
        node = np.searchsorted(self.times, rest, side="right") - 1
        part = self.integrals[node] + self.rates[node] * (rest - self.times[node])
        return np.asarray(turns * self.total + part)

    def rises_up_to(self, end: float) -> Array:
        """All lengths up to an end at which it turns up."""
        again = self.rises[self.rises > self.onset]
        turns = np.arange(math.floor(end / self.period) + 1) * self.period
        found = np.concatenate((self.rises, (turns[:, None] + again[None, :]).ravel()))
        return found[found <= end]


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """Rate ``rates[i]`` from ``times[i]`` (s, the first is 0) to the next, again each ``period``.

    ``integrals[i]``: integral from 0 to ``times[i]``. ``total``: integral over a period.
    ``drops`` and ``rises``: times at which the rate falls and grows.
    ``lag``: s, the least constant with (least integral over L) >= mean * L - lag.
    ``start``: when it is known to be at its time 0, to within ``error`` s; None: at any phase.
    ``delay``: s by which a window is shorter than it seems, half of it at each end: bursts may be
    shifted by so much. ``table``: what is sure by length, where that is less than the least
    integral of the cycle itself.
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
    delay: float = 0.0
    table: LengthTable | None = None

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

    def integral(self, time: float) -> float:
        """Integral from 0 to a time, s."""
        turns, rest = divmod(time, self.period)
        node = int(np.searchsorted(self.times, rest, side="right")) - 1
        part = float(self.integrals[node] + self.rates[node] * (rest - self.times[node]))
        return turns * self.total + part

    def digest(self) -> bytes:
        """The same for cycles of the same figures, and for no others."""
        start = math.nan if self.start is None else self.start
        figures = [self.period, start, self.error, self.delay, self.lag]
        arrays = [np.array(figures), self.times, self.rates]
        if self.table is not None:
            table = self.table
            figures = [table.onset, table.period, table.total]
            arrays += [np.array(figures), table.times, table.rates, table.integrals, table.rises]
        found = blake2b()
        for array in arrays:
            found.update(np.int64(len(array)).tobytes() + np.ascontiguousarray(array).tobytes())
        return found.digest()


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
    from allocator.verify.varying import table_of

    if timing.merged:
        return _merged_cycle(timing)
    cycle = source_cycle(timing.stages)
    table = table_of(timing.stages, timing.varying) if timing.varying else None
    if cycle.steady:
        return cycle
    slow, delay = 1.0 + timing.drift, 2.0 * timing.jitter
    if timing.drift > 0.0:
        times = _drifted(cycle.times, cycle.rates, cycle.period, slow)
        cycle = cycle_of(float(times[-1]), times[:-1], cycle.rates)
        table = None if table is None else _drifted_table(table, slow)
        delay *= slow
    lag = cycle.lag
    if table is not None:
        lag = float((cycle.mean * table.times - table.integrals).max())
    return replace(
        cycle,
        start=timing.start,
        error=timing.error,
        delay=delay,
        table=table,
        lag=lag + delay * cycle.mean,
    )


def _merged_cycle(timing: Timing) -> Cycle:
    """What is sure of a known cycle whose inner bursts are many: their mean, in shorter windows.

    From the begin of a spell on, bursts are ahead of their mean by no more than ``early`` s of it
    and behind it by no more than ``late`` s. A spell lasts until the mean has come to what the
    bursts in it give. So a window has at least what the mean gives in one that is shorter by
    ``early`` at the begin and by ``late`` at the end. With the mean moved to begin sooner by half
    of the difference, that is half of the sum at each end.
    """
    inner = source_cycle(timing.stages[: timing.merged])
    period, starts, ends = on_intervals(timing.stages[timing.merged :])
    ahead = [inner.integral(t) / inner.mean - t for t in (0.0, *inner.drops, *inner.rises)]
    early, late = max(ahead), -min(ahead)
    spans = [inner.integral(length) / inner.mean for length in (ends - starts).tolist()]
    shift = 0.5 * (early - late)
    begins = starts - shift
    edges = np.concatenate((begins, begins + spans)) % period
    times = np.unique(np.append(edges, 0.0))
    middles = 0.5 * (times + np.append(times[1:], period))
    on = sum((middles - begin) % period < span for begin, span in zip(begins, spans, strict=True))
    cycle = cycle_of(period, times, np.where(on, inner.mean, 0.0))
    delay = 2.0 * timing.jitter + early + late
    return replace(
        cycle,
        start=timing.start,
        error=timing.error,
        delay=delay,
        lag=cycle.lag + delay * cycle.mean,
    )


def _drifted(times: Array, rates: Array, end: float, slow: float) -> Array:
    """Times of changes, and the end, of a clock that is fast while on and slow while it rests."""
    pace = np.where(rates > 0.0, slow, 1.0 / slow)
    return np.concatenate((np.zeros(1), np.cumsum(np.diff(np.append(times, end)) / pace)))


def _drifted_table(table: LengthTable, slow: float) -> LengthTable:
    end = table.onset + table.period
    times = _drifted(table.times, table.rates, end, slow)
    marks = np.append(table.times, end)
    lengths = np.diff(times)
    integrals = np.concatenate((np.zeros(1), np.cumsum(lengths * table.rates)))

    def moved(at: Array) -> Array:
        return np.asarray(times[np.searchsorted(marks, at)])

    onset = float(moved(np.array([table.onset]))[0])
    return LengthTable(
        onset,
        float(times[-1]) - onset,
        float(integrals[-1] - np.interp(onset, times, integrals)),
        times[:-1],
        table.rates,
        integrals[:-1],
        moved(table.rises),
    )


def demand_cycle(profile: Profile) -> Cycle:
    """A demand's profile with its sign turned: its least integral is the largest demand."""
    times = np.asarray(profile.starts, dtype=np.float64)
    return cycle_of(profile.period, times, -np.asarray(profile.levels, dtype=np.float64))
