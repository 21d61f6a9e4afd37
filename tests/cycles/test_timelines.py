from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import (
    curve_of,
    draw_for_store,
    draw_for_store_known,
    joint_timeline,
    pattern_of,
    store_for_draw,
    store_for_draw_known,
)
from allocator.site.records import Profile, Stage

close = pytest.approx

SHAPE = Profile(12.0, (0.0, 6.0), (0.5, 1.5))


def state_by_second(stages: tuple[Stage, ...], offset: int, length: int) -> list[float]:
    """1 in each second in which the source is on, by asking each stage in turn."""

    def on(time: int) -> bool:
        for stage in reversed(stages):
            time %= int(stage.every)
            if time >= stage.on:
                return False
        return True

    return [float(on(second - offset)) for second in range(length)]


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_timeline_second_by_second(data: st.DataObject, nested: Any) -> None:
    cycles = [data.draw(nested(most_stages=3)) for _ in range(data.draw(st.integers(1, 3)))]
    offsets = [data.draw(st.integers(-50, 50)) for _ in cycles]
    rates = [0.1, 0.7, 2.0][: len(cycles)]
    length = 120
    patterns = [pattern_of(cycle) for cycle in cycles]
    parts = [(p, float(o), r) for p, o, r in zip(patterns, offsets, rates, strict=True)]
    timeline = joint_timeline(parts, horizon=float(length))
    inflow = np.zeros(length)
    for cycle, offset, rate in zip(cycles, offsets, rates, strict=True):
        inflow += rate * np.array(state_by_second(cycle, offset, length))
    place = np.searchsorted(timeline.edges, np.arange(length) + 0.5) - 1
    assert timeline.rates[place] == close(inflow)
    assert not timeline.repeats
    assert timeline.total == close(inflow.sum())
    # A store marched second by second along the same inflow, with and without a shape.
    draw = data.draw(st.sampled_from([0.2, 1.0]))
    levels = np.repeat(SHAPE.levels, 6)[np.arange(length) % 12]
    for shape, want in ((None, np.ones(length)), (SHAPE, levels)):
        deficit = deepest = 0.0
        for comes, wanted in zip(inflow, want, strict=True):
            deficit = max(0.0, deficit + draw * wanted - comes)
            deepest = max(deepest, deficit)
        assert store_for_draw_known(timeline, draw, shape) == close(deepest, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_known_store_and_draw_are_inverse(data: st.DataObject, nested: Any) -> None:
    pattern = pattern_of(data.draw(nested(most_stages=3)))
    horizon = data.draw(st.sampled_from([None, 60.0]))
    period = 1.0 if pattern.steady else pattern.period
    shape = data.draw(st.sampled_from([None, SHAPE]))
    if horizon is None and math.lcm(int(period), 12) > 64 * max(period, 12.0):
        shape = None
    timeline = joint_timeline([(pattern, 0.3 * period, 2.0)], horizon)
    steady = data.draw(st.sampled_from([0.0, 0.1]))
    loss = data.draw(st.sampled_from([0.0, 1e-4]))
    draw = data.draw(st.floats(0.05, 0.6)) * pattern.duty * 2.0
    size = store_for_draw_known(timeline, draw, shape, steady, loss)
    if 0.0 < size < math.inf:
        again = draw_for_store_known(timeline, size, shape, steady, loss)
        assert again >= draw * (1.0 - 1e-9)
        assert store_for_draw_known(timeline, again, shape, steady, loss) == close(size)


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_one_source_alone_needs_the_same_known_or_not(data: st.DataObject, nested: Any) -> None:
    stages = data.draw(nested(most_stages=3))
    pattern, inflows = pattern_of(stages), [(curve_of(stages), 3.0)]
    offset = data.draw(st.floats(-5.0, 5.0))
    timeline = joint_timeline([(pattern, offset, 3.0)])
    draw = data.draw(st.floats(0.05, 1.0)) * 3.0 * pattern.duty
    size = store_for_draw(inflows, draw)
    assert store_for_draw_known(timeline, draw) == close(size, rel=1e-9, abs=1e-9)
    known = draw_for_store_known(timeline, 0.7 * size)
    assert known == close(draw_for_store(inflows, 0.7 * size), rel=1e-9)


def test_two_sources_in_turn_need_no_store() -> None:
    half = pattern_of([Stage(5.0, 10.0)])
    in_turn = joint_timeline([(half, 0.0, 2.0), (half, 5.0, 2.0)])
    assert in_turn.rates.tolist() == [2.0, 2.0]
    assert store_for_draw_known(in_turn, 2.0) == 0.0
    together = joint_timeline([(half, 0.0, 2.0), (half, 0.0, 2.0)])
    assert store_for_draw_known(together, 2.0) == 10.0
    assert store_for_draw_known(together, 2.01) == math.inf
    assert draw_for_store_known(together, 10.0) == 2.0
    assert draw_for_store_known(together, 5.0) == 1.0


def test_steady_parts_and_refusals() -> None:
    timeline = joint_timeline([(pattern_of([]), 0.0, 2.0)])
    assert (timeline.length, timeline.rates.tolist(), timeline.repeats) == (1.0, [2.0], True)
    odd = [(pattern_of([Stage(1.0, 4.0 * math.sqrt(k))]), 0.0, 1.0) for k in (1, 2)]
    with pytest.raises(ValueError, match="horizon"):
        joint_timeline(odd)
    assert joint_timeline(odd, horizon=9.0).edges.tolist()[:3] == [0.0, 1.0, 4.0]
    with pytest.raises(ValueError, match="changes"):
        joint_timeline(odd, horizon=1e9)
    with pytest.raises(ValueError, match="common period"):
        store_for_draw_known(joint_timeline(odd[1:]), 0.1, SHAPE)
