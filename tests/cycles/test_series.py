"""Uneven inflow in equal steps: the curves ask for the store that the sequent peak method finds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sequent_peaks import sequent_peak

from allocator.cycles import series_curve_of, store_for_draw


@given(
    inflow=st.lists(st.integers(0, 50), min_size=1, max_size=20),
    share=st.floats(0.0, 0.999),
)
def test_the_curves_ask_for_the_same_store(inflow: list[int], share: float) -> None:
    draft = share * sum(inflow) / len(inflow)
    series = series_curve_of(float(len(inflow)), [float(k) for k in range(len(inflow))], inflow)
    peak = sequent_peak(inflow, draft)
    assert store_for_draw([(series, 1.0)], draft) == pytest.approx(peak, abs=1e-9)
