from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from breakpoints import breakpoints
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import Curve, curve_of, demand_curve_of, search_length, worst_window
from allocator.cycles.balance import balance_of
from allocator.cycles.windows import bound_between
from allocator.site.records import Profile, Stage

close = pytest.approx

DAY = demand_curve_of(Profile(24.0, (0.0, 6.0, 17.0, 22.0), (0.6, 1.0, 1.6, 0.7)))


@st.composite
def sites(draw: st.DrawFn, nested: Any, most: int = 4) -> list[tuple[Curve, float]]:
    units = st.sampled_from([1.0, 0.1, math.sqrt(2.0), math.pi])
    return [
        (curve_of(draw(nested(most_stages=3, unit=draw(units)))), draw(st.integers(1, 9)) / 4.0)
        for _ in range(draw(st.integers(1, most)))
    ]


def inflow_of(inflows: list[tuple[Curve, float]]) -> float:
    return sum(rate * curve.duty for curve, rate in inflows)


@settings(max_examples=400, deadline=None)
@given(data=st.data())
def test_worst_of_all_lengths(data: st.DataObject, nested: Any) -> None:
    inflows = data.draw(sites(nested))
    share = data.draw(st.sampled_from([0.1, 0.5, 0.8, 0.9, 0.95]))
    follows = data.draw(st.sampled_from([0.0, 0.4, 1.0]))
    steady = data.draw(st.sampled_from([0.0, 0.3]))
    draw = share * (inflow_of(inflows) + steady)
    following = [(DAY, follows * draw)]
    window = worst_window(inflows, (1.0 - follows) * draw, following, steady)
    assert not window.tail
    # Slowly: every breakpoint of every curve far beyond where the search stops.
    far = 8.0 * max([24.0, *(curve.line.period for curve, _ in inflows)])
    points = [breakpoints(DAY.line, 0.0, far), *(breakpoints(c.line, 0.0, far) for c, _ in inflows)]
    lengths = np.unique(np.concatenate(points))
    balance = balance_of(inflows, (1.0 - follows) * draw, following, steady)
    slow = max(0.0, float(balance.at(lengths).max()))
    assert window.shortfall == close(slow, rel=1e-12, abs=1e-10 * balance.scale)
    if window.length > 0.0:
        at = balance.at(np.array([window.length]))[0]
        assert window.shortfall == close(at, rel=1e-13)


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_what_is_not_looked_for(data: st.DataObject, nested: Any) -> None:
    """With ``above`` the answer is the worst window where it is greater, and else says so."""
    inflows = data.draw(sites(nested))
    draw = data.draw(st.sampled_from([0.5, 0.9])) * inflow_of(inflows)
    whole = worst_window(inflows, draw)
    above = data.draw(st.sampled_from([0.0, 0.3, 0.999, 1.001, 2.0])) * whole.shortfall
    found = worst_window(inflows, draw, above=above)
    if whole.shortfall > above:
        assert found == whole
    else:
        assert (found.length, found.shortfall, found.tail) == (0.0, above, False)


def test_worst_of_many_unrelated_sources() -> None:
    """More periods than lengths that are tried to settle the search: slowly, the same."""
    chance = np.random.default_rng(5)
    inflows = []
    for _ in range(40):
        every, spell = chance.uniform(3.0, 9.0), chance.uniform(20.0, 50.0)
        stages = (
            Stage(every * chance.uniform(0.2, 0.8), every),
            Stage(spell, spell * chance.uniform(1.1, 2.0)),
        )
        inflows.append((curve_of(stages), chance.uniform(0.1, 2.0)))
    draw = 0.97 * inflow_of(inflows)
    window = worst_window(inflows, draw)
    far = 10.0 * max(curve.line.period for curve, _ in inflows)
    lengths = np.unique(np.concatenate([breakpoints(c.line, 0.0, far) for c, _ in inflows]))
    slow = balance_of(inflows, draw, (), 0.0).at(lengths)
    assert not window.tail
    assert window.shortfall == close(float(slow.max()), rel=1e-12)
    assert window.length == close(float(lengths[np.argmax(slow)]))


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_bounds_hold_in_every_interval(data: st.DataObject, nested: Any) -> None:
    inflows = data.draw(sites(nested, most=3))
    longest = max(curve.line.period for curve, _ in inflows)
    flat = data.draw(st.floats(-0.5, 1.5)) * inflow_of(inflows)
    balance = balance_of(inflows, flat, [(DAY, data.draw(st.floats(0.0, 1.0)))], 0.0)
    ends = st.floats(0.0, 2.0)
    low, high = sorted((data.draw(ends) * longest, data.draw(ends) * longest))
    bound = bound_between(balance, np.array([low]), np.array([high]))[0]
    inside = balance.at(np.linspace(low, high, 200))
    assert inside.max() <= bound + 1e-10 * balance.scale * (1.0 + high)


