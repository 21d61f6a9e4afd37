"""A variable for each direction of a pipe: the same answers; points know their directions."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from transport_sites import Arc, flow_site

from allocator.model import stating
from allocator.model.goals import goals_of
from allocator.network.deriving import network_of
from allocator.plans.records import Robustness
from allocator.search import Settings, make_plan
from allocator.search.paths.known import point_of_plan
from allocator.site.records import Site
from allocator.solver.interface import Highs


def two_way_network(seed: int) -> Site:
    """Six nodes, ten pipes that may flow either way, two sources, three demands."""
    chance = random.Random(seed)
    pairs = {(chance.randrange(n), n) for n in range(1, 6)}
    while len(pairs) < 10:
        a, b = sorted(chance.sample(range(6), 2))
        pairs.add((a, b))
    arcs = [
        Arc(str(a), str(b), chance.choice((4.0, 20.0)), chance.randint(0, 2), chance.randint(1, 9))
        for a, b in sorted(pairs)
    ]
    needs = {"3": 2.0, "4": 3.0, "5": 4.0}
    site = flow_site(arcs, {"0": 9.0, "1": 6.0}, needs, ("money",), min_share=1.0)
    routes = {name: replace(route, one_way=False) for name, route in site.routes.items()}
    return replace(site, routes=routes)


def least_money(site: Site, basis: str) -> float | None:
    """The least money of the model as it is stated, by HiGHS."""
    model, sets = stating.state(network_of(site), basis)
    solver = Highs(model, 1, 0)
    solver.set_objective(dict(model.summed(goals_of(model, sets)[0].terms)))
    return solver.solve(gap=0.0).value


@pytest.mark.parametrize("basis", ["firm", "mean"])
@pytest.mark.parametrize("seed", range(6))
def test_two_variables_a_pipe_have_the_answer_of_one(
    seed: int, basis: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = two_way_network(seed)
    both = least_money(site, basis)
    model, sets = stating.state(network_of(site), basis)
    assert len(sets.two_way) == 10
    monkeypatch.setattr(stating, "two_way_pipes", lambda sets: frozenset())
    assert stating.state(network_of(site), basis)[1].two_way == frozenset()
    assert both == pytest.approx(least_money(site, basis), rel=1e-6)
    assert sum(column.implied for column in model.columns) == 10


def test_a_known_plan_says_in_which_direction_its_pipes_flow() -> None:
    site = two_way_network(0)
    plan = make_plan(site, Settings(node_limit=100)).plan
    assert plan is not None
    model, sets = stating.state(network_of(site), "firm")
    point = point_of_plan(model, sets, plan)
    solver = Highs(model, 1, 0)
    solver.set_objective(dict(model.summed(goals_of(model, sets)[0].terms)))
    solver.fix(point)
    assert solver.solve().value == pytest.approx(plan.goals[0].value, rel=1e-6)
    ways = [
        c.key for c, value in zip(model.columns, point, strict=True) if c.key[0] == "way" and value
    ]
    assert sorted((key[1], key[2]) for key in ways) == sorted(
        (run.route, run.flows[0].start) for run in plan.runs
    )


def test_flows_that_may_turn_where_units_are_out_keep_one_variable() -> None:
    sets = stating.offered(network_of(two_way_network(0)), "firm", Robustness(machines=1))
    assert not sets.two_way
