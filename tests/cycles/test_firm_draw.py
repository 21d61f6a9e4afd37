from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import (
    curve_of,
    demand_curve_of,
    draw_for_store,
    draws_for_stores,
    joint_timeline,
    pattern_of,
    series_curve_of,
    store_for_draw,
    store_for_draw_known,
    store_value,
    worst_window,
)
from allocator.site.records import Profile, Stage

close = pytest.approx

DAY = demand_curve_of(Profile(24.0, (0.0, 6.0, 17.0, 22.0), (0.6, 1.0, 1.6, 0.7)))


def march(on: list[tuple[Fraction, Fraction]], period: Fraction, rate: Fraction, draw: Fraction):  # type: ignore[no-untyped-def]
    """Deepest fall of a full store over two periods, from event to event, in fractions."""
    level, deepest, now = Fraction(0), Fraction(0), Fraction(0)
    for turn in range(2):
        for begin, end in [*on, (period, period)]:
            level -= draw * (turn * period + begin - now)
            deepest = min(deepest, level)
            level = min(Fraction(0), level + (rate - draw) * (end - begin))
            deepest = min(deepest, level)
            now = turn * period + end
    return -deepest


def test_fifty_nested_cycles_marched_event_by_event(intervals: Any) -> None:
    rng = np.random.default_rng(20)
    for _ in range(50):
        stages: list[Stage] = []
        least = int(rng.integers(1, 9))
        for _ in range(int(rng.integers(1, 5))):
            on = least * int(rng.integers(1, 5)) + int(rng.integers(0, 4))
            least = on + int(rng.integers(1, 2 * on + 1))
            stages.append(Stage(float(on), float(least)))
        found = intervals(stages[:-1], Fraction(stages[-1].on))
        period = Fraction(stages[-1].every)
        share = Fraction(int(rng.integers(1, 11)), 10)
        mean = 3 * sum(end - begin for begin, end in found) / period
        exact = march(found, period, Fraction(3), share * mean)
        size = store_for_draw([(curve_of(stages), 3.0)], float(share * mean))
        assert size == close(float(exact), rel=1e-10)


def test_pooled_windows_of_two_stores_promise_more_than_each_alone() -> None:
    # The design page's trial of a pooled cut: 1.49 kg/s pooled, 0.61 kg/s apart.
    fast, slow = curve_of([Stage(100.0, 1000.0)]), curve_of([Stage(50e3, 150e3)])
    pooled = draw_for_store([(fast, 10.0), (slow, 5.0)], 100.0 + 50e3)
    apart = draw_for_store([(fast, 10.0)], 100.0) + draw_for_store([(slow, 5.0)], 50e3)
    assert pooled == close(1.49, abs=0.005)
    assert apart == close(0.61, abs=0.005)
    assert apart == close(1.0 / 9.0 + 0.5, rel=1e-12)


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_store_and_draw_are_inverse(data: st.DataObject, nested: Any) -> None:
    units = st.sampled_from([1.0, 0.1, math.sqrt(2.0)])
    inflows = [
        (curve_of(data.draw(nested(most_stages=3, unit=data.draw(units)))), rate)
        for rate in data.draw(st.sampled_from([[1.0], [2.0, 0.5]]))
    ]
    steady = data.draw(st.sampled_from([0.0, 0.2]))
    mean = steady + sum(rate * curve.duty for curve, rate in inflows)
    draw = data.draw(st.floats(0.01, 0.97)) * mean
    shape = data.draw(st.sampled_from([None, DAY]))
    flat, following = (draw, []) if shape is None else (0.0, [(shape, draw)])
    size = store_for_draw(inflows, flat, following, steady)
    again = draw_for_store(inflows, size, shape, steady)
    if size > 0.0:
        assert again == close(draw, rel=1e-10)
    else:
        assert again >= draw * (1.0 - 1e-12)
    # A little less store does not carry it.
    if size > 1e-6 * max(curve.line.period for curve, _ in inflows):
        assert draw_for_store(inflows, 0.99 * size, shape, steady) < draw


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_no_phases_need_more_and_the_worst_alignment_needs_it_all(
    data: st.DataObject, nested: Any
) -> None:
    stages = [data.draw(nested(most_stages=3)) for _ in range(2)]
    rates = [2.0, 0.75]
    patterns = [pattern_of(cycle) for cycle in stages]
    periods = [1.0 if pattern.steady else pattern.period for pattern in patterns]
    if math.lcm(*map(int, periods)) > 64 * max(periods):
        return
    inflows = [(curve_of(cycle), rate) for cycle, rate in zip(stages, rates, strict=True)]
    mean = sum(rate * curve.duty for curve, rate in inflows)
    draw = data.draw(st.sampled_from([0.3, 0.8, 1.0])) * mean
    size = store_for_draw(inflows, draw)
    offsets = [data.draw(st.floats(0.0, 1.0)) * period for period in periods]
    parts = list(zip(patterns, offsets, rates, strict=True))
    assert store_for_draw_known(joint_timeline(parts), draw) <= size * (1.0 + 1e-9) + 1e-9
    window = worst_window(inflows, draw)
    aligned = []
    for pattern, (curve, rate) in zip(patterns, inflows, strict=True):
        least = float(curve.guaranteed(np.array([window.length]))[0])
        timeline = joint_timeline([(pattern, 0.0, 1.0)])
        aligned.append((pattern, -worst_start(timeline, window.length, least), rate))
    needed = store_for_draw_known(joint_timeline(aligned), draw)
    assert needed == close(size, rel=1e-9, abs=1e-9)


