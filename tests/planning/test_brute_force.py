"""Every whole-number choice of 100 tiny sites, each with a linear program, against the plan.

The linear programs are stated a second time in ``tiny_bases`` and ``tiny_firm`` and solved by
``scipy.optimize.linprog``; the plan must reach the best of them on every goal.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_program import Whole, groups, material
from tiny_sites import tiny_site

from allocator.planning import Settings, make_plan
from allocator.site.records import POWER, Site

HELD = 1e-6
"""A goal may fall by this share for the sake of the next one; so it may in the program."""

FIRST, LATER = 1e-6, 2e-5
"""Relative tolerances: on the first goal, and on later ones that may use what was given up."""

GAP = 5e-7
"""No smaller: the program keeps plans a share of 1e-7 a rule on the safe side of rounding."""


def choices(site: Site, basis: type[Basis]) -> Iterator[Whole]:
    """Every choice of whole numbers that the stock of steel allows."""
    firm = basis is FirmBasis
    # What costs nothing to have is had: tapping without steel hurts no goal.
    taps = [(0, 1) if s.tap_materials else (1,) for s in site.sources.values()]
    lays = [(None, *route.builds) for route in site.routes.values()]
    spots = [(machine.name, place) for machine, place in groups(site)]
    cycles = firm and any(kind.holds == POWER for kind in site.stores.values())
    states = [
        [
            (count, running, cycling)
            for count in range((site.machines[name].places[place] or 0) + 1)
            for running in range(count + 1 if firm else 1)
            for cycling in range(2 if cycles and running < count else 1)
        ]
        for name, place in spots
    ]
    united = [
        (kind.name, place, int(kind.most / kind.unit))
        for kind in site.stores.values()
        if firm and kind.unit is not None
        for place in kind.places
    ]
    units = [range(most + 1) for _, _, most in united]
    for tap, lay, state, unit in itertools.product(
        itertools.product(*taps),
        itertools.product(*lays),
        itertools.product(*states),
        itertools.product(*units),
    ):
        whole = Whole(
            tap=dict(zip(site.sources, tap, strict=True)),
            lay=dict(zip(site.routes, lay, strict=True)),
            count={spot: s[0] for spot, s in zip(spots, state, strict=True)},
            running={spot: s[1] for spot, s in zip(spots, state, strict=True)},
            cycling={spot: s[2] for spot, s in zip(spots, state, strict=True)},
            units={(n, p): u for (n, p, _), u in zip(united, unit, strict=True)},
        )
        if all(material(site, whole, n) <= (m.stock or 0.0) for n, m in site.materials.items()):
            yield whole


def best_goals(site: Site, basis: type[Basis]) -> list[float]:
    """The best of every goal in turn, over all choices, earlier goals held."""
    tried = [basis(site, whole) for whole in choices(site, basis)]
    found: list[float] = []
    for number in range(3):
        values = []
        for stated in tried:
            value = stated.program.best(stated.goals()[number])
            if value is not None and number == 2:
                value += stated.scarce_fixed()
            values.append(value)
        best = min(value for value in values if value is not None)
        found.append(best)
        slack = max(HELD * abs(best), 1e-6)
        kept = []
        for stated, value in zip(tried, values, strict=True):
            if value is not None and value <= best + slack:
                stated.program.most(stated.goals()[number], best + slack)
                kept.append(stated)
        tried = kept
    return [-found[0], -found[1], found[2]]


BATCHES = range(10)
SITES_A_BATCH = {"mean": 4, "stores": 3, "battery": 3}


def _compare(site: Site, basis: type[Basis], name: str) -> None:
    outcome = make_plan(site, Settings(basis=name, gap=GAP, node_limit=100_000))
    assert outcome.plan is not None, f"{site.name}: {outcome.reason}"
    values = {goal.name: goal.value for goal in outcome.plan.goals}
    clean, served, scarce = best_goals(site, basis)
    scale = site.demands["load"].mean
    assert outcome.plan.status == "optimal", site.name
    assert values.get("clean_power", 0.0) == pytest.approx(clean, abs=FIRST * scale), site.name
    assert values.get("served_power", 0.0) == pytest.approx(served, abs=LATER * scale), site.name
    stock = site.materials["steel"].stock or 0.0
    assert values.get("scarce_material", 0.0) == pytest.approx(scarce, abs=LATER * stock), site.name


@pytest.mark.parametrize("batch", BATCHES)
def test_mean_basis(batch: int) -> None:
    for number in range(SITES_A_BATCH["mean"]):
        _compare(tiny_site(batch * 10 + number, battery=False, stores=False), MeanBasis, "mean")


@pytest.mark.parametrize("batch", BATCHES)
def test_firm_basis_with_stores(batch: int) -> None:
    for number in range(SITES_A_BATCH["stores"]):
        _compare(tiny_site(batch * 10 + number, battery=False, stores=True), FirmBasis, "firm")


@pytest.mark.parametrize("batch", BATCHES)
def test_firm_basis_with_a_battery(batch: int) -> None:
    for number in range(SITES_A_BATCH["battery"]):
        site = tiny_site(batch * 10 + number, battery=True, stores=batch % 2 == 0)
        _compare(site, FirmBasis, "firm")
