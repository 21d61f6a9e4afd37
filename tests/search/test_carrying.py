"""The bound by what carrying takes: passed by no plan for any weights, and near other bounds."""

from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from families import site_of
from proven_fields import prover_for
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.base.clock import Clock
from allocator.model.cuts import promises_of
from allocator.model.goals import goals_of
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.search.bound_process import store_cuts
from allocator.search.bounds import carrying
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.strategy.budgets import BOUND
from allocator.site.records import Site

STEPPED = replace(BOUND, stepped_weights=0)
"""Subgradient steps come first on small sites too."""


def carrying_of(site: Site, basis: str) -> CarryingBound:
    sets = offered(network_of(site), basis)
    promises = () if sets.lossless else promises_of(sets)
    settings = Settings(basis=basis, time_limit=60.0)
    return CarryingBound(sets, settings, Clock(None), partial(store_cuts, promises))


def turns(made: CarryingBound, count: int) -> float:
    """The bound after some turns, as the goal is told."""
    heard: list[float] = []

    def hear(bound: float) -> None:
        heard.append(bound)
        made.clock.interrupted = len(heard) >= count

    made.run(None, hear)
    assert heard == sorted(heard)
    return -heard[-1]


@pytest.mark.parametrize(
    ("basis", "brute", "battery", "stores"),
    [
        ("mean", MeanBasis, False, False),
        ("firm", FirmBasis, False, True),
        ("firm", FirmBasis, True, False),
    ],
)
@pytest.mark.parametrize("number", range(4))
def test_no_weights_bound_below_the_best_of_every_choice_tried(
    number: int,
    basis: str,
    brute: type[Basis],
    battery: bool,
    stores: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    site = tiny_site(number, battery=battery, stores=stores)
    best = best_goals(site, brute)[0]
    made = carrying_of(site, basis)
    assert made.goal is not None
    assert made.goal.name == "clean_power"
    chance = np.random.default_rng(number)
    for _ in range(6):
        weights = made.even * chance.exponential(3.0, len(made.even))
        made.state(weights)
        # what a pipe may collect beyond the cost of its one build, at a price
        made.state(weights, 0.01 * chance.exponential(1.0, made.pipes))
    made.solve(None)
    assert made.bound is not None
    assert -made.bound >= best * (1.0 - 1e-9)
    assert turns(carrying_of(site, basis), 10) >= best * (1.0 - 1e-9)
    monkeypatch.setattr(carrying, "BOUND", STEPPED)
    assert turns(carrying_of(site, basis), 10) >= best * (1.0 - 1e-9)


@pytest.mark.parametrize("stepped", [False, True])
@pytest.mark.parametrize("basis", ["mean", "firm"])
def test_it_comes_to_the_multicommodity_relaxation(
    tmp_path: Path, basis: str, stepped: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if stepped:
        monkeypatch.setattr(carrying, "BOUND", STEPPED)
    site = site_of(tmp_path, 8, 10, 2)
    prover, full, sets = prover_for(site, basis)
    prover.aim(goals_of(full, sets)[0])
    relaxed = prover.relaxed(None)
    assert relaxed is not None
    assert turns(carrying_of(site, basis), 40) <= -relaxed * 1.002
