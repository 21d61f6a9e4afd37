"""Bounds by path columns: passed by no plan at any round, and near what all flows together give."""

import math
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from proven_fields import NODES, field_of_wells, prover_for
from strategies import sites
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.model.goals import goals_of
from allocator.model.model import Key
from allocator.search import Settings, make_plan
from allocator.search.bounds import proving
from allocator.search.bounds.arrays import EndArrays, Floats, NetworkArrays
from allocator.search.bounds.column_generation import Duals
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.multipliers import (
    cheapest_paths,
    dual_ascent,
    openings,
    subgradient_steps,
)
from allocator.search.bounds.packed import packed_ends, packed_net
from allocator.search.bounds.path_column_bounds import PathColumnBounds
from allocator.search.strategy.budgets import BOUND
from allocator.site.records import Site


@pytest.fixture
def path_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """Path columns come first on small sites too."""
    monkeypatch.setattr(proving, "BOUND", replace(BOUND, flows=0))


@pytest.mark.usefixtures("path_columns")
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
    relaxed = made.relaxed(None)
    mixed = made.mixed(None)
    close = 2e-6 * site.demands["load"].mean
    assert relaxed is not None
    assert -relaxed >= best - close
    assert mixed.bound is not None
    assert -mixed.bound == pytest.approx(best, abs=close)
    # and with a plan known, what no better one lays is left out: nothing better is left
    assert mixed.columns is not None
    made, full, sets = prover_for(site, basis)
    made.aim(next(g for g in goals_of(full, sets) if g.name == "clean_power"))
    known = Known(-best + close, mixed.columns)
    relaxed = made.relaxed(None, known)
    proven = made.mixed(None, known, known.value - close)
    assert made.trusted
    assert relaxed is not None
    assert proven.bound is not None
    assert relaxed <= known.value
    assert -proven.bound == pytest.approx(best, abs=3 * close)


@pytest.mark.slow
@pytest.mark.usefixtures("path_columns")
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
            sign = -1.0 if goal.maximise else 1.0
            slack = 2e-6 * abs(value[goal.name]) + 20 * goal.scale
            if bound is not None:
                assert bound <= sign * value[goal.name] + slack, goal.name
            if goal.maximise:
                made.hold(goal, value[goal.name] - slack, math.inf)
            else:
                made.hold(goal, -math.inf, value[goal.name] + slack)

    law()


