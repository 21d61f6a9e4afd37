"""One stage of a duty cycle out of its bursts: on-time, period, and how far they keep to them.

A turn lies anywhere between the rows around it. Where these distances explain all departures from
even times, starts and ends are fitted by weighted least squares: burst number k of a spell starts
at a + k P and ends at a + k P + on, and the error of a turn is as wide as its rows are apart.
Intervals are then quantiles of fits to turns drawn anew between their rows (the parametric
bootstrap; Efron & Tibshirani, An Introduction to the Bootstrap, 1993, ch. 6). Else on-times and
distances of starts, or departures from even times, are resampled (ch. 5 there).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from allocator.intake.change_rows import Floats, Marks
from allocator.intake.turns import Bursts

Ints = npt.NDArray[np.int64]

DRAWS = 1000
"""Samples of a bootstrap."""
MANY = 2000
"""Values of which no sample is drawn: their sum is normal enough."""
RARE = 0.02
"""Share of turns that may lie outside the distance of rows, by readings that are wrong."""
ALIKE = 0.2
"""Share of the usual on-time: bursts that differ by more are broken ones, if they are rare."""
MOSTLY = 2 / 3
"""Share of on-times that agree within the distance of rows, above which theirs is the likeliest."""
IN_STEP = 0.4
"""Spread of turns, as a share of what rows explain, below which cycle and rows are in step."""
LOOSE = 0.25
"""Spread of the time between starts, as a share of it, above which there is no period."""
STEPS_ALIKE = -0.25
"""Correlation of one distance between starts with the next: -1/2 if bursts come early or late

by themselves (jitter), 0 if each begins its own wait (durations that vary)."""
WANDERING = 0.5
"""Correlation of one departure from even times with the next, above which they add up."""
TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its 95 % interval, SI."""

    value: float
    low: float
    high: float


Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class FittedStage:
    """A stage of the cycle, s. ``periods``: how many were seen.

    ``on_range``, ``every_range``: least and most, where a duration differs from time to time by
    more than the rows are apart. ``jitter``: most that a start was early or late; 0 where the rows
    explain it. ``drift``: share by which the period left its mean. ``loose``: standard deviation of
    the time between starts, as a share. ``last``: the start before the end of the record, by the
    fitted line.
    """

    on: Estimate
    every: Estimate
    on_range: Range | None
    every_range: Range | None
    jitter: float
    drift: float
    loose: float
    periods: float
    last: Estimate


NAN = Estimate(math.nan, math.nan, math.nan)


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """Turns on lines with a slope in common: time, number, spell, width of the error."""

    time: Floats
    number: Floats
    spell: Ints
    width: Floats

    @property
    def reach(self) -> Floats:
        """How far a turn may seem to be off: half its width, and the error of the line."""
        return np.asarray(self.width / 2 + np.median(self.width))

    @property
    def weight(self) -> Floats:
        """1 / variance, but no turn counts for very much more than others."""
        floor = 0.3 * float(np.median(self.width))
        return np.asarray(1.0 / (self.width**2 + floor**2 + TINY**2))


