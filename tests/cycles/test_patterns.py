from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import pattern_from_intervals, pattern_of
from allocator.site.records import Stage


def joined(found: list[tuple[Fraction, Fraction]]) -> list[tuple[Fraction, Fraction]]:
    result: list[tuple[Fraction, Fraction]] = []
    for begin, end in found:
        if result and begin == result[-1][1]:
            result[-1] = (result[-1][0], end)
        else:
            result.append((begin, end))
    return result


@settings(max_examples=400, deadline=None)
@given(data=st.data())
def test_intervals_are_those_of_the_plain_recursion(
    data: st.DataObject, nested: Any, intervals: Any
) -> None:
    stages = data.draw(nested())
    pattern = pattern_of(stages)
    period = Fraction(stages[-1].every)
    plain = joined(intervals(stages[:-1], Fraction(stages[-1].on)))
    on_time = sum((end - begin for begin, end in plain), Fraction(0))
    assert pattern.duty == float(on_time / period)
    assert pattern.rule_of_thumb == math.prod(s.on / s.every for s in stages)
    if pattern.steady:
        assert on_time == period
        return
    assert pattern.starts.tolist() == [float(begin) for begin, _ in plain]
    assert pattern.ends.tolist() == [float(end) for _, end in plain]
    around = [*plain, (plain[0][0] + period, period)]
    quiet = max(b[0] - a[1] for a, b in pairwise(around))
    assert pattern.longest_quiet == float(quiet)


@pytest.mark.parametrize(
    ("stages", "count"),
    [
        ([Stage(0.1, 0.7), Stage(2.1, 4.0)], 3),  # 3 * 0.7 falls a hair short of 2.1
        ([Stage(0.05, 0.1), Stage(0.3, 1.0)], 3),  # 3 * 0.1 passes 0.3 by a hair
        ([Stage(0.05, 0.1), Stage(0.8, 1.0)], 8),
        ([Stage(0.1, 0.2), Stage(0.3, 1.0)], 2),  # the second burst ends with the spell
        ([Stage(0.1, 0.3), Stage(0.7, 1.0)], 3),  # 0.6 + 0.1 against 0.7
        ([Stage(0.1, 0.1), Stage(0.1, 0.3), Stage(2.1, 4.0)], 7),
    ],
)
def test_decimals_leave_no_stubs(stages: list[Stage], count: int) -> None:
    pattern = pattern_of(stages)
    assert len(pattern.starts) == count
    lengths = pattern.ends - pattern.starts
    assert lengths == pytest.approx([float(lengths[0])] * count, rel=1e-9)


def test_a_remainder_is_a_shorter_burst() -> None:
    pattern = pattern_of([Stage(4.0, 10.0), Stage(33.0, 100.0)])
    assert pattern.starts.tolist() == [0.0, 10.0, 20.0, 30.0]
    assert pattern.ends.tolist() == [4.0, 14.0, 24.0, 33.0]
    assert pattern.duty == 0.15
    assert pattern.rule_of_thumb == pytest.approx(0.132)
    assert pattern.longest_quiet == 67.0


def test_stages_that_never_turn_off_make_a_steady_source() -> None:
    assert pattern_of([]).steady
    assert pattern_of([Stage(3.0, 3.0), Stage(7.0, 7.0)]).steady
    assert not pattern_of([Stage(3.0, 4.0), Stage(7.0, 7.0)]).steady
    # 7 = 4 + 3: the spell ends with a burst and the next begins with one.
    assert pattern_of([Stage(3.0, 4.0), Stage(7.0, 7.0)]).longest_quiet == 1.0


@pytest.mark.parametrize("stage", [Stage(0.0, 1.0), Stage(2.0, 1.0), Stage(1.0, math.inf)])
def test_impossible_stages_are_refused(stage: Stage) -> None:
    with pytest.raises(ValueError, match="0 < on <= every"):
        pattern_of([stage])


def test_too_many_intervals_are_refused_before_they_are_made() -> None:
    with pytest.raises(ValueError, match="on-intervals"):
        pattern_of([Stage(1e-3, 2e-3), Stage(1e6, 2e6)])


def test_explicit_intervals() -> None:
    pattern = pattern_from_intervals([1.0, 5.0, 6.0], [2.0, 6.0, 9.0], 12.0)
    assert pattern.starts.tolist() == [1.0, 5.0]
    assert pattern.ends.tolist() == [2.0, 9.0]
    assert pattern.duty == pattern.rule_of_thumb == pytest.approx(5 / 12)
    assert pattern.longest_quiet == 4.0  # around the end of the period
    assert pattern_from_intervals([], [], 5.0).longest_quiet == math.inf
    assert pattern_from_intervals([0.0, 2.0], [2.0, 5.0], 5.0).steady


@pytest.mark.parametrize(
    ("starts", "ends", "period"),
    [([0.0], [1.0, 2.0], 3.0), ([2.0], [1.0], 3.0), ([0.0, 1.0], [2.0, 3.0], 3.0),
     ([0.0], [4.0], 3.0), ([-1.0], [1.0], 3.0), ([0.0], [1.0], 0.0)],
)  # fmt: skip
def test_explicit_intervals_out_of_order_are_refused(
    starts: list[float], ends: list[float], period: float
) -> None:
    with pytest.raises(ValueError, match=r"interval|period|lists"):
        pattern_from_intervals(starts, ends, period)


def test_arrays_are_read_only() -> None:
    pattern = pattern_of([Stage(1.0, 2.0)])
    with pytest.raises(ValueError, match="read-only"):
        pattern.starts[0] = 1.0
    assert pattern.starts.dtype == np.float64
