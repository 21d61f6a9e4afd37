from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from breakpoints import breakpoints
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import curve_of, curve_of_pattern, pattern_from_intervals
from allocator.site.records import Stage

close = pytest.approx


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_guaranteed_against_every_start(
    data: st.DataObject, nested: Any, slow_guaranteed: Any
) -> None:
    unit = data.draw(st.sampled_from([1.0, 0.1, 0.7, 86400.0 / 7]))
    curve = curve_of(data.draw(nested(unit=unit)))
    period = curve.pattern.period
    shares = data.draw(st.lists(st.floats(0.0, 3.0), min_size=1, max_size=4))
    some = data.draw(st.lists(st.integers(0, max(0, len(curve.line.kinks) - 1)), max_size=3))
    lengths = np.array([share * period for share in shares])
    if len(curve.line.kinks):
        lengths = np.concatenate((lengths, curve.line.kinks[some]))
    found = curve.guaranteed(lengths)
    slow = [slow_guaranteed(curve.pattern, float(length)) for length in lengths]
    assert found == close(slow, rel=1e-12, abs=1e-12 * period)


def test_guaranteed_of_thousands_of_cycles_against_every_start(slow_guaranteed: Any) -> None:
    rng = np.random.default_rng(8)
    for _ in range(3000):
        unit = float(rng.choice([1.0, 0.1, 0.7, 1234.5]))
        stages: list[Stage] = []
        on = int(rng.integers(1, 6))
        for _ in range(int(rng.integers(1, 5))):
            every = on + int(rng.integers(0, on + 2))
            stages.append(Stage(on * unit, every * unit))
            on = every * int(rng.integers(1, 5)) + int(rng.integers(0, 2)) * int(
                rng.integers(every)
            )
        curve = curve_of(stages)
        lengths = rng.uniform(0.0, 2.0, 2) * curve.pattern.period
        kinks = curve.line.kinks
        if len(kinks):
            lengths = np.append(lengths, rng.choice(kinks, 2))
        slow = [slow_guaranteed(curve.pattern, float(length)) for length in lengths]
        slack = 1e-12 * curve.pattern.period
        assert curve.guaranteed(lengths) == close(slow, rel=1e-12, abs=slack), stages


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_curves_against_all_windows_second_by_second(
    data: st.DataObject, nested: Any, intervals: Any
) -> None:
    stages = data.draw(nested(most_stages=3))
    period = int(stages[-1].every)
    state = np.zeros(period)
    for begin, end in intervals(stages[:-1], stages[-1].on):
        state[int(begin) : int(end)] = 1.0
    total = np.concatenate(([0.0], np.cumsum(np.tile(state, 4))))
    lengths = np.arange(2 * period + 1)
    windows = total[lengths[:, None] + np.arange(period)[None, :]] - total[None, :period]
    curve = curve_of(stages)
    assert curve.guaranteed(lengths.astype(float)) == close(windows.min(axis=1), abs=1e-9)
    assert curve.most(lengths.astype(float)) == close(windows.max(axis=1), abs=1e-9)
    worst = np.max(curve.duty * lengths - windows.min(axis=1))
    assert curve.sigma == close(worst, abs=1e-9)  # whole seconds hold every kink


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_laws(data: st.DataObject, nested: Any) -> None:
    curve = curve_of(data.draw(nested()))
    period = curve.pattern.period
    a = np.array(data.draw(st.lists(st.floats(0.0, 4.0), min_size=5, max_size=5))) * period
    b = np.array(data.draw(st.lists(st.floats(0.0, 4.0), min_size=5, max_size=5))) * period
    slack = 1e-11 * period
    tau, most = curve.guaranteed, curve.most
    assert np.all(tau(a + b) >= tau(a) + tau(b) - slack)  # superadditive
    assert np.all(most(a + b) <= most(a) + most(b) + slack)  # subadditive
    assert np.all(tau(a) <= most(a) + slack)
    assert np.all(tau(a + b) <= tau(a) + b + slack)  # slope at most 1
    assert np.all(tau(a + b) >= tau(a) - slack)  # and never down
    assert np.all(tau(a) >= curve.duty * a - curve.sigma - slack)
    assert np.all(tau(a) <= curve.duty * a + slack)
    # What is not in a window is in the rest of its period.
    share = a / 4.0
    assert tau(share) + most(period - share) == close(curve.line.gain, rel=1e-11)
    assert np.all(tau(np.array([curve.pattern.longest_quiet])) <= slack)


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_straight_between_breakpoints(data: st.DataObject, nested: Any) -> None:
    curve = curve_of(data.draw(nested()))
    period = curve.pattern.period
    low, high = sorted(data.draw(st.tuples(st.floats(0.0, 3.0), st.floats(0.0, 3.0))))
    low, high = low * period, high * period
    for points, values in (
        (breakpoints(curve.line, low, high), curve.guaranteed),
        (breakpoints(curve.line.mirrored(), low, high), curve.most),
    ):
        assert np.all(np.diff(points) > 0.0)
        assert np.all((points >= low) & (points <= high))
        edges = np.concatenate(([low], points, [high]))
        for left, right in pairwise(edges):
            at = values(np.array([left, (left + right) / 2.0, right]))
            assert at[1] == close((at[0] + at[2]) / 2.0, abs=1e-10 * period)