def fit_stage(bursts: Bursts, cut: float, rng: np.random.Generator) -> FittedStage:
    """On-time and period of one stage, of bursts within spells that the cut parts."""
    spell = np.concatenate([[0], np.cumsum(bursts.wait[:-1] > cut)]).astype(np.int64)
    known = np.flatnonzero(bursts.start_known)
    starts, group = bursts.start[known], spell[known]
    near = (np.diff(group) == 0) & (np.diff(known) == 1) & ~bursts.broken[known[:-1]]
    steps = np.diff(starts)[near]
    on, on_range, whole = _on_times(bursts, cut, rng)
    if not len(steps):
        return FittedStage(on, NAN, on_range, None, math.nan, 0.0, math.nan, 0.0, NAN)
    period = float(np.median(steps))
    for _ in range(3):
        numbers = _numbered(starts, group, period)
        line = _Line(starts, numbers, group, bursts.start_width[known])
        period = float(_slope_weights(line) @ starts)
    seen = float(numbers[np.append(np.diff(group) != 0, True)].sum())
    counts = steps / period
    loose = float(np.std(counts - np.maximum(np.rint(counts), 1.0)))
    rest = _residuals(line, period)
    if _rare(np.abs(rest) > line.reach + 1e-6 * period):
        taken = np.isin(known, np.flatnonzero(whole if on_range is None else []))
        ends = _Line(bursts.end[known][taken], numbers[taken], group[taken],
                     bursts.end_width[known][taken])  # fmt: skip
        joint, every, last = _joint(line, ends, rng)
        if _in_step(rest, line.width):  # turns fall at the same place between their rows
            half = float(np.median(line.width)) / 2
            joint = _around(joint, 2 * half)
            every = _around(every, 2 * half / max(float(line.number.max()), 1.0))
            last = _around(last, half)
        on = joint if on_range is None else on
        return FittedStage(on, every, on_range, None, 0.0, 0.0, loose, seen, last)
    return _uneven(line, steps, (on, on_range), (loose, seen), rng)


def _in_step(rest: Floats, width: Floats) -> bool:
    """Whether departures are less than turns anywhere between their rows would have.

    The cycle is then a multiple of the distance of rows, and their error is always the same.
    """
    return float(np.std(rest)) < IN_STEP * math.sqrt(float(np.mean(width**2)) / 12)


def _around(estimate: Estimate, half: float) -> Estimate:
    """The estimate with an interval of at least ``half`` either way."""
    low, high = estimate.value - half, estimate.value + half
    return replace(estimate, low=min(estimate.low, low), high=max(estimate.high, high))


def _rare(outside: Marks) -> bool:
    """Whether departures are so few that single wrong readings explain them."""
    return int(outside.sum()) <= RARE * len(outside)


def _on_times(
    bursts: Bursts, cut: float, rng: np.random.Generator
) -> tuple[Estimate, Range | None, Marks]:
    """On-time, its range where it varies, and the bursts that count.

    The last burst of a spell may be cut short by the end of the outer stage.
    """
    whole = bursts.start_known & bursts.end_known & (bursts.wait <= cut)
    if not whole.any():
        return NAN, None, whole
    times_on = bursts.end - bursts.start
    width = np.hypot(bursts.start_width, bursts.end_width)
    usual = float(np.median(times_on[whole]))
    alike = np.abs(times_on - usual) <= ALIKE * usual + width
    if (whole & ~alike).sum() <= max(RARE * whole.sum(), 1.0) and (whole & alike).sum() > 3:
        whole &= alike
    values, error = times_on[whole], width[whole]
    weight = 1.0 / (error**2 + (0.3 * np.median(error)) ** 2 + TINY**2)
    middle = float(weight @ values / weight.sum())
    widths = (bursts.start_width + bursts.end_width)[whole]
    limit = widths / 2 + np.median(widths) + 1e-6 * usual
    if _rare(np.abs(values - middle) > limit):
        weight = weight / weight.sum()
        drawn = middle + _sums(weight, values - middle, rng)
        found = _estimate(middle, drawn, 1.0 / float((weight**2).sum()) - 1)
        if _in_step(values - middle, error):
            found = _around(found, float(np.median(widths)) / 2)
        return found, None, whole
    span = float(values.min()), float(values.max())
    near = np.abs(values - np.median(values)) <= limit
    if near.mean() >= MOSTLY:  # the others are told as the range
        values = values[near]
    value = float(np.mean(values))
    drawn = value + _sums(np.full(len(values), 1 / len(values)), values - value, rng)
    return _estimate(value, drawn, len(values) - 1), span, whole


