"""What the duty tests share: random nested cycles, and slow plain methods to compare with."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import strategies as st
from numpy.typing import NDArray

from allocator.cycles import Pattern
from allocator.site.records import Stage

Array = NDArray[np.float64]
Intervals = list[tuple[Fraction, Fraction]]


@st.composite
def _nested(draw: st.DrawFn, most_stages: int = 4, unit: float = 1.0) -> tuple[Stage, ...]:
    """Up to four stages in whole units: remainders, exact fits and stages that never turn off."""
    stages: list[Stage] = []
    least = 1
    for _ in range(draw(st.integers(1, most_stages))):
        on = least if draw(st.booleans()) and stages else least + draw(st.integers(0, 3 * least))
        every = on + draw(st.integers(0, on))
        stages.append(Stage(on * unit, every * unit))
        least = every
    return tuple(stages)


def _intervals(stages: Sequence[Stage], length: Fraction) -> Intervals:
    """On-intervals of stages in one spell, by plain recursion in exact fractions."""
    if not stages:
        return [(Fraction(0), length)]
    on, every = Fraction(stages[-1].on), Fraction(stages[-1].every)
    found: Intervals = []
    start = Fraction(0)
    while start < length:
        inside = _intervals(stages[:-1], min(on, length - start))
        found += [(start + begin, start + end) for begin, end in inside]
        start += every
    return found


def _slow_guaranteed(pattern: Pattern, length: float) -> float:
    """tau(L) by trying every window that begins as an interval ends or ends as one starts."""
    starts, ends, period = pattern.starts, pattern.ends, pattern.period
    on = ends - starts
    edges = np.concatenate([np.stack([starts, ends], 1).ravel() + k * period for k in range(-1, 3)])
    gained = np.concatenate(([0.0], np.cumsum(np.tile(on, 4))))
    total = np.stack([gained[:-1], gained[1:]], 1).ravel()
    whole = np.floor(length / period)
    rest = length - whole * period

    def upto(times: Array) -> Array:
        return np.asarray(np.interp(times, edges, total), dtype=np.float64)

    onward = upto(ends + rest) - upto(ends)
    back = upto(starts + period) - upto(starts + period - rest)
    return float(whole * on.sum() + min(onward.min(), back.min()))


@pytest.fixture(scope="session")
def nested() -> Callable[..., st.SearchStrategy[tuple[Stage, ...]]]:
    return _nested


@pytest.fixture(scope="session")
def intervals() -> Callable[[Sequence[Stage], Fraction], Intervals]:
    return _intervals


@pytest.fixture(scope="session")
def slow_guaranteed() -> Callable[[Pattern, float], float]:
    return _slow_guaranteed