@settings(max_examples=200, deadline=None)
@given(
    spans=st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=25),
    lead=st.integers(0, 3),
    shares=st.lists(st.floats(0.0, 2.5), min_size=1, max_size=6),
)
def test_explicit_intervals_against_every_start(
    spans: list[tuple[int, int]], lead: int, shares: list[float], slow_guaranteed: Any
) -> None:
    edges = lead + np.cumsum(np.array(spans, dtype=float).ravel())
    starts = np.concatenate(([float(lead)], edges[1:-1:2]))
    pattern = pattern_from_intervals(starts.tolist(), edges[::2].tolist(), float(edges[-1]))
    curve = curve_of_pattern(pattern)
    for share in shares:
        length = share * pattern.period
        slow = slow_guaranteed(pattern, length)
        assert curve.guaranteed(np.array([length]))[0] == close(slow, abs=1e-9)


def test_many_explicit_intervals_against_every_start(slow_guaranteed: Any) -> None:
    edges = np.sort(np.random.default_rng(5).uniform(0.0, 1e6, 3000))
    pattern = pattern_from_intervals(edges[::2].tolist(), edges[1::2].tolist(), 1e6)
    curve = curve_of_pattern(pattern)
    for length in np.random.default_rng(6).uniform(0.0, 1.2e6, 60):
        slow = slow_guaranteed(pattern, float(length))
        assert curve.guaranteed(np.array([length]))[0] == close(slow, rel=1e-12)


def test_a_spell_of_bursts_by_hand() -> None:
    # On 0-4, 10-14, 20-24, 30-33 of 100 s: quiet 67 s from 33 to 100.
    curve = curve_of([Stage(4.0, 10.0), Stage(33.0, 100.0)])
    lengths = np.array([0.0, 67.0, 70.0, 71.0, 76.0, 77.0, 86.0, 100.0, 167.0])
    # 76: from 24 to 100, or 33 to 109: 3 s against 4 s of on-time.
    expected = [0.0, 0.0, 3.0, 3.0, 3.0, 4.0, 7.0, 15.0, 15.0]
    assert curve.guaranteed(lengths).tolist() == expected
    assert curve.most(np.array([4.0, 14.0, 33.0, 67.0])).tolist() == [4.0, 8.0, 15.0, 15.0]


def test_steady_and_never() -> None:
    lengths = np.array([0.0, 0.4, 7.3, 1e9])
    steady = curve_of([])
    assert steady.guaranteed(lengths) == close(lengths)
    assert steady.most(lengths) == close(lengths)
    assert (steady.duty, steady.sigma) == (1.0, 0.0)
    assert len(steady.line.kinks) == 0
    never = curve_of_pattern(pattern_from_intervals([], [], 10.0))
    assert never.guaranteed(lengths).tolist() == [0.0] * 4
    assert never.most(lengths).tolist() == [0.0] * 4