def _joint(
    starts: _Line, ends: _Line, rng: np.random.Generator
) -> tuple[Estimate, Estimate, Estimate]:
    """On-time, period and the last start of an exact cycle, by both lines."""
    first = int(starts.spell.max()) + 1 if len(starts.spell) else 0
    both = _Line(
        np.append(starts.time, ends.time),
        np.append(starts.number, ends.number),
        np.append(starts.spell, ends.spell + first),
        np.append(starts.width, ends.width),
    )
    slope = _slope_weights(both)
    share, index, middle = _means(both)
    every = _drawn(slope, both, rng)
    of_last = (index == index[len(starts.time) - 1]) * share
    ahead = starts.number[-1] - middle[index[len(starts.time) - 1]]
    last = _drawn(of_last + ahead * slope, both, rng)
    if not len(ends.time):
        return NAN, every, last
    # spells that have starts and ends; of each the two means, weighted by what they are worth
    names, spell_of = np.unique(np.append(starts.spell, ends.spell), return_inverse=True)
    variance = np.bincount(index, share**2 * both.width**2)
    start_line, end_line = np.full(len(names), -1), np.full(len(names), -1)
    start_line[spell_of[: len(starts.time)]] = index[: len(starts.time)]
    end_line[spell_of[len(starts.time) :]] = index[len(starts.time) :]
    pairs = (start_line >= 0) & (end_line >= 0)
    start_line, end_line = start_line[pairs], end_line[pairs]
    worth = 1.0 / (variance[start_line] + variance[end_line] + TINY**2)
    worth /= worth.sum()
    of_line = np.zeros(len(middle))
    np.add.at(of_line, start_line, -worth)
    np.add.at(of_line, end_line, worth)
    lag = float((worth * (middle[end_line] - middle[start_line])).sum())
    return _drawn(of_line[index] * share - lag * slope, both, rng), every, last


def _drawn(weights: Floats, line: _Line, rng: np.random.Generator) -> Estimate:
    """A weighted sum of turns, and its quantiles when each lies anywhere between its rows."""
    base = float(line.time[0])
    value = float(weights @ (line.time - base)) + base * round(float(weights.sum()))
    size = np.abs(weights) * line.width
    used = size > 0
    if used.sum() > MANY:
        errors = rng.normal(0.0, math.sqrt(float((size**2).sum()) / 12), DRAWS)
    else:
        errors = rng.uniform(-0.5, 0.5, (DRAWS, int(used.sum()))) @ size[used]
    half = float(np.quantile(np.abs(errors), 0.95)) if used.any() else 0.0
    return Estimate(value, value - half, value + half)


def _uneven(
    line: _Line,
    steps: Floats,
    on_time: tuple[Estimate, Range | None],
    seen: tuple[float, float],
    rng: np.random.Generator,
) -> FittedStage:
    """A stage of which starts leave even times by more than the rows explain.

    In this order: the clock drifts; bursts come early or late; periods differ from time to time.
    """
    on, on_range = on_time
    slope = _slope_weights(line)
    period = float(slope @ line.time)
    rest = _residuals(line, period)
    free = max(len(rest) - 1 - len(np.unique(line.spell)), 1)
    single = len(np.unique(line.spell)) == 1
    if single and len(rest) >= 8:
        bow = np.polyfit(line.number, rest, 2)
        bent = rest - np.polyval(bow, line.number)
        even = _rare(np.abs(bent) > line.reach + 1e-6 * period)
        if np.std(rest) > 2 * np.std(bent) and (even or _each_by_itself(bent, line)):
            drift = abs(float(bow[0])) * float(line.number[-1]) / period
            jitter = 0.0 if even else float(np.abs(bent).max())
            every = _estimate(period, period + _sums(slope, bent, rng), free - 1)
            last = _last(line, period, float(rest[-1] - bent[-1]), float(np.std(bent)))
            return FittedStage(on, every, on_range, None, jitter, drift, *seen, last)
    if _each_by_itself(rest, line):
        scale = math.sqrt(len(rest) / free)
        every = _estimate(period, period + _sums(slope, scale * rest, rng), free)
        last = _last(line, period, 0.0, float(np.std(rest)) / math.sqrt(len(rest)) * 2)
        jitter = float(np.abs(rest).max())
        return FittedStage(on, every, on_range, None, jitter, 0.0, *seen, last)
    middle = float(np.mean(steps))
    drawn = middle + _sums(np.full(len(steps), 1 / len(steps)), steps - middle, rng)
    every = _estimate(middle, drawn, len(steps) - 1)
    span = float(steps.min()), float(steps.max())
    start = float(line.time[-1])
    return FittedStage(on, every, on_range, span, 0.0, 0.0, *seen, Estimate(start, start, start))


