"""A log -> the nested duty cycle that explains it, with intervals; or that there is none.

Steps: a threshold between the two classes of flow (Otsu 1979); turns on and off half way between
rows; bursts grouped into spells where the waits between them fall into two classes; the period of
a stage as the slope of its start times over their numbers, so that gaps do no harm; intervals by
resampling groups of events (the bootstrap of Efron 1979) with an explicit seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from allocator.cycles import pattern_of
from allocator.intake.logs import Floats, Log
from allocator.site.records import Stage

DRAWS = 400
"""Samples of the bootstrap."""
LEVELS = 3
FEWEST = 3
"""Periods of the outermost stage that a fit needs."""
ENOUGH = 10
"""Periods that are advised."""
APART = 1.8
"""Ratio of waits that tells two classes apart."""
LOOSE = 0.25
"""Spread of the time between starts, as a share of it, above which there is no period."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its 95 % interval, SI."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FittedStage:
    """A stage of the cycle. ``jitter``: standard deviation of its starts from even times, s.

    ``drift``: change of the period for each period, s; ``periods``: how many were seen.
    """

    on: Estimate
    every: Estimate
    jitter: float
    drift: float
    periods: float


@dataclass(frozen=True, slots=True)
class CycleFit:
    """What a log shows. No ``stages`` with ``steady``: always on.

    ``flow``: while on; ``spread``: its 2.5 and 97.5 % quantiles. ``phase``: time from the end of
    the log to the next start of the outermost stage. ``doubt``: why there is no cycle, or "".
    ``watch``: s of record that are missing for ten periods.
    """

    flow: Estimate
    spread: tuple[float, float]
    stages: tuple[FittedStage, ...]
    duty: float
    mean: float
    phase: float
    steady: bool = False
    doubt: str = ""
    watch: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Events:
    """Times on. ``known``: start and end lie within the record, not in a gap.

    ``wait``: time off after each, as far as it was seen; ``broken``: a gap follows or lies within.
    ``before`` and ``after``: time off around each that was seen without a gap.
    """

    start: Floats
    end: Floats
    start_known: npt.NDArray[np.bool_]
    end_known: npt.NDArray[np.bool_]
    wait: Floats
    broken: npt.NDArray[np.bool_]
    before: Floats
    after: Floats


def fit_cycle(log: Log, seed: int = 0) -> CycleFit:
    """The nested cycle of a log.

    Parameters
    ----------
    log
        Of :func:`~allocator.intake.logs.read_log`.
    seed
        Of the bootstrap.

    Returns
    -------
    CycleFit
        With ``doubt`` where the record is too short or not periodic.
    """
    rng = np.random.default_rng(seed)
    limit = 0.5 if log.marks else _threshold(log.flows)
    low, high = np.quantile(log.flows, (0.001, 0.999))
    always = low > 0.5 * high
    on = (log.flows > limit) | always
    level = log.flows[on]
    spread = (float(np.quantile(level, 0.025)), float(np.quantile(level, 0.975)))
    middle = float(np.mean(level))
    error = 1.96 * float(np.std(level)) / math.sqrt(len(level))
    flow = Estimate(middle, middle - error, middle + error)
    weights = np.where(log.gaps, 0.0, np.diff(log.times))
    mean = float((weights * log.flows[:-1]).sum() / weights.sum())
    if always or on.all():
        return CycleFit(flow, spread, (), 1.0, mean, 0.0, steady=True)
    events = _events(log, on)
    stages: list[FittedStage] = []
    ends: _Events = events
    for _ in range(LEVELS):
        seen = events.after[:-1] + events.before[1:] > 0.8 * events.wait[:-1]
        clear = seen | ~events.broken[:-1]
        cut = _cut(events.wait[:-1][clear], events.broken[:-1][clear])
        stages.append(_stage(events, cut, rng))
        ends = events
        if not math.isfinite(cut):
            break
        events = _spells(events, cut)
    return _judged(CycleFit(flow, spread, tuple(stages), 0.0, mean, 0.0), log, ends)


def _threshold(flows: Floats) -> float:
    """Between the two classes of a histogram with the least variance within (Otsu 1979)."""
    counts, edges = np.histogram(flows, 256)
    share = np.cumsum(counts) / len(flows)
    sums = np.cumsum(counts * (edges[:-1] + edges[1:]) / 2) / len(flows)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (sums[-1] * share - sums) ** 2 / (share * (1 - share))
    between = np.nan_to_num(between, nan=0.0, posinf=0.0)
    best = np.flatnonzero(between >= between.max() * (1 - 1e-12))
    return float((edges[best[0] + 1] + edges[best[-1] + 1]) / 2)


