"""Parts of a site at a price cut off no plan."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from model.test_dissipation import bound
from two_fluid_sites import two_fluid_site

from allocator.base.clock import Clock
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.search import Settings
from allocator.search.bound_process import store_cuts_of
from allocator.search.bounds import booster_cases
from allocator.search.bounds.booster_cases import BoosterCases
from allocator.search.bounds.parts import parts_of

MANY = int(os.environ.get("ALLOCATOR_LAWS", "6"))
SEEN = 13
"""Number of a drawn site whose parts are worth much."""


def relaxed(site: Network) -> float:
    """Firm power, W, that no plan passes, by relaxed cases."""
    cases = BoosterCases(site, Settings(), Clock(None), store_cuts_of)
    cases.relaxed(None, lambda _: None)
    worst = cases.bound()
    assert worst is not None
    return -worst


@pytest.mark.parametrize("number", range(MANY))
def test_parts_cut_off_no_plan(number: int, tmp_path: Path) -> None:
    site = network_of(two_fluid_site(number, tmp_path, boosters=number % 3 > 0))
    best = bound(state(site, "firm"))
    assert relaxed(site) >= best * (1 - 1e-5) - 1e-2


def test_a_part_at_a_price_is_better_than_its_relaxation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = network_of(two_fluid_site(SEEN, tmp_path))
    found = relaxed(site)
    monkeypatch.setattr(booster_cases.Parts, "cuts", lambda *_: [])
    assert bound(state(site, "firm")) <= found + 1e-2
    assert found <= (1 - 1e-3) * relaxed(site)


def test_each_gas_is_a_part(tmp_path: Path) -> None:
    model, _ = state(network_of(two_fluid_site(1, tmp_path)), "firm")
    words = [
        {word for n in part for word in model.columns[n].key}  # type: ignore[attr-defined]
        for part in parts_of(model)
    ]
    assert any("gas" in some for some in words)
    assert any("tar" in some for some in words)
    assert not any({"gas", "tar"} <= some for some in words)