def _last(line: _Line, period: float, bend: float, error: float) -> Estimate:
    """The last start by the line of its spell, give or take two standard errors."""
    value = float(line.time[-1] - _residuals(line, period)[-1]) + bend
    return Estimate(value, value - 2 * error, value + 2 * error)


def _each_by_itself(rest: Floats, line: _Line) -> bool:
    """Whether bursts come early or late each by itself, so that departures do not add up.

    Waits that are short and long by turns are not enough: departures may wander all the same, and
    the next ones then follow them.
    """
    alike = (np.diff(line.spell) == 0) & (np.diff(line.number) == 1)
    steps = _correlation(np.diff(rest), alike[:-1] & alike[1:], float(np.diff(rest)[alike].mean()))
    return steps < STEPS_ALIKE and _correlation(rest, alike, 0.0) < WANDERING


def _correlation(values: Floats, pairs: Marks, middle: float) -> float:
    """Of each value with the next one, where they are a pair; -1/2 where too few are."""
    if pairs.sum() < 3:
        return -0.5
    first, second = values[:-1][pairs] - middle, values[1:][pairs] - middle
    spread = math.sqrt(float((first**2).mean() * (second**2).mean()))
    return float((first * second).mean()) / spread if spread else -0.5


def _numbered(starts: Floats, group: Ints, period: float) -> Floats:
    """The number of each start within its group, over gaps too."""
    steps = np.append(0.0, np.rint(np.diff(starts) / period))
    begins = np.append(True, np.diff(group) != 0)
    steps[begins] = 0.0
    total = np.cumsum(np.maximum(steps, 0.0))
    return np.asarray(total - total[begins][np.cumsum(begins) - 1], dtype=float)


def _means(line: _Line) -> tuple[Floats, Ints, Floats]:
    """Share of each turn in the mean of its line; the line's index; mean number of each line."""
    _, index = np.unique(line.spell, return_inverse=True)
    weight = line.weight
    share = weight / np.bincount(index, weight)[index]
    return share, index, np.asarray(np.bincount(index, share * line.number))


def _slope_weights(line: _Line) -> Floats:
    """The weighted least squares slope as weights of the times."""
    _, index, middle = _means(line)
    away = line.weight * (line.number - middle[index])
    return np.asarray(away / float(away @ (line.number - middle[index])))


def _residuals(line: _Line, period: float) -> Floats:
    share, index, middle = _means(line)
    mean = np.bincount(index, share * (line.time - line.time[0]))
    return np.asarray(
        line.time - line.time[0] - mean[index] - period * (line.number - middle[index])
    )


def _sums(weights: Floats, rest: Floats, rng: np.random.Generator) -> Floats:
    """Errors of a weighted sum, with residuals of either sign (the wild bootstrap, Wu 1986)."""
    each = weights * rest
    if len(each) > MANY:
        return rng.normal(0.0, math.sqrt(float((each**2).sum())), DRAWS)
    return np.asarray(rng.choice((-1.0, 1.0), (DRAWS, len(each))) @ each)


def _estimate(value: float, drawn: Floats, free: float) -> Estimate:
    """Student's interval with the spread of the draws and ``free`` degrees of freedom.

    Its quantile by the first term of Cornish and Fisher (1937).
    """
    half = 1.96 * (1 + 1.21 / max(free, 1.0)) * float(np.std(drawn))
    return Estimate(value, value - half, value + half)