def _events(log: Log, on: npt.NDArray[np.bool_]) -> _Events:
    """Times on between rows; what a gap touches is marked."""
    times, gaps = log.times, log.gaps
    up = np.flatnonzero(~on[:-1] & on[1:])
    down = np.flatnonzero(on[:-1] & ~on[1:])
    turn = (times[:-1] + times[1:]) / 2
    start, start_known = turn[up], ~gaps[up]
    end, end_known = turn[down], ~gaps[down]
    if on[0]:
        start, start_known = np.append(times[0], start), np.append(False, start_known)
    if on[-1]:
        end, end_known = np.append(end, times[-1]), np.append(end_known, False)
    in_gap = np.concatenate([[0], np.cumsum(gaps)])  # gaps before each row
    first = np.searchsorted(times, start)
    last = np.searchsorted(times, end) - 1
    within = in_gap[np.maximum(last, first)] > in_gap[first]
    following = np.append(start[1:], times[-1])
    behind = np.append(first[1:], len(times)) - 1
    gap_after = in_gap[behind] > in_gap[np.minimum(last + 1, len(times) - 1)]
    last_one = np.zeros(len(start), dtype=bool)
    last_one[-1] = True
    broken = within | gap_after | ~end_known | last_one
    broken[:-1] |= ~start_known[1:]
    gap_ends = np.append(times[:1], times[1:][gaps])
    gap_begins = np.append(times[:-1][gaps], times[-1:])
    clear = gap_ends[np.searchsorted(gap_ends, start, side="right") - 1]
    hidden = gap_begins[np.minimum(np.searchsorted(gap_begins, end), len(gap_begins) - 1)]
    before = start - np.maximum(np.append(times[0], end[:-1]), clear)
    after = np.minimum(following, hidden) - end
    known = (start_known & ~within, end_known & ~within)
    return _Events(start, end, *known, following - end, broken, before, after)


def _cut(waits: Floats, broken: npt.NDArray[np.bool_]) -> float:
    """The wait that parts the short from the long; infinite where they are of one class."""
    order = np.argsort(waits, kind="stable")
    waits, broken = waits[order], broken[order]
    if len(waits) < 4:
        return math.inf
    middle = len(waits) // 2  # most waits are within spells
    ratios = waits[middle:] / waits[middle - 1 : -1]
    place = middle - 1 + int(np.argmax(ratios))
    below, above = waits[: place + 1], waits[place + 1 :]
    if above[0] / below[-1] < APART or above[0] < APART * np.median(below):
        return math.inf
    if broken[place + 1 :].all() and len(above) < 3:
        return math.inf  # a gap that hides a burst looks like one long wait
    return float(math.sqrt(below[-1] * above[0]))


def _spells(events: _Events, cut: float) -> _Events:
    """Bursts that follow each other within the cut, as one event each."""
    seen = (events.after[:-1] > cut) | (events.before[1:] > cut)
    # a gap within a spell looks like a wait; it parts spells only if it is long by itself
    breaks = np.flatnonzero((events.wait[:-1] > cut) & (seen | (events.wait[:-1] > 3 * cut)))
    first, last = np.append(0, breaks + 1), np.append(breaks, len(events.start) - 1)
    opened, closed = events.before[first] > cut, events.after[last] > cut
    return _Events(
        events.start[first],
        events.end[last],
        events.start_known[first] & opened,
        events.end_known[last] & closed,
        np.append(events.start[first[1:]] - events.end[last[:-1]], events.wait[-1]),
        ~closed | ~np.append(opened[1:], False),
        events.before[first],
        events.after[last],
    )


def _stage(events: _Events, cut: float, rng: np.random.Generator) -> FittedStage:
    """On-time and period of one stage, of bursts within spells that the cut parts."""
    # the last burst of a spell may be cut short
    whole = events.start_known & events.end_known & (events.wait <= cut)
    times_on = (events.end - events.start)[whole]
    usual = float(np.median(times_on)) if len(times_on) else math.nan
    alike = times_on[np.abs(times_on - usual) <= 0.2 * usual]
    on = _resampled(alike, rng)
    spell = np.concatenate([[0], np.cumsum(events.wait[:-1] > cut)])
    known = np.flatnonzero(events.start_known)
    starts, group = events.start[known], spell[known]
    near = (np.diff(group) == 0) & (np.diff(known) == 1) & ~events.broken[known[:-1]]
    steps = np.diff(starts)[near]
    if not len(steps):
        nan = Estimate(math.nan, math.nan, math.nan)
        return FittedStage(on, nan, math.nan, 0.0, 0.0)
    period = float(np.median(steps))
    for _ in range(3):
        numbers = _numbered(starts, group, period)
        period = _slope(starts, group, numbers)
    rest = _residuals(starts, group, numbers, period)
    drift = _drift(starts, group, numbers, period)
    spacing = np.diff(starts)[np.diff(group) == 0] / period
    loose = float(np.std(spacing - np.maximum(np.rint(spacing), 1.0))) if len(spacing) else 0.0
    jitter = float(np.std(rest)) if len(rest) > 2 else 0.0
    drawn = _period_draws(starts, group, numbers, rng)
    every = Estimate(period, *_interval(drawn, period, len(starts) - 2))
    seen = float(numbers[np.append(np.diff(group) != 0, True)].sum())
    return FittedStage(
        on, every, max(jitter, loose * period if loose > LOOSE else 0.0), drift, seen
    )


