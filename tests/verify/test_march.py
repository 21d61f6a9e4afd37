"""On-intervals of nested cycles against a march second by second."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.site.records import Stage
from allocator.verify.cycle import source_cycle
from allocator.verify.march import TooManyIntervalsError, on_intervals


def is_on(stages: tuple[Stage, ...], time: float) -> bool:
    """On at a time: on in the outermost stage, and in each inner one since that turned on."""
    for stage in reversed(stages):
        time %= stage.every
        if time >= stage.on:
            return False
    return True


@st.composite
def nested(draw: st.DrawFn) -> tuple[Stage, ...]:
    stages: list[Stage] = []
    floor = 0
    for _ in range(draw(st.integers(1, 3))):
        on = floor + draw(st.integers(1, 9))
        every = on + draw(st.integers(0, 9))
        stages.append(Stage(float(on), float(every)))
        floor = every
    return tuple(stages)


@given(nested())
def test_march_second_by_second(stages: tuple[Stage, ...]) -> None:
    period, starts, ends = on_intervals(stages)
    assert period == stages[-1].every
    seconds = np.arange(int(period)) + 0.5
    marched = [any(a < t < b for a, b in zip(starts, ends, strict=True)) for t in seconds]
    assert marched == [is_on(stages, float(t)) for t in seconds]
    cycle = source_cycle(stages)
    assert cycle.total == sum(marched)
    assert cycle.steady == all(marched)


def test_the_last_burst_of_a_spell_is_cut_off() -> None:
    period, starts, ends = on_intervals((Stage(310.0, 470.0), Stage(1000.0, 5000.0)))
    assert period == 5000.0
    assert starts.tolist() == [0.0, 470.0, 940.0]
    assert ends.tolist() == [310.0, 780.0, 1000.0]


def test_a_rounding_error_makes_no_burst() -> None:
    # 0.3 / 0.1 is 2.9999999999999996 and 0.9 / 0.3 is 3.0000000000000004
    for inner, outer in ((0.1, 0.3), (0.3, 0.9)):
        _, starts, _ = on_intervals((Stage(inner / 2, inner), Stage(outer, 1.0)))
        assert len(starts) == 3


def test_refuses_what_cannot_be_marched() -> None:
    with pytest.raises(TooManyIntervalsError):
        on_intervals((Stage(1.0, 2.0), Stage(1e9, 2e9)))


def test_lag_is_the_largest_fall_behind_the_mean() -> None:
    cycle = source_cycle((Stage(6.0, 24.0),))
    assert cycle.mean == 0.25
    assert cycle.lag == pytest.approx(18.0 * 0.25)
