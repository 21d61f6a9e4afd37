"""Bursts of inner stages taken together: a lower flow without rests, early or late by a little.

With P(x) the on-time of the inner stages in the first x s of an on-interval around them, and d
their duty, let ``early`` and ``late`` be the least numbers with

    d (x - late)  <=  P(x)  <=  d (x + early)        for all x >= 0.

An on-interval [s, e) around them becomes one of s to s + P(e - s) / d at the rate d. With G its
on-time up to a time, that of the bursts F is between them, G(t - late) <= F(t) <= G(t + early): on
the interval by the definition, and after it F stays where G comes to. So a window from t to u has

    F(u) - F(t)  >=  G(u - late) - G(t + early),

whatever the interval holds, and no more than G(u + early) - G(t - late). No interval reaches the
next one as long as the rest around it is longer than ``early``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from allocator.cycles.patterns import Pattern, pattern_from_intervals, pattern_of
from allocator.site.records import Stage


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """``pattern``: when there is ``rate`` (a share); ``early`` and ``late``, s."""

    pattern: Pattern
    rate: float
    early: float
    late: float


def merged_stages(stages: Sequence[Stage], count: int) -> Merged:
    """The stages with the ``count`` innermost ones merged; at least one is left around them."""
    return _merged_stages(tuple(stages), count)


@lru_cache(maxsize=512)
def _merged_stages(stages: tuple[Stage, ...], count: int) -> Merged:
    inner, around = pattern_of(stages[:count]), pattern_of(stages[count:])
    done = np.cumsum(inner.ends - inner.starts)
    on, rate = float(done[-1]), float(done[-1]) / inner.period
    before = np.append(0.0, done[:-1])
    turns, rest = np.divmod(around.ends - around.starts, inner.period)
    edges = np.stack((inner.starts, inner.ends), axis=1).ravel()
    gained = np.interp(rest, edges, np.stack((before, done), axis=1).ravel())
    lengths = (turns * on + gained) / rate
    return Merged(
        pattern_from_intervals(
            around.starts.tolist(), (around.starts + lengths).tolist(), around.period
        ),
        rate,
        float(np.max(done / rate - inner.ends, initial=0.0)),
        float(np.max(inner.starts - before / rate, initial=0.0)),
    )