def _numbered(starts: Floats, group: npt.NDArray[np.int64], period: float) -> Floats:
    """The number of each start within its group, over gaps too."""
    steps = np.append(0.0, np.rint(np.diff(starts) / period))
    steps[1:][np.diff(group) != 0] = 0.0
    total = np.cumsum(np.maximum(steps, 0.0))
    begins = np.append(True, np.diff(group) != 0)
    return np.asarray(total - total[begins][np.cumsum(begins) - 1], dtype=float)


def _sums(
    starts: Floats, group: npt.NDArray[np.int64], numbers: Floats
) -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    """Start times and numbers from their mean in each group, and the group's index."""
    _, index = np.unique(group, return_inverse=True)
    count = np.bincount(index)
    times = starts - (np.bincount(index, starts) / count)[index]
    return times, numbers - (np.bincount(index, numbers) / count)[index], index


def _slope(starts: Floats, group: npt.NDArray[np.int64], numbers: Floats) -> float:
    times, places, _ = _sums(starts, group, numbers)
    return float((times * places).sum() / (places**2).sum())


def _residuals(
    starts: Floats, group: npt.NDArray[np.int64], numbers: Floats, period: float
) -> Floats:
    times, places, _ = _sums(starts, group, numbers)
    return times - period * places


def _drift(starts: Floats, group: npt.NDArray[np.int64], numbers: Floats, period: float) -> float:
    """Twice the coefficient of the square of the number: change of the period a period, s."""
    rest = _residuals(starts, group, numbers, period)
    if len(rest) < 6 or len(np.unique(group)) > 1:
        return 0.0
    return float(2 * np.polyfit(numbers, rest, 2)[0])


def _period_draws(
    starts: Floats, group: npt.NDArray[np.int64], numbers: Floats, rng: np.random.Generator
) -> Floats:
    """Slopes of resampled data: whole groups where there are many, else residuals."""
    times, places, index = _sums(starts, group, numbers)
    slope = (times * places).sum() / (places**2).sum()
    rest = times - slope * places
    free = max(len(rest) - 1 - len(np.unique(index)), 1)
    rest = rest * math.sqrt(len(rest) / free)
    # of a linear estimate only the weighted sum of the residuals drawn is needed
    weights = places / (places**2).sum()
    used = np.flatnonzero(weights)
    if len(used) > 5000:  # the central limit: its spread is that of the sum
        return np.asarray(
            slope + rng.normal(0.0, np.std(rest) * math.sqrt((weights**2).sum()), DRAWS)
        )
    picked = rng.choice(rest, (DRAWS, len(used)))
    return np.asarray(slope + picked @ weights[used])


def _resampled(values: Floats, rng: np.random.Generator) -> Estimate:
    if not len(values):
        return Estimate(math.nan, math.nan, math.nan)
    mean = float(np.mean(values))
    if len(values) > 5000:
        drawn = rng.normal(mean, np.std(values) / math.sqrt(len(values)), DRAWS)
    else:
        factor = math.sqrt(len(values) / max(len(values) - 1, 1))
        drawn = mean + factor * (rng.choice(values, (DRAWS, len(values))).mean(axis=1) - mean)
    return Estimate(mean, *_interval(drawn, mean, len(values) - 1))


def _interval(drawn: Floats, value: float, free: int) -> tuple[float, float]:
    """Student's interval with the spread of the draws and ``free`` degrees of freedom.

    Its quantile by the first term of Cornish and Fisher (1937).
    """
    half = 1.96 * (1 + 1.21 / max(free, 1)) * float(np.std(drawn))
    return value - half, value + half


def _judged(fit: CycleFit, log: Log, events: _Events) -> CycleFit:
    """The fit with its duty, phase and doubts."""
    length = float(log.times[-1])
    duty = fit.mean / fit.flow.value
    outer = fit.stages[-1]
    period = outer.every.value
    seen = outer.periods if math.isfinite(period) else 0.0
    if not math.isfinite(period) or seen < FEWEST:
        period = period if math.isfinite(period) else length
        periods = length / period
        watch = max(ENOUGH * period - length, period)
        doubt = f"{periods:.1f} periods of the outermost stage seen"
        return replace(fit, duty=duty, doubt=doubt, watch=watch)
    known = all(math.isfinite(s.on.value) and s.every.value > 0 for s in fit.stages)
    if not known or not outer.jitter <= LOOSE * period:
        return replace(fit, duty=duty, doubt="not periodic")
    stages = [Stage(min(s.on.value, s.every.value), s.every.value) for s in fit.stages]
    duty = pattern_of(stages).duty
    last = float(events.start[events.start_known][-1])
    phase = period - (length - last) % period
    return replace(fit, duty=duty, mean=duty * fit.flow.value, phase=phase)