def worst_start(timeline: Any, length: float, least: float) -> float:
    """A time from which a window of ``length`` holds no more than ``least`` on-time."""
    period = timeline.length
    total = np.concatenate(([0.0], np.cumsum(timeline.rates * np.diff(timeline.edges))))

    def upto(time: float) -> float:
        whole = math.floor(time / period)
        return float(whole * total[-1] + np.interp(time - whole * period, timeline.edges, total))

    tries = [*timeline.edges, *(timeline.edges - length)]
    start = min(tries, key=lambda time: upto(time + length) - upto(time))
    assert upto(start + length) - upto(start) == close(least, abs=1e-9 * period)
    return float(start)


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_a_shared_store_needs_no_more_than_separate_ones(data: st.DataObject, nested: Any) -> None:
    inflows = [(curve_of(data.draw(nested(most_stages=3))), rate) for rate in (1.0, 2.5)]
    share = data.draw(st.floats(0.05, 0.95))
    draws = [share * rate * curve.duty for curve, rate in inflows]
    apart = sum(store_for_draw([one], draw) for one, draw in zip(inflows, draws, strict=True))
    assert store_for_draw(inflows, sum(draws)) <= apart * (1.0 + 1e-9)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_many_sizes_at_once(data: st.DataObject, nested: Any) -> None:
    curve = curve_of(data.draw(nested(unit=data.draw(st.sampled_from([1.0, 0.1])))))
    sizes = np.array(data.draw(st.lists(st.floats(0.0, 1.5), min_size=1, max_size=10)))
    sizes = sizes * max(curve.sigma, 1.0) * 2.0
    draws = draws_for_stores(curve, 2.0, sizes)
    one_by_one = [draw_for_store([(curve, 2.0)], float(size)) for size in sizes]
    assert draws == close(one_by_one, rel=1e-11)


def test_many_sizes_of_a_series() -> None:
    levels = np.random.default_rng(2).uniform(0.0, 3.0, 50).tolist()
    series = series_curve_of(100.0, [2.0 * k for k in range(50)], levels)
    sizes = np.linspace(0.0, 40.0, 30)
    one_by_one = [draw_for_store([(series, 1.0)], float(size)) for size in sizes]
    assert draws_for_stores(series, 1.0, sizes) == close(one_by_one, rel=1e-11)
    with pytest.raises(ValueError, match="negative"):
        draws_for_stores(series, 1.0, np.array([-1.0]))