@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_every_round_bounds_what_all_flows_give(
    basis: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = field_of_wells(tmp_path, 8, 1)
    made, full, sets = prover_for(site, basis)
    goal = goals_of(full, sets)[0]
    made.aim(goal)
    whole = made.relaxed(None)
    assert whole is not None

    reported: list[float] = []
    honest = PathColumnBounds._round

    def listening(self: PathColumnBounds, duals: Duals, ends: float | None) -> bool:
        closed = honest(self, duals, ends)
        bound = self.bound()
        assert bound is not None
        reported.append(bound)
        return closed

    monkeypatch.setattr(PathColumnBounds, "_round", listening)
    monkeypatch.setattr(proving, "BOUND", replace(BOUND, flows=0))
    some, _, _ = prover_for(site, basis)
    some.aim(goal)
    path_bound = some.relaxed(None)
    assert path_bound is not None
    close = 1e-6 * abs(whole)
    # minimised: at every round what is reported bounds the formulation, and in the end it is near
    assert len(reported) > 1
    assert all(bound <= whole + close for bound in reported)
    assert path_bound == max(reported)
    assert path_bound == pytest.approx(whole, rel=0.05)


@pytest.mark.usefixtures("path_columns")
@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_a_build_that_is_laid_costs_what_is_said(basis: str, tmp_path: Path) -> None:
    """The relaxation of all flows with a build laid is no better than what is said of it."""
    site = field_of_wells(tmp_path, 5, 3)
    made, full, sets = prover_for(site, basis)
    goal = goals_of(full, sets)[0]
    made.aim(goal)
    bound = made.relaxed(None)
    assert bound is not None
    assert made._path_bounds is not None
    assert made._generation is not None
    said = made._path_bounds.bounds_where_laid()
    keys = [key for link in made._generation.formulation.links for _, key in link.builds]
    whole = made._stated(set())
    worse = 0
    for number in random.Random(1).sample(range(len(keys)), 12):
        column = np.array([whole.model.index(keys[number])])
        whole.solver_model.solver.bounds(column, np.ones(1), np.ones(1))
        # It may end before all cuts are in. Its bound is then lower, and the check below stricter.
        any(whole.cut(None) for _ in range(5))
        assert whole.last is not None
        assert said[number] <= whole.last.bound + 1e-6 * abs(bound)
        worse += said[number] > bound + 0.01 * abs(bound)
        whole.solver_model.solver.bounds(column, np.zeros(1), np.ones(1))
    assert worse >= 3  # most cost something


def one_pipe() -> tuple[NetworkArrays, EndArrays, Floats]:
    """Two wells at the ends of their own lanes to one trunk with two builds; worked by hand."""
    net = NetworkArrays(
        first=np.array([0, 1, 2, 3, 3]),
        end=np.array([2, 2, 3]),
        link=np.array([0, 1, 2]),
        home=np.array([0, 1]),
        most=np.array([1.0, 3.0]),
        sends=np.array([1.0, 3.0]),
        scale=np.array([1.0, 3.0]),
        pipe=np.array([0, 1, 2]),
        build=np.array([0, 1, 2, 4]),
        capacity=np.array([9.0, 9.0, 2.0, 9.0]),
    )
    gains = EndArrays(np.array([0, 1, 2]), np.array([3, 3]), np.array([5.0, 5.0]))
    return packed_net(net), packed_ends(gains), np.array([1.0, 6.0, 4.0, 12.0])


def test_the_dual_infeasibility_by_hand() -> None:
    net, gains, cost = one_pipe()
    # free paths: both are short of 5 a kg/s, 1 kg/s and 3 kg/s of it
    infeasibility, _, _, _ = subgradient_steps(net, gains, cost, np.zeros((2, 3)), 0, 0.0)
    assert infeasibility == 20.0
    # multipliers: lanes what they cost; the trunk 2 and 3: its small build carries 2 kg/s of the
    # dearer well (6 for 4: 2 too much), its large one both (2 + 9 for 12); the wells are short of
    # 5 - 1 - 2 and 5 - 2 - 3
    multipliers = np.array([[1.0, 0.0, 2.0], [0.0, 2.0, 3.0]])
    infeasibility, _, _, _ = subgradient_steps(net, gains, cost, multipliers, 0, 0.0)
    assert infeasibility == pytest.approx(2.0 * 1.0 + 2.0)
    free, infeasibilities = openings(net, gains, cost, multipliers)
    assert infeasibilities.tolist() == [0.0, 0.0, 2.0]
    # each lane and the trunk need all of their multipliers: nothing is gained by lowering one
    assert free.tolist() == [0.0, 0.0, -2.0, 1.0]


def test_steps_reduce_the_dual_infeasibility_that_they_report() -> None:
    net, gains, cost = one_pipe()
    infeasibilities = []
    for steps in (0, 5, 50, 500):
        infeasibility, multipliers, _, _ = subgradient_steps(
            net, gains, cost, np.zeros((2, 3)), steps, 0.0
        )
        again, _, _, _ = subgradient_steps(net, gains, cost, multipliers, 0, 0.0)
        assert again == infeasibility
        infeasibilities.append(infeasibility)
    assert infeasibilities == sorted(infeasibilities, reverse=True)
    # worth laying: the small trunk for 4, well 0 for 5 - 1 and 1 kg/s of well 1 for 5 - 6 / 3
    assert infeasibilities[-1] == pytest.approx(3.0, abs=0.05)
    assert min(infeasibilities) >= 3.0 - 1e-12


def test_multipliers_rise_only_where_no_build_has_an_excess() -> None:
    net, gains, cost = one_pipe()
    before, _, _, _ = subgradient_steps(net, gains, cost, np.zeros((2, 3)), 0, 0.0)
    raised = dual_ascent(net, gains, cost, np.zeros((2, 3)))
    after, _, _, _ = subgradient_steps(net, gains, cost, raised, 0, 0.0)
    # well 0 first: 1 on its lane and 4 on the small trunk that it could have for itself; then
    # well 1: 2 on its lane, and on the trunk what the well before it left, which is nothing but
    # the second kg/s of the small build that it would share
    assert raised[0].tolist() == pytest.approx([1.0, 0.0, 4.0])
    assert raised[1, 1] == pytest.approx(2.0)
    _, infeasibilities = openings(net, gains, cost, raised)
    assert infeasibilities.max() <= 1e-12
    assert after < before


def test_cheapest_paths_are_read_back() -> None:
    net, gains, _ = one_pipe()
    first, arcs, gain = cheapest_paths(net, gains, np.array([[0.0, 0.0, 0.0], [0.5, 2.0, 1.0]]), 1)
    assert first.tolist() == [0, 2]
    assert arcs.tolist() == [2, 1]
    assert gain.tolist() == [2.0]


def test_keys_of_builds_are_ways_on_the_mean_basis_alone(tmp_path: Path) -> None:
    site = field_of_wells(tmp_path, 5, 3)
    for basis, word in (("mean", "way"), ("firm", "lay")):
        made, full, sets = prover_for(site, basis)
        made._many = True
        made.aim(goals_of(full, sets)[0])
        assert made._generation is not None
        keys: list[Key] = made._generation._builds
        assert {key[0] for key in keys if isinstance(key, tuple)} == {word}
