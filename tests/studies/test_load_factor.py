"""The share of full load at which machines run: stated, or mean over peak of the demands."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE, named

from allocator.site.records import POWER, Demand, Profile
from allocator.studies.load_factor import load_factor_of

DAY_PROFILE = Profile(86_400.0, (0.0, 43_200.0), (0.5, 1.5))
NIGHT_PROFILE = Profile(86_400.0, (0.0, 43_200.0), (1.5, 0.5))
WEEK_PROFILE = Profile(7 * 86_400.0, (0.0, 86_400.0), (2.2, 0.8))


def factor(*demands: Demand) -> float:
    return load_factor_of(replace(COVE, demands=named(*demands)))


def test_the_site_decides() -> None:
    assert load_factor_of(replace(COVE, load_factor=0.33)) == 0.33


def test_mean_over_peak() -> None:
    assert factor(Demand("a", POWER, 10.0, profile=DAY_PROFILE)) == pytest.approx(1 / 1.5)
    assert factor(Demand("a", POWER, 10.0)) == 1.0
    assert factor(Demand("a", "gas", 10.0, place="works", profile=DAY_PROFILE)) == 1.0


def test_demands_of_one_period_add_up_as_they_fall() -> None:
    together = factor(
        Demand("a", POWER, 10.0, profile=DAY_PROFILE),
        Demand("b", POWER, 10.0, profile=NIGHT_PROFILE),
    )
    assert together == pytest.approx(1.0)


def test_peaks_of_different_periods_meet() -> None:
    together = factor(
        Demand("a", POWER, 10.0, profile=DAY_PROFILE),
        Demand("b", POWER, 10.0, profile=WEEK_PROFILE),
        Demand("c", POWER, 5.0),
    )
    assert together == pytest.approx(25 / (15 + 22 + 5))
