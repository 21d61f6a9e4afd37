from __future__ import annotations

import numpy as np
import pytest
from breakpoints import breakpoints
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import curve_of, demand_curve_of, series_curve_of
from allocator.site.records import Profile, Stage

close = pytest.approx


def profile_of(period: float, starts: list[float], levels: list[float]) -> Profile:
    spans = np.diff([*starts, period])
    mean = float(np.dot(levels, spans)) / period
    return Profile(period, tuple(starts), tuple(level / mean for level in levels))


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    count = draw(st.integers(1, 8))
    spans = draw(st.lists(st.integers(1, 9), min_size=count, max_size=count))
    if draw(st.booleans()):
        spans = [spans[0]] * count
    levels = draw(st.lists(st.integers(0, 9), min_size=count, max_size=count))
    levels[0] = levels[0] or 1
    edges = np.cumsum([0, *spans]) * draw(st.sampled_from([1.0, 0.1, 3600.0]))
    return profile_of(float(edges[-1]), edges[:-1].tolist(), [float(x) for x in levels])


def slow_largest(profile: Profile, length: float) -> float:
    """beta(L) by trying every window that begins or ends at a change of level."""
    edges = np.array([*profile.starts, profile.period])
    total = np.concatenate(([0.0], np.cumsum(np.array(profile.levels) * np.diff(edges))))

    def upto(times: np.ndarray) -> np.ndarray:
        whole = np.floor(times / profile.period)
        inside = np.interp(times - whole * profile.period, edges, total)
        return np.asarray(whole * total[-1] + inside)

    onward = upto(edges + length) - upto(edges)
    back = upto(edges + 99 * profile.period) - upto(edges + 99 * profile.period - length)
    return float(max(onward.max(), back.max()))


@settings(max_examples=500, deadline=None)
@given(profile=profiles(), shares=st.lists(st.floats(0.0, 2.5), min_size=1, max_size=8))
def test_largest_against_every_window(profile: Profile, shares: list[float]) -> None:
    curve = demand_curve_of(profile)
    for share in shares:
        length = share * profile.period
        slow = slow_largest(profile, length)
        assert curve.largest(np.array([length]))[0] == close(slow, abs=1e-11 * profile.period)


@settings(max_examples=200, deadline=None)
@given(profile=profiles(), data=st.data())
def test_laws(profile: Profile, data: st.DataObject) -> None:
    curve = demand_curve_of(profile)
    draw = st.lists(st.floats(0.0, 3.0), min_size=6, max_size=6)
    a = np.array(data.draw(draw)) * profile.period
    b = np.array(data.draw(draw)) * profile.period
    slack = 1e-11 * profile.period
    assert np.all(curve.largest(a + b) <= curve.largest(a) + curve.largest(b) + slack)
    assert np.all(curve.largest(a) <= a + curve.sigma + slack)
    assert np.all(curve.largest(a) >= a - slack)
    assert np.all(curve.largest(a + b) <= curve.largest(a) + curve.peak * b + slack)
    assert np.all(curve.largest(a + b) >= curve.largest(a) + curve.least * b - slack)
    grid = np.linspace(0.0, profile.period, 400)
    assert np.max(curve.largest(grid) - grid) <= curve.sigma + slack
    assert curve.sigma == close(
        np.max(curve.largest(points := curve.line.kinks) - points, initial=0.0), abs=slack
    )
    # Turns down only at the lengths it says, and is straight between its breakpoints.
    points = breakpoints(curve.line, 0.0, profile.period)
    edges = np.concatenate(([0.0], points, [profile.period]))
    middles = curve.largest((edges[1:] + edges[:-1]) / 2.0)
    ends = (curve.largest(edges[1:]) + curve.largest(edges[:-1])) / 2.0
    assert middles == close(ends, abs=1e-10 * profile.period)


def test_a_day_by_hand() -> None:
    curve = demand_curve_of(Profile(4.0, (0.0, 1.0, 3.0), (2.0, 0.5, 1.0)))
    lengths = np.array([0.5, 1.0, 2.0, 3.0, 4.0, 5.0])
    assert curve.largest(lengths).tolist() == [1.0, 2.0, 3.0, 3.5, 4.0, 6.0]
    assert (curve.peak, curve.least, curve.sigma) == (2.0, 0.5, 1.0)


def test_on_and_off_is_the_most_on_time_of_a_cycle() -> None:
    stages = [Stage(2.0, 5.0), Stage(14.0, 20.0)]
    levels, edges = [2.5, 0.0, 2.5, 0.0, 2.5, 0.0], [0.0, 2.0, 5.0, 7.0, 10.0, 12.0]
    shape = profile_of(20.0, edges, levels)
    curve, lengths = curve_of(stages), np.linspace(0.0, 50.0, 501)
    factor = max(shape.levels)
    assert demand_curve_of(shape).largest(lengths) == close(factor * curve.most(lengths))
    series = series_curve_of(20.0, edges, [1.0, 0.0, 1.0, 0.0, 1.0, 0.0])
    assert series.guaranteed(lengths) == close(curve.guaranteed(lengths))
    assert series.sigma == close(curve.sigma)
    assert series.duty == close(curve.duty)


def test_uneven_starts_off_any_grid() -> None:
    rng = np.random.default_rng(3)
    starts = [0.0, *np.sort(rng.uniform(0.0, 100.0, 20)).tolist()]
    profile = profile_of(100.0, starts, rng.uniform(0.0, 3.0, 21).tolist())
    curve = demand_curve_of(profile)
    for length in rng.uniform(0.0, 150.0, 200):
        slow = slow_largest(profile, float(length))
        assert curve.largest(np.array([length]))[0] == close(slow, rel=1e-12)


def test_constant_and_refusals() -> None:
    assert demand_curve_of(None).largest(np.array([3.0])).tolist() == [3.0]
    assert demand_curve_of(Profile(10.0, (0.0, 4.0), (1.0, 1.0))).sigma == 0.0
    with pytest.raises(ValueError, match="mean 1"):
        demand_curve_of(Profile(10.0, (0.0, 4.0), (1.0, 2.0)))
    with pytest.raises(ValueError, match="start at 0"):
        demand_curve_of(Profile(10.0, (1.0, 4.0), (1.0, 1.0)))
    with pytest.raises(ValueError, match="rise"):
        demand_curve_of(Profile(10.0, (0.0, 40.0), (1.0, 1.0)))
