"""Laws of pressure along lines, on drawn sites solved to proven optimum.

``ALLOCATOR_LAWS`` says on how many; three hundred were tried.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from laws.changes import route_cut
from pressed_sites import pressed_site

from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.search.as_built import as_built
from allocator.site.records import Site
from allocator.verify import audit

MANY = int(os.environ.get("ALLOCATOR_LAWS", "8"))
SAME = 1e-6


def planned(site: Site) -> Plan:
    """The best plan, proven."""
    plan = make_plan(site, Settings(gap=1e-7, node_limit=20_000)).plan
    assert plan is not None
    goal = plan.goals[0]
    assert goal.bound is not None
    assert goal.bound <= goal.value * (1.0 + SAME) + 1e-3
    return plan


def power(plan: Plan) -> float:
    """Firm clean power, W."""
    return plan.goals[0].value


@pytest.mark.parametrize("number", range(MANY))
def test_a_corridor_cut_into_pieces_changes_no_answer(number: int, tmp_path: Path) -> None:
    site = pressed_site(number, tmp_path)
    whole = power(planned(site))
    name = list(site.routes)[number % len(site.routes)]
    pieces = power(planned(route_cut(site, name, 2 + number % 4)))
    assert pieces == pytest.approx(whole, rel=SAME, abs=1e-3)


@pytest.mark.parametrize("number", range(-(-MANY // 4)))
def test_nor_where_any_pipe_may_be_laid_if_its_pieces_are_held_to_one(
    number: int, tmp_path: Path
) -> None:
    """The best of the pieces of each pipe type alone; pieces of mixed types could be better."""
    site = pressed_site(number, tmp_path, any_pipe=True)
    name = list(site.routes)[number % len(site.routes)]

    def held(pipe: str) -> float:
        route = replace(site.routes[name], pipes=(pipe,))
        alone = replace(site, routes={**site.routes, name: route})
        return power(planned(route_cut(alone, name, 3)))

    best = max(map(held, site.routes[name].pipes))
    assert best == pytest.approx(power(planned(site)), rel=SAME, abs=1e-3)


@pytest.mark.parametrize("number", range(MANY))
def test_at_equal_capacities_pressure_never_gives_more(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, boosters=False))
    assert site.pressures
    without = power(planned(replace(site, pressures={})))
    assert power(planned(site)) <= without * (1.0 + SAME) + 1e-3


@pytest.mark.parametrize("number", range(MANY))
def test_longer_is_never_better(number: int, tmp_path: Path) -> None:
    site = pressed_site(number, tmp_path)
    name = list(site.routes)[number % len(site.routes)]
    route = replace(site.routes[name], length=1.7 * site.routes[name].length)
    longer = power(planned(replace(site, routes={**site.routes, name: route})))
    assert longer <= power(planned(site)) * (1.0 + SAME) + 1e-3


@pytest.mark.parametrize("number", [1, 9, 26, 31, 60, 64])
def test_what_is_built_gives_what_was_planned(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path))
    plan = planned(site)
    assert power(planned(as_built(site, plan))) == pytest.approx(power(plan), rel=SAME)


@pytest.mark.parametrize("number", [*range(MANY), 61, 63, 64, 98, 174])
def test_the_audit_accepts_what_the_model_calls_a_plan(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, any_pipe=number % 2 == 0))
    for basis in ("firm", "mean"):
        plan = make_plan(site, Settings(basis=basis, gap=1e-7, node_limit=5000)).plan
        assert plan is not None
        assert audit(site, plan).breaches == ()
