"""What levelling needs, against bisection and a march of the battery's level."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.site.records import Profile
from allocator.verify.levelling import levelling_of

steps = st.lists(
    st.tuples(st.integers(1, 6), st.sampled_from([0.0, 0.25, 0.5, 1.0, 1.75, 3.0])),
    min_size=2,
    max_size=6,
)


def profile_of(pieces: list[tuple[int, float]]) -> Profile:
    lengths = [float(length) for length, _ in pieces]
    period = math.fsum(lengths)
    mean = math.fsum(length * level for length, level in pieces) / period
    starts = tuple(math.fsum(lengths[:i]) for i in range(len(lengths)))
    return Profile(period, starts, tuple(level / mean for _, level in pieces))


@given(steps, st.sampled_from([1.0, 0.9, 0.6, 0.25]))
def test_levelling_against_bisection_and_a_march(
    pieces: list[tuple[int, float]], efficiency: float
) -> None:
    if not any(level for _, level in pieces):
        return
    profile = profile_of(pieces)
    lengths = [b - a for a, b in itertools.pairwise((*profile.starts, profile.period))]

    def rate(generation: float, level: float) -> float:
        over = generation - level
        return efficiency * over if over > 0 else over

    def balance(generation: float) -> float:
        rates = [rate(generation, level) for level in profile.levels]
        return math.fsum(r * length for r, length in zip(rates, lengths, strict=True))

    low, high = 0.0, max(profile.levels)
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if balance(middle) >= 0 else (middle, high)
    constants = levelling_of(profile, efficiency)
    assert constants.generation == pytest.approx(high, rel=1e-9)
    assert constants.generation >= 1.0 - 1e-12

    fall = worst = 0.0
    for length, level in list(zip(lengths, profile.levels, strict=True)) * 4:
        fall = max(0.0, fall - rate(high, level) * length)
        worst = max(worst, fall)
    assert constants.fall == pytest.approx(worst, rel=1e-6, abs=1e-6)
    assert constants.charge == pytest.approx(high - min(profile.levels), abs=1e-9)
    assert constants.discharge == pytest.approx(max(profile.levels) - high, abs=1e-9)


def test_half_a_day_low_half_a_day_high_by_hand() -> None:
    # 0.9 (g - 0.5) = 1.5 - g
    constants = levelling_of(Profile(86400.0, (0.0, 43200.0), (0.5, 1.5)), 0.9)
    assert constants.generation == pytest.approx(1.95 / 1.9)
    assert constants.fall == pytest.approx((1.5 - 1.95 / 1.9) * 43200.0)


def test_a_constant_demand_needs_no_battery() -> None:
    constants = levelling_of(None, 0.5)
    assert (constants.generation, constants.fall) == (1.0, 0.0)
