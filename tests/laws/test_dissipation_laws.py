"""Rows for bounds under pressure: on drawn sites solved to proven optimum they cut off no plan."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from model.test_dissipation import bound
from pressed_sites import pressed_site

from allocator.model.stating import state, state_for_bound
from allocator.network.deriving import network_of

MANY = int(os.environ.get("ALLOCATOR_LAWS", "4"))


@pytest.mark.parametrize("number", range(MANY))
def test_rows_of_friction_change_no_best_plan(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, any_pipe=number % 2 == 1))
    assert site.pressures
    best = bound(state(site, "firm"))
    assert bound(state_for_bound(site, "firm")) == pytest.approx(best, rel=1e-6, abs=1e-2)
