"""What a summary says of ranges and of lost sources; the bound on chances, by enumeration."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from handmade_cove import COVE, COVE_PLAN
from handmade_moor import MOOR, MOOR_LOST_PLAN, MOOR_LOW_PLAN

from allocator.network.deriving import network_of
from allocator.plans.records import Robustness
from allocator.report.certainty import certainty, chance_bound, most_uncertain, withstood
from allocator.site.records import Spread


def test_nothing_is_said_of_what_is_certain() -> None:
    assert certainty(network_of(COVE), COVE_PLAN) == []


def test_what_is_withstood_and_what_has_ranges() -> None:
    told = " ".join(line.strip() for line in certainty(network_of(MOOR), MOOR_LOST_PLAN))
    assert "any 1 source giving nothing at all, for ever and with no valve touched." in told
    assert "2 values of the site have ranges; each is planned with at its middle" in told
    assert "chance" not in told
    assert withstood(Robustness(2, 1)) == (
        "The firm output holds with any 2 sources giving nothing at all and any 1 other source "
        "giving the low end of the range, for ever and with no valve touched."
    )


def test_a_chance_is_told_where_more_flows_are_uncertain_than_withstood() -> None:
    assert most_uncertain(network_of(MOOR), MOOR_LOW_PLAN) == 1  # the kiln feeds no store
    spreads = {f"sources.{n}.flow": Spread(0.001, 0.002, 0.003) for n in ("one", "two", "three")}
    site = replace(MOOR, spreads=spreads)
    told = " ".join(line.strip() for line in certainty(network_of(site), MOOR_LOW_PLAN))
    # n = 3, G = 1: v = 2, (C(3,2) + C(3,3)) / 8
    assert "Where up to 3 uncertain flows feed one store" in told
    assert "a chance of at most 50 %" in told


def test_the_bound_is_never_passed_and_is_reached() -> None:
    """All signs of n values at the ends of their ranges, written out.

    Bertsimas & Sim, Operations Research 52 (2004): no weights break a row protected for G of n
    more often; equal weights reach it where n + G is even, counting what is just met.
    """
    random = np.random.default_rng(1)
    for count in range(1, 9):
        signs = np.array(list(product((-1.0, 1.0), repeat=count)))
        for budget in range(count + 1):
            bound = chance_bound(count, budget)
            for _ in range(10):
                weights = np.sort(random.uniform(0.1, 1.0, count))[::-1]
                protected = weights[:budget].sum()
                broken = np.mean(signs @ weights > protected * (1 + 1e-12))
                assert broken <= bound
            if (count + budget) % 2 == 0:
                assert np.mean(signs.sum(axis=1) >= budget) == pytest.approx(bound)
