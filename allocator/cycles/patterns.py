"""When a source is on: the on-intervals over one outermost period, its duty and quiet spells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from allocator.cycles.blocks import ROUNDING, block_of
from allocator.cycles.lines import Array, frozen
from allocator.site.records import Stage


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """On-intervals ``[starts[i], ends[i])`` (s) that repeat every ``period`` s.

    ``duty``: exact on-time of one period over the period. ``rule_of_thumb``: product of the
    stage ratios (the duty itself for explicit intervals). ``longest_quiet``: s, 0 when steady,
    infinite when never on. ``stages``: as cleaned, innermost first; empty for explicit ones.
    """

    period: float
    starts: Array
    ends: Array
    duty: float
    rule_of_thumb: float
    longest_quiet: float
    steady: bool
    stages: tuple[Stage, ...] = ()


STEADY = Pattern(1.0, frozen(np.zeros(1)), frozen(np.ones(1)), 1.0, 1.0, 0.0, True)
"""Always on."""


def pattern_of(stages: Sequence[Stage]) -> Pattern:
    """The pattern of nested stages, innermost first; steady when there are none.

    An inner stage starts afresh when its outer stage turns on, and is cut short when its outer
    stage turns off. Raises ValueError for a stage that is not 0 < on <= every < infinity, or
    when a period holds more intervals than can be listed.
    """
    return _pattern_of(tuple(stages))


@lru_cache(maxsize=512)
def _pattern_of(stages: tuple[Stage, ...]) -> Pattern:
    for stage in stages:
        if not 0.0 < stage.on <= stage.every < math.inf:
            raise ValueError(f"a stage must have 0 < on <= every (got {stage.on}, {stage.every})")
    rule = math.prod(stage.on / stage.every for stage in stages)
    # An innermost stage that never turns off leaves its outer stage as it is.
    while stages and stages[0].on == stages[0].every:
        stages = stages[1:]
    if not stages:
        return STEADY
    outer = stages[-1]
    block = block_of(stages[:-1], outer.on)
    starts, ends = _merged(block.starts, block.starts + block.lengths, outer.every)
    return Pattern(
        outer.every,
        frozen(starts),
        frozen(ends),
        float(block.on_time / Fraction(outer.every)),
        rule,
        _longest_quiet(starts, ends, outer.every),
        False,
        stages,
    )


def pattern_from_intervals(
    starts: Sequence[float], ends: Sequence[float], period: float
) -> Pattern:
    """The pattern of explicit on-intervals within ``[0, period)``, s.

    Raises ValueError unless 0 <= starts[0] < ends[0] <= starts[1] < ... <= period.
    """
    begin, end = np.asarray(starts, dtype=np.float64), np.asarray(ends, dtype=np.float64)
    if not 0.0 < period < math.inf:
        raise ValueError(f"the period must be above 0 and finite (got {period})")
    edges = np.stack([begin, end], axis=1).ravel() if begin.shape == end.shape else None
    if edges is None or begin.ndim != 1:
        raise ValueError("starts and ends must be two lists of one length")
    in_order = bool(np.all(end > begin) and np.all(begin[1:] >= end[:-1]))
    if len(edges) and not (in_order and edges[0] >= 0.0 and edges[-1] <= period):
        raise ValueError("intervals must follow each other within one period")
    begin, end = _merged(begin, end, period)
    duty = math.fsum(end - begin) / period
    quiet = _longest_quiet(begin, end, period)
    if quiet == 0.0:
        return STEADY
    return Pattern(period, frozen(begin), frozen(end), duty, duty, quiet, False)


def _merged(starts: Array, ends: Array, period: float) -> tuple[Array, Array]:
    """Intervals that touch, joined."""
    if len(starts) == 0:
        return starts, ends
    apart = starts[1:] - ends[:-1] > float(ROUNDING) * period
    first = np.concatenate(([True], apart))
    last = np.concatenate((apart, [True]))
    return starts[first], np.minimum(ends[last], period)


def _longest_quiet(starts: Array, ends: Array, period: float) -> float:
    if len(starts) == 0:
        return math.inf
    around = float(starts[0] + period - ends[-1])
    between = float(np.max(starts[1:] - ends[:-1], initial=0.0))
    return max(around, between)