def test_large_and_unrelated_periods_against_every_breakpoint() -> None:
    rng = np.random.default_rng(11)
    inflows = []
    for _ in range(6):
        period = rng.uniform(80.0, 200.0) * 86400.0
        on = period * rng.uniform(0.3, 0.7)
        burst = on / rng.uniform(300.0, 900.0)
        stages = [Stage(burst * rng.uniform(0.3, 0.8), burst), Stage(on, period)]
        inflows.append((curve_of(stages), rng.uniform(0.1, 0.5)))
    for share in (0.2, 0.6, 0.9, 0.97):
        draw = share * inflow_of(inflows)
        window = worst_window(inflows, draw)
        far = 20.0 * 200.0 * 86400.0
        lengths = np.concatenate([breakpoints(curve.line, 0.0, far) for curve, _ in inflows])
        balance = balance_of(inflows, draw, (), 0.0)
        assert window.shortfall == close(balance.at(lengths).max(), rel=1e-12)


def test_rates_that_do_not_balance() -> None:
    curve = curve_of([Stage(1.0, 4.0)])
    window = worst_window([(curve, 2.0)], 0.75)
    assert window.length == math.inf
    assert window.shortfall == close(0.25)
    assert worst_window([(curve, 2.0)], 0.75, steady=0.25).length == 3.0


def test_one_source_up_to_its_mean() -> None:
    curve = curve_of([Stage(1.0, 4.0)])
    assert worst_window([(curve, 2.0)], 0.5) == worst_window([(curve, 2.0)], 0.5, horizon=4.0)
    window = worst_window([(curve, 2.0)], 0.5)
    assert (window.length, window.shortfall, window.tail) == (3.0, 1.5, False)


def test_nothing_falls_short() -> None:
    curve = curve_of([Stage(1.0, 4.0)])
    for window in (
        worst_window([(curve, 2.0)], 0.0),
        worst_window([(curve, 2.0)], 0.5, steady=0.5),
        worst_window([(curve_of([]), 2.0)], 2.0),
        worst_window([], 0.0),
    ):
        assert (window.length, window.shortfall) == (0.0, 0.0)


def test_unrelated_periods_without_margin_use_the_tail_row() -> None:
    one, two = curve_of([Stage(1.0, 4.0)]), curve_of([Stage(1.0, 4.0 * math.sqrt(2.0))])
    inflows = [(one, 1.0), (two, 1.0)]
    window = worst_window(inflows, inflow_of(inflows))
    assert window.tail
    # With no margin the windows come as near as one likes to both lags at once.
    assert window.shortfall == close(one.sigma + two.sigma)
    # Sound with little margin: no window searched ten times as far passes it.
    draw = 0.999 * inflow_of(inflows)
    near = worst_window(inflows, draw)
    far = worst_window(inflows, draw, horizon=near.length * 10.0)
    assert not far.tail
    assert far.shortfall <= near.shortfall


def test_search_length() -> None:
    four, ten = curve_of([Stage(1.0, 4.0)]), curve_of([Stage(1.0, 10.0)])
    odd = curve_of([Stage(1.0, math.sqrt(2.0))])
    tenth, three = curve_of([Stage(0.05, 0.1)]), curve_of([Stage(0.1, 0.3)])
    assert search_length([four]) == (4.0, False)
    assert search_length([four, ten]) == close((20.0, 0))
    assert search_length([tenth, three]) == close((0.3, 0))
    assert search_length([four, odd]) == (256.0, True)
    assert search_length([four], [DAY]) == close((24.0, 0))
    assert search_length([curve_of([])]) == (1.0, False)
