"""Large cases are split by pipes and whole numbers, with rows put aside: no plan is lost by it."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from model.test_dissipation import bound
from pressed_sites import pressed_site

from allocator.base.clock import Clock
from allocator.model.model import Row
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.search import Settings
from allocator.search.bound_process import store_cuts_of
from allocator.search.bounds import booster_cases, relaxation
from allocator.search.bounds.booster_cases import BoosterCases
from allocator.search.bounds.spare_rows import SpareRows

MANY = int(os.environ.get("ALLOCATOR_LAWS", "6"))
BOOSTED = (8, 18, 28, 25, 6, 7, 17, 19, 20, 21, 22, 24, 26, 29, 30, 1, 2, 9)
"""Numbers of drawn sites with blowers."""


@pytest.fixture
def as_large(monkeypatch: pytest.MonkeyPatch) -> None:
    """Treat every site as a large one."""
    monkeypatch.setattr(relaxation, "MANY_ROWS", 0)
    monkeypatch.setattr(booster_cases, "BOUND", replace(booster_cases.BOUND, case_columns=0))


def cases_of(site: Network) -> tuple[BoosterCases, list[float]]:
    """All cases of a site, split until the worst is whole, and the bounds that were told (W)."""
    told: list[float] = []
    cases = BoosterCases(site, Settings(), Clock(None), store_cuts_of)
    cases.relaxed(None, lambda bound: None if bound is None else told.append(-bound))
    return cases, told


@pytest.mark.usefixtures("as_large")
@pytest.mark.parametrize("number", [*BOOSTED[:MANY], *range(40, 40 + MANY)])
def test_no_plan_passes_the_bound_of_split_cases(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, any_pipe=number % 2 == 1))
    best = bound(state(site, "firm"))
    cases, told = cases_of(site)
    assert all(value >= best * (1 - 1e-5) - 1e-2 for value in told)
    split = cases.bound()
    assert split is not None
    proven = cases.mixed(None).bound
    assert proven is not None
    assert -proven >= best * (1 - 1e-5) - 1e-2
    # whole but for what counts as whole
    assert -split <= -proven * (1 + 2e-2) + 1.0


@pytest.mark.usefixtures("as_large")
def test_cases_far_from_the_worst_end_early(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = network_of(pressed_site(17, tmp_path, any_pipe=True))
    best = bound(state(site, "firm"))
    whole = cases_of(site)[0].bound()
    monkeypatch.setattr(booster_cases, "ENOUGH", 1e-3)
    early, told = cases_of(site)
    assert whole is not None
    assert early.bound() == pytest.approx(whole, rel=1e-2)
    assert min(told) >= best * (1 - 1e-5) - 1e-2


def test_rows_that_are_aside_come_back_once_when_a_point_breaks_them() -> None:
    rows = [
        Row("low", (0, 2), (1.0, -1.0), 0.0, np.inf),
        Row("high", (1,), (2.0,), -np.inf, 3.0),
        Row("empty", (), (), 0.0, 0.0),
    ]
    spare = SpareRows(rows)
    assert spare.take_broken(np.array([1.0, 1.5, 1.0]), 1e-6) == []
    assert [row.name for row in spare.take_broken(np.array([1.0, 1.0, 1.1]), 1e-6)] == ["low"]
    assert [row.name for row in spare.rows] == ["high"]
    assert spare.take_broken(np.array([1.0, 1.0, 1.1]), 1e-6) == []
    assert [row.name for row in spare.take_all()] == ["high"]
    assert spare.rows == []
