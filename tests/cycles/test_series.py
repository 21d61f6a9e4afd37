from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.cycles import reservoir, sequent_peak, series_curve_of, store_for_draw

amounts = st.lists(st.integers(0, 50), min_size=1, max_size=20)


@given(inflow=amounts, share=st.floats(0.0, 1.0))
def test_sequent_peak_is_the_size_that_a_full_reservoir_just_needs(
    inflow: list[int], share: float
) -> None:
    draft = share * sum(inflow) / len(inflow)
    size, trace = sequent_peak(inflow, draft)
    assert len(trace) == 2 * len(inflow)
    run = reservoir(inflow, draft, size, start=size, cycles=3)
    assert max(run.shorts) <= 1e-9
    assert min(run.levels) == pytest.approx(0.0, abs=1e-9) or size == 0.0
    if size > 1e-6:
        smaller = reservoir(inflow, draft, 0.99 * size, start=0.99 * size, cycles=3)
        assert max(smaller.shorts) > 0.0
    # Three rounds ask for no more than two.
    assert sequent_peak(inflow, draft, cycles=3)[0] == pytest.approx(size, abs=1e-9)


@given(inflow=amounts, share=st.floats(0.0, 0.999))
def test_the_curves_ask_for_the_same_store(inflow: list[int], share: float) -> None:
    draft = share * sum(inflow) / len(inflow)
    series = series_curve_of(float(len(inflow)), [float(k) for k in range(len(inflow))], inflow)
    size, _ = sequent_peak(inflow, draft)
    assert store_for_draw([(series, 1.0)], draft) == pytest.approx(size, abs=1e-9)


@given(inflow=amounts, draft=st.integers(0, 40), size=st.integers(0, 99), start=st.integers(0, 99))
def test_a_reservoir_balances(inflow: list[int], draft: int, size: int, start: int) -> None:
    run = reservoir(inflow, draft, size, min(start, size), cycles=2)
    kept = 2 * (sum(inflow) - draft * len(inflow)) - sum(run.spills) + sum(run.shorts)
    assert run.levels[-1] == min(start, size) + kept
    assert all(0 <= level <= size for level in run.levels)


def test_series_of_unlike_length_are_refused() -> None:
    with pytest.raises(ValueError, match="3 steps of inflow but 2 of draft"):
        sequent_peak([1.0, 2.0, 3.0], [1.0, 2.0])
