"""Levelling constants against a plain march of the battery."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.model.levelling import levelling
from allocator.site.records import Profile


def profile_of(levels: list[float]) -> Profile:
    mean = math.fsum(levels) / len(levels)
    starts = tuple(3600.0 * number for number in range(len(levels)))
    return Profile(3600.0 * len(levels), starts, tuple(level / mean for level in levels))


def test_square_profile_by_hand() -> None:
    # 12 h at 0.5 and 12 h at 1.5: lossless, flat 1 W charges 0.5 W for 12 h.
    profile = Profile(86400.0, (0.0, 43200.0), (0.5, 1.5))
    found = levelling(profile, 1.0)
    assert found.generation == pytest.approx(1.0, rel=1e-8)
    assert found.size == pytest.approx(0.5 * 43200.0, rel=1e-8)
    # at 80 %: 0.8 (g - 0.5) = 1.5 - g gives g = 1.9 / 1.8
    assert levelling(profile, 0.8).generation == pytest.approx(1.9 / 1.8, rel=1e-8)


@given(
    st.lists(st.floats(0.1, 5.0), min_size=2, max_size=12).filter(lambda v: max(v) > min(v)),
    st.floats(0.5, 1.0),
)
def test_the_battery_lasts_and_no_smaller_one_would(levels: list[float], efficiency: float) -> None:
    profile = profile_of(levels)
    found = levelling(profile, efficiency)
    level = found.size
    lowest = level
    for _ in range(20):
        for share in profile.levels:
            surplus = found.generation - share
            level += 3600.0 * (efficiency * surplus if surplus > 0 else surplus)
            level = min(level, found.size)
            lowest = min(lowest, level)
    assert lowest >= -1e-6 * found.size
    assert lowest <= 1e-3 * found.size
    # in and out are counted without the margin that the generation has for rounding
    exact = found.generation / (1.0 + 1e-9)
    assert found.charge >= exact - min(profile.levels)
    assert found.discharge >= (max(profile.levels) - exact) * (1 - 1e-14)
