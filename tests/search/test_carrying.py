"""The bound by what carrying takes: passed by no plan for any weights, and near other bounds."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_flows import plain, with_cuts
from families import site_of
from proven_fields import carrying_of, prover_for
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.model.goals import goals_of
from allocator.search.bounds import carrying, carrying_rows
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.bounds.carrying_rows import single_precision
from allocator.search.strategy.budgets import BOUND

STEPPED = replace(BOUND, stepped_weights=0)
"""Subgradient steps come first on small sites too."""
FORGETFUL = replace(STEPPED, idle_rows=1)
"""They take every row without a price away at once."""


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
        made.state(plain(made, weights))
        # what a pipe may collect beyond the cost of its one build, at a price
        made.state(plain(made, weights, 0.01 * chance.exponential(1.0, made.pipes)))
        # with cuts at some prices, which may be more than builds cost
        made.state(with_cuts(made, plain(made, weights), chance))
    made.solve(None)
    assert made.bound is not None
    assert -made.bound >= best * (1.0 - 1e-9)
    assert turns(carrying_of(site, basis), 10) >= best * (1.0 - 1e-9)
    monkeypatch.setattr(carrying, "BOUND", STEPPED)
    assert turns(carrying_of(site, basis), 10) >= best * (1.0 - 1e-9)
    monkeypatch.setattr(carrying_rows, "BOUND", FORGETFUL)
    assert turns(carrying_of(site, basis), 10) >= best * (1.0 - 1e-9)


def test_rows_without_a_price_may_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(carrying_rows, "BOUND", FORGETFUL)
    made = carrying_of(site_of(tmp_path, 8, 10, 2), "mean")
    chance = np.random.default_rng(1)
    for size in (0.1, 1.0, 0.3, 2.0, 0.5):
        made.state(plain(made, made.even * size * chance.exponential(1.0, len(made.even))))
    made.state(plain(made, made.even))
    made.solve(None)
    before = made._priced()
    assert before
    rows = len(made._carrying_rows)
    made._forget()
    assert len(made._carrying_rows) == len(before) < rows
    bound, made.bound = made.bound, None
    made.solve(None)
    assert made.bound == pytest.approx(bound, rel=1e-9)
    after = made._priced()
    assert after
    for (price, one), (other, same) in zip(before, after, strict=True):
        assert price == pytest.approx(other, rel=1e-6)
        assert one.weight is same.weight


def test_weights_in_single_precision_are_none_larger() -> None:
    chance = np.random.default_rng(1)
    weight = np.append(chance.exponential(1e-3, 1000), [0.0, 1.0, 1e-300])
    kept = single_precision(weight).astype(np.float64)
    assert (kept <= weight).all()
    assert (kept[:1000] >= weight[:1000] * (1.0 - 1.2e-7)).all()


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