def test_loss_by_hand() -> None:
    # 1 kg/s on 25 s in 100 s: the worst window is the 75 s of quiet, less what leaks.
    inflows = [(curve_of([Stage(25.0, 100.0)]), 1.0)]
    leak = 1e-3
    size = store_for_draw(inflows, 0.1, loss=leak)
    assert size == close(75.0 * 0.1 / (1.0 - 75.0 * leak), rel=1e-12)
    assert draw_for_store(inflows, size, loss=leak) == close(0.1, rel=1e-12)
    # The mean inflow of 0.25 must cover draw and leak: beyond that no size does.
    assert store_for_draw(inflows, 0.249, loss=leak) == math.inf
    assert draw_for_store(inflows, 250.0, loss=leak) == 0.0
    assert store_for_draw(inflows, 0.1, loss=1.0 / 75.0) == math.inf


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_store_and_draw_are_inverse_with_loss(data: st.DataObject, nested: Any) -> None:
    curve = curve_of(data.draw(nested(most_stages=3)))
    inflows = [(curve, 2.0)]
    loss = data.draw(st.floats(0.0, 0.5)) / max(curve.sigma, 1.0)
    draw = data.draw(st.floats(0.05, 0.8)) * 2.0 * curve.duty
    size = store_for_draw(inflows, draw, loss=loss)
    if 0.0 < size < math.inf:
        assert draw_for_store(inflows, size, loss=loss) >= draw * (1.0 - 1e-10)
        smaller = store_for_draw(inflows, draw_for_store(inflows, size, loss=loss), loss=loss)
        assert smaller == close(size, rel=1e-8)


def test_value_of_one_more_unit_of_store() -> None:
    inflows = [(curve_of([Stage(25.0, 100.0), Stage(1000.0, 3000.0)]), 1.0)]
    for size in (10.0, 100.0, 180.0):
        step = 1e-3
        more = draw_for_store(inflows, size + step) - draw_for_store(inflows, size)
        assert store_value(inflows, size) == close(more / step, rel=1e-6)
    # At a corner, the right side: 75 s of quiet hold no longer, the long quiet spell does.
    assert store_value(inflows, 0.0) == close(1.0 / 2075.0)
    assert store_value(inflows, 1e6) == 0.0
    day = demand_curve_of(Profile(24.0, (0.0, 12.0), (0.5, 1.5)))
    more = draw_for_store(inflows, 100.001, day) - draw_for_store(inflows, 100.0, day)
    assert store_value(inflows, 100.0, day) == close(more / 1e-3, rel=1e-6)


def test_no_store_gives_what_is_steady() -> None:
    inflows = [(curve_of([Stage(1.0, 4.0)]), 2.0)]
    assert draw_for_store(inflows, 0.0) == 0.0
    assert draw_for_store(inflows, 0.0, steady=0.3) == close(0.3)
    assert draw_for_store([], 5.0, steady=0.3) == 0.3
    assert draw_for_store([(curve_of([]), 2.0)], 0.0) == 2.0
    assert store_for_draw(inflows, 0.51) == math.inf
    with pytest.raises(ValueError, match="negative"):
        draw_for_store(inflows, -1.0)


def test_unrelated_periods_up_to_the_mean() -> None:
    stages = [[Stage(1.0, 4.0)], [Stage(2.0, 4.0 * math.sqrt(2.0)), Stage(40.0, 91.0)]]
    inflows = [(curve_of(cycle), rate) for cycle, rate in zip(stages, (1.0, 0.4), strict=True)]
    lag = sum(rate * curve.sigma for curve, rate in inflows)
    mean = sum(rate * curve.duty for curve, rate in inflows)
    sizes = np.linspace(0.0, 1.1, 45) * lag
    for shape in (None, DAY):
        draws = [draw_for_store(inflows, float(size), shape) for size in sizes]
        assert np.all(np.diff(draws) >= 0.0)
        assert draws[-1] <= mean
        for size, draw in zip(sizes, draws, strict=True):
            following = [(shape, draw)] if shape else []
            assert store_for_draw(inflows, 0.0 if shape else draw, following) <= size + 1e-9
            more = draw * (1.0 + 1e-6) + 1e-9
            following = [(shape, more)] if shape else []
            assert store_for_draw(inflows, 0.0 if shape else more, following) > size - 1e-9
    assert draw_for_store(inflows, 1.1 * lag) == close(mean)
