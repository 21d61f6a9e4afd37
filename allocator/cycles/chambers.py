"""A chamber between a source and its pump: what may be drawn out of it through pauses, exactly.

The source fills the chamber at its flow while it is on; the pump draws at the sum of some rates,
each of them on throughout the on-time of one of the source's stages. All of these run on one
clock, so one period of the outermost stage says everything: a chamber that is full at first
never falls below its least pressure if and only if, for all times t <= u,

    held + integral from t to u of (flow on_0 - sum_i r_i on_i)  >=  0

with on_0 of the source itself. Over a whole period the integral must not be negative; then no
window longer than a period is worse than one within it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from allocator.cycles.lines import Array, frozen
from allocator.cycles.patterns import Pattern, pattern_of
from allocator.site.records import Stage

Stages = tuple[Stage, ...]
ROUNDING = 1e-12
"""Of what comes in a period: less than what makes a window count."""


@dataclass(frozen=True, slots=True, eq=False)
class OnTimes:
    """``times``: s, all changes of two periods. ``since[i]``: on-time of pattern i up to each."""

    times: Array
    since: Array


@dataclass(frozen=True, slots=True)
class Drawdown:
    """The window in which a chamber gives most beyond what it gets.

    ``amount``: kg; ``length``: s; ``on``: s that each pattern is on in it.
    """

    amount: float
    length: float
    on: tuple[float, ...]


@lru_cache(maxsize=256)
def on_times(patterns: tuple[Stages, ...]) -> OnTimes:
    """On-times of patterns on one clock; the first is the source's, and has the longest period.

    Raises ValueError as :func:`allocator.cycles.patterns.pattern_of` does.
    """
    found = [pattern_of(stages) for stages in patterns]
    period = found[0].period
    edges = [np.array([0.0, period])]
    edges += [np.concatenate((p.starts, p.ends)) for p in found if not p.steady]
    once = np.unique(np.concatenate(edges))
    times = np.concatenate((once, period + once[1:]))
    since = np.array([_twice(pattern, once) for pattern in found])
    return OnTimes(frozen(times), frozen(since))


def _twice(pattern: Pattern, once: Array) -> Array:
    """On-time from 0 to some times of a period, and of the next one."""
    if pattern.steady:
        first = once
    else:
        lengths = np.cumsum(pattern.ends - pattern.starts)
        at = np.stack((pattern.starts, pattern.ends), axis=1).ravel()
        done = np.stack((np.concatenate(([0.0], lengths[:-1])), lengths), axis=1).ravel()
        first = np.interp(once, at, done, left=0.0)
    return np.concatenate((first, first[-1] + first[1:]))


def worst_drawdown(on: OnTimes, flow: float, rates: Sequence[float]) -> Drawdown:
    """The worst window of a chamber fed at ``flow`` kg/s and drawn on at ``rates``, one a pattern.

    The long run must balance, as the module says.
    """
    level = flow * on.since[0] - np.asarray(rates) @ on.since
    fallen = np.maximum.accumulate(level) - level
    end = int(np.argmax(fallen))
    start = int(np.argmax(level[: end + 1]))
    span = on.since[:, end] - on.since[:, start]
    length = float(on.times[end] - on.times[start])
    return Drawdown(float(fallen[end]), length, tuple(float(seconds) for seconds in span))


def pumped(stages: Sequence[Stage], flow: float, rate: float, held: float) -> float:
    """Most mean kg/s that any control of a pump of a rate moves out of a chamber.

    ``flow``: kg/s into it while on; ``held``: kg. A pump that runs whenever there is gas moves the
    most. A period raises or lowers the level within two ends, so from an empty chamber, or else
    from a full one, one period leads to the settled level.
    """
    pattern = pattern_of(stages)
    if pattern.steady or flow <= rate:
        return min(flow * pattern.duty, rate)
    following = np.append(pattern.starts[1:], pattern.starts[0] + pattern.period)
    gains = ((flow - rate) * (pattern.ends - pattern.starts)).tolist()
    falls = (rate * (following - pattern.ends)).tolist()
    level, missed = 0.0, 0.0
    for begin in (0.0, held):
        level = _marched(gains, falls, held, begin)[0]
        after, missed = _marched(gains, falls, held, level)
        if abs(after - level) <= ROUNDING * held:
            break
    return rate - missed / pattern.period


def _marched(
    gains: Sequence[float], falls: Sequence[float], held: float, level: float
) -> tuple[float, float]:
    """The level after a period, and what the pump then had not to move, kg."""
    missed = 0.0
    for gain, fall in zip(gains, falls, strict=True):
        level = min(held, level + gain) - fall
        if level < 0.0:
            missed -= level
            level = 0.0
    return level, missed


def full_rates(
    on: OnTimes, flow: float, pump: float, held: float, order: Sequence[int]
) -> tuple[float, ...]:
    """Rates of a chamber's patterns, kg/s: each as high as it can be, one after the other.

    ``pump``: most of all together, kg/s; ``order``: of the patterns, numbers into ``on``. Found by
    Newton's method on the worst window: exact after finitely many steps.
    """
    rates = [0.0] * len(on.since)
    total = on.since[:, -1]
    for one in order:
        left = flow * total[0] - float(np.dot(rates, total))
        highest = max(0.0, min(pump - sum(rates), left / total[one]))
        while highest > 0.0:
            rates[one] = highest
            found = worst_drawdown(on, flow, rates)
            if found.amount <= held * (1.0 + ROUNDING) + ROUNDING * flow * total[0]:
                break
            rates[one] = 0.0
            others = float(np.dot(rates, found.on))
            lower = max(0.0, (held + flow * found.on[0] - others) / found.on[one])
            highest = lower if lower < highest else 0.0
        rates[one] = highest
    return tuple(rates)
