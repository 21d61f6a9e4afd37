"""The on-intervals of a nested duty cycle, marched one stage after the other.

A cycle is a list of stages, innermost first. Every inner stage starts anew when the stage
around it turns on, and is cut off when that one turns off.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from allocator.site.records import Stage

Array = NDArray[np.float64]

MOST_INTERVALS = 20_000_000
"""On-intervals that fit in the memory of a small machine."""

ROUNDING = 1e-12


class TooManyIntervalsError(ValueError):
    """A cycle with more on-intervals in a period than can be marched."""


def on_intervals(stages: Sequence[Stage]) -> tuple[float, Array, Array]:
    """Period of the outermost stage, and starts and ends of what is on in one of them, s.

    The outermost stage turns on at time 0. Stages must not be empty.

    Raises:
        TooManyIntervalsError: more than :data:`MOST_INTERVALS`.
    """
    outer = stages[-1]
    starts = np.zeros(1)
    ends = np.array([min(outer.on, outer.every)])
    for stage in reversed(stages[:-1]):
        starts, ends = _inside(stage, starts, ends)
    return outer.every, starts, ends


def _inside(stage: Stage, starts: Array, ends: Array) -> tuple[Array, Array]:
    # A last repeat that would be on for a rounding error only is no repeat.
    repeats = np.maximum(1, np.ceil((ends - starts) / stage.every * (1 - ROUNDING))).astype(int)
    total = int(repeats.sum())
    if total > MOST_INTERVALS:
        raise TooManyIntervalsError(f"{total} on-intervals in one period")
    first = np.repeat(np.cumsum(repeats) - repeats, repeats)
    number = np.arange(total) - first
    begin = np.repeat(starts, repeats) + number * stage.every
    finish = np.minimum(begin + stage.on, np.repeat(ends, repeats))
    return begin, finish
