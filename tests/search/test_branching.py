"""Reductions for a cutoff and cases of pipes: they lose no plan that is as good."""

from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from drawn_flows import plain, with_cuts
from families import site_of
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.base.clock import Clock
from allocator.model.cuts import promises_of
from allocator.model.goals import goals_of
from allocator.model.stating import offered, state
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.search.bound_process import store_cuts
from allocator.search.bounds import branching
from allocator.search.bounds.branching import Branching
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.bounds.mixed import Known, Mixed
from allocator.search.bounds.reducer import Reducer
from allocator.search.bounds.relaxation import Relaxation
from allocator.search.strategy.budgets import BOUND
from allocator.site.records import Site

KINDS = [
    ("mean", MeanBasis, False, False),
    ("firm", FirmBasis, False, True),
    ("firm", FirmBasis, True, False),
]


class Stated:
    """A site's carrying rows, its whole model, and what else both need."""

    def __init__(self, site: Site, basis: str) -> None:
        self.settings = Settings(basis=basis, time_limit=60.0, gap=1e-7)
        self.clock = Clock(None)
        self.full, self.sets = state(network_of(site), basis)
        self.cuts = partial(store_cuts, () if self.sets.lossless else promises_of(self.sets))
        offers = offered(network_of(site), basis)
        self.carrying = CarryingBound(offers, self.settings, self.clock, self.cuts)
        self.goal = goals_of(self.full, self.sets)[0]

    def value_within(self, reducer: Reducer, cutoff: float, share: float) -> float | None:
        """The best value of what is left for a cutoff, as the goal is told; None where none is."""
        left = reducer.reduced(cutoff, share)
        relaxation = Relaxation(
            self.full, self.sets, self.cuts, self.settings, self.clock, reduction=left
        )
        relaxation.aim(self.goal)
        relaxation.cut(None)
        mixed = Mixed(relaxation, self.full, self.cuts, self.settings, self.goal.scale)
        found = mixed.prove(cutoff, (), None, lambda: None, check=False)
        return None if found.value is None else -found.value

    def branched(self, known: float | None) -> float:
        """The bound of all cases, as the goal is told; ``known``: the value of a plan."""
        heard: list[float] = []
        self.carrying.run(None, heard.append)
        made = Branching(
            self.carrying,
            self.full,
            self.sets,
            self.cuts,
            self.settings,
            self.clock,
            heard.append,
            lambda found: None,
            lambda: None if known is None else Known(-known, None),
        )
        made.run(None)
        return -max(heard)


@pytest.mark.parametrize("drawn", range(4))
@pytest.mark.parametrize(("basis", "brute", "battery", "stores"), KINDS)
def test_what_is_left_for_a_cutoff_holds_the_best_of_every_choice_tried(
    drawn: int, basis: str, brute: type[Basis], battery: bool, stores: bool
) -> None:
    site = tiny_site(drawn, battery=battery, stores=stores)
    best = best_goals(site, brute)[0]
    made = Stated(site, basis)
    carrying = made.carrying
    network, chance = carrying.network(), np.random.default_rng(drawn)
    for turn in range(4):
        carrying.renew(carrying.limit)
        if turn == 3:
            carrying.run(None, lambda bound: None)
        else:
            weight = carrying.even * chance.exponential(2.0, len(carrying.even))
            prices = plain(carrying, weight)
            carrying.state(with_cuts(carrying, prices, chance) if turn else prices)
            carrying.solve(None)
        alone = carrying.alone()
        if alone is None:
            continue
        for share in (0.02, 0.5, 2.0):
            # a cutoff that the best plan just reaches
            value = made.value_within(Reducer(network, alone), -best * (1.0 - 1e-5), share)
            assert value is not None
            assert value >= best * (1.0 - 2e-5)


@pytest.mark.parametrize("drawn", range(4))
@pytest.mark.parametrize("flows", [0, BOUND.case_flows])
@pytest.mark.parametrize(("basis", "brute", "battery", "stores"), KINDS)
def test_no_cases_bound_below_the_best_of_every_choice_tried(
    drawn: int,
    basis: str,
    brute: type[Basis],
    battery: bool,
    stores: bool,
    flows: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(branching, "BOUND", replace(BOUND, case_flows=flows))
    site = tiny_site(drawn, battery=battery, stores=stores)
    best = best_goals(site, brute)[0]
    assert Stated(site, basis).branched(0.9 * best) >= best * (1.0 - 1e-6)
    assert Stated(site, basis).branched(best) >= best * (1.0 - 1e-6)
    assert Stated(site, basis).branched(None) >= best * (1.0 - 1e-6)


@pytest.mark.parametrize("basis", ["mean", "firm"])
def test_cases_come_to_the_best_plan(tmp_path: Path, basis: str) -> None:
    site = site_of(tmp_path, 8, 10, 2)
    made = Stated(site, basis)
    relaxation = Relaxation(made.full, made.sets, made.cuts, made.settings, made.clock)
    relaxation.aim(made.goal)
    relaxation.cut(None)
    mixed = Mixed(relaxation, made.full, made.cuts, made.settings, made.goal.scale)
    found = mixed.solve(None).value
    assert found is not None
    bound = made.branched(-found)
    assert -found * (1.0 - 1e-6) <= bound <= -found * (1.0 + 1e-2)
