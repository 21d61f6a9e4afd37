"""What a cycle brings that is at a known place of its period: two ways of finding it agree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.site.records import Stage
from allocator.verify.cycle import source_cycle
from allocator.verify.timetables import least_placed, worst_shift


@given(
    st.sampled_from([(Stage(3.0, 7.0),), (Stage(3.0, 7.0), Stage(31.0, 50.0)), (Stage(5.0, 5.0),)]),
    st.floats(-60.0, 60.0),
    st.floats(0.0, 70.0),
    st.sampled_from([0.0, 1.5]),
)
def test_the_least_of_a_range_of_places(
    stages: tuple[Stage, ...], low: float, width: float, delay: float
) -> None:
    cycle = replace(source_cycle(stages), delay=delay)
    lengths = np.linspace(0.0, 120.0, 53)
    placed = replace(cycle, start=-(low + 0.5 * width), error=0.5 * width)
    slow = worst_shift(placed, np.zeros(53), lengths)[0]
    assert least_placed(cycle, low, low + width, lengths) == pytest.approx(slow, abs=1e-9)
