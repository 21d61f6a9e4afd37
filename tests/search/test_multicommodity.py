"""The multicommodity formulation: no plan passes its bounds, which are tight where they must be."""

import itertools
import math
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from networks.stored_answers import OPEN, answer, names, site_of
from proven_fields import NODES, field_of_wells, prover_for
from strategies import sites
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.base.clock import Clock
from allocator.model.cuts import promises_of, violated
from allocator.model.goals import goals_of
from allocator.model.model import Key, Model
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search import Settings, make_plan
from allocator.search.bounds.disaggregated import PipeLink, disaggregated_model
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.thresholds import broken_thresholds, threshold_row
from allocator.site.records import Site
from allocator.solver.solver_model import SolverModel


@pytest.mark.parametrize(
    ("basis", "solver_model", "battery", "stores"),
    [
        ("mean", MeanBasis, False, False),
        ("firm", FirmBasis, False, True),
        ("firm", FirmBasis, True, False),
    ],
)
@pytest.mark.parametrize("number", range(4))
def test_bounds_against_every_choice_tried(
    number: int, basis: str, solver_model: type[Basis], battery: bool, stores: bool
) -> None:
    site = tiny_site(number, battery=battery, stores=stores)
    best = best_goals(site, solver_model)[0]
    made, full, sets = prover_for(site, basis)
    made.aim(next(g for g in goals_of(full, sets) if g.name == "clean_power"))
    relaxed, mixed = made.relaxed(None), made.mixed(None)
    assert relaxed is not None
    assert mixed.bound is not None
    close = 2e-6 * site.demands["load"].mean
    assert -relaxed >= best - close
    # it has the same plans as the model, so its own optimum is that of the model
    assert -mixed.bound == pytest.approx(best, abs=close)


@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_no_plan_of_a_drawn_site_passes_its_bound(basis: str) -> None:
    @settings(
        max_examples=12,
        derandomize=True,
        deadline=None,
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(site=sites())
    def law(site: Site) -> None:
        plan = make_plan(site, Settings(basis=basis, gap=1e-6, node_limit=NODES)).plan
        assert plan is not None
        value = {goal.name: goal.value for goal in plan.goals}
        made, full, sets = prover_for(site, basis)
        for goal in goals_of(full, sets):
            made.aim(goal)
            bound = made.relaxed(None)
            assert bound is not None
            sign = -1.0 if goal.maximise else 1.0
            slack = 2e-6 * abs(value[goal.name]) + 20 * goal.scale
            assert bound <= sign * value[goal.name] + slack, goal.name
            if goal.maximise:
                made.hold(goal, value[goal.name] - slack, math.inf)
            else:
                made.hold(goal, -math.inf, value[goal.name] + slack)

    law()


def drawn_link(chance: random.Random, count: int) -> tuple[Model, PipeLink, dict[Key, float]]:
    model = Model()
    values: dict[Key, float] = {}
    flows, builds = [], []
    for n in range(count):
        key: Key = ("flow", n)
        model.variable(key)
        most = chance.uniform(0.5, 3.0)
        values[key] = most * chance.choice([0.0, 0.1, 0.5, 1.0])
        flows.append((f"o{n}", (key,), most))
    for n, capacity in enumerate((1.0, 2.5, 7.0)):
        key = ("lay", n)
        model.variable(key, high=1.0, integer=True)
        values[key] = chance.choice([0.0, 0.1, 0.3])
        builds.append((capacity, key))
    return model, PipeLink("pipe", tuple(flows), tuple(builds)), values


@pytest.mark.parametrize("seed", range(40))
def test_the_worst_threshold_cut_against_all_sets(seed: int) -> None:
    chance = random.Random(seed)
    model, link, values = drawn_link(chance, 6)
    worst = 0.0
    for size in range(1, 7):
        for chosen in itertools.combinations(link.flows, size):
            together = sum(most for _, _, most in chosen)
            right = sum(min(capacity, together) * values[key] for capacity, key in link.builds)
            worst = max(worst, sum(values[keys[0]] for _, keys, _ in chosen) - right)
    cuts = broken_thresholds([link], values, 1e-9)
    if worst <= 1e-6:
        assert not cuts
        return
    (cut,) = cuts
    row = threshold_row(model, link, cut)
    assert row is not None
    point = np.array([values[column.key] for column in model.columns])
    broken = row.scale * float(np.array(row.coefficients) @ point[list(row.columns)])
    assert broken == pytest.approx(worst, rel=1e-9)
    # and it cuts off no flow that one build can carry
    for capacity, lay in link.builds:
        whole = dict.fromkeys(values, 0.0) | {lay: 1.0}
        left = capacity
        for _, keys, most in sorted(link.flows, key=lambda _: chance.random()):
            whole[keys[0]] = min(most, left)
            left -= whole[keys[0]]
        point = np.array([whole[column.key] for column in model.columns])
        assert float(np.array(row.coefficients) @ point[list(row.columns)]) <= row.high + 1e-12


def test_a_formulation_that_lacks_a_plan_proves_nothing() -> None:
    site = tiny_site(0, battery=False, stores=False)
    made, full, sets = prover_for(site, "mean")
    goal = goals_of(full, sets)[0]
    made.aim(goal)
    found = made.mixed(None)
    assert found.columns is not None
    assert found.bound is not None
    # a plan said to be better than what its whole numbers can give
    wrong = Known(found.bound - 0.5 * abs(found.bound), found.columns)
    better = made.mixed(None, wrong, wrong.value - 0.1 * abs(found.bound))
    assert not made.trusted
    assert better.bound is None
    assert made.relaxed(None) is None


def test_pipes_are_laid_in_one_way_on_the_mean_basis_alone() -> None:
    site = tiny_site(0, battery=False, stores=True)
    for basis, directed in (("mean", True), ("firm", False)):
        full, sets = state(network_of(site), basis)
        keys = [column.key for column in disaggregated_model(full, sets).model.columns]
        ways = [key for key in keys if isinstance(key, tuple) and key[0] == "way"]
        assert bool(ways) == directed


@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_the_bound_by_origin_is_far_below_the_plain_one(basis: str, tmp_path: Path) -> None:
    site = field_of_wells(tmp_path, 8, 2)
    made, full, sets = prover_for(site, basis)
    goal = goals_of(full, sets)[0]
    made.aim(goal)
    ours = made.relaxed(None)
    promises = () if sets.lossless else promises_of(sets)
    plain = SolverModel(
        full,
        lambda values, tolerance: violated(full, promises, values, tolerance),
        Settings(basis=basis),
        Clock(None),
    )
    plain.aim(goal)
    theirs = plain.unscaled(plain.relaxed().bound)
    assert ours is not None
    assert theirs is not None
    assert -ours < 0.9 * -theirs


@pytest.mark.parametrize(
    "name", [n for n in names() if answer(n)["outcome"] == "plan" and n not in OPEN]
)
def test_no_stored_answer_of_a_network_passes_its_bound(name: str) -> None:
    site, stored = site_of(name), answer(name)
    made, full, sets = prover_for(site, "firm")
    for goal in goals_of(full, sets):
        value = stored["goals"][goal.name]["value"]
        made.aim(goal)
        bound = made.relaxed(None)
        assert bound is not None
        slack = 1e-3 * abs(value) + 20 * goal.scale
        sign = -1.0 if goal.maximise else 1.0
        assert bound <= sign * value + slack, goal.name
        made.hold(
            goal,
            value - slack if goal.maximise else -math.inf,
            math.inf if goal.maximise else value + slack,
        )
