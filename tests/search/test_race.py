"""The race for a small site: the integer model beside the bound by origin and the path search."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from families import site_of
from pressed_sites import pressed_site
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site
from transport_sites import Arc, flow_site

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.model import Model
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.plans.records import Robustness
from allocator.search import Settings, make_plan, race
from allocator.search import bound_worker as module
from allocator.search.bound_process import Order
from allocator.search.bounds.mixed import Known
from allocator.search.goal_search import GoalSearch, goal_search_of
from allocator.search.neighbourhoods import layout_of
from allocator.search.paths.known import point_of_plan
from allocator.search.race import RacePoints, Racer, is_raced, threads_of
from allocator.search.state import SearchState
from allocator.search.strategy.budgets import CANDIDATES, RACE
from allocator.solver.interface import Highs, Solved
from allocator.solver.solver_model import SolverModel


@pytest.fixture(autouse=True)
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "cores", lambda: 2)
    monkeypatch.setattr(race, "RACE", replace(RACE, delay_seconds=0.0))


def knapsack() -> Highs:
    """Fourteen things, three limits: the best of them is worth 201 (every choice was tried)."""
    chance = np.random.default_rng(1)
    model = Model()
    worth = [float(chance.integers(5, 60)) for n in range(14)]
    for n in range(14):
        model.variable(("take", n), high=1.0, integer=True)
    for m in range(3):
        weights = chance.integers(5, 60, 14)
        terms = [(float(w), ("take", n)) for n, w in enumerate(weights)]
        model.row(f"limit{m}", terms, high=float(weights.sum() // 3))
    solver = Highs(model, 1, 0)
    solver.set_objective({n: -value for n, value in enumerate(worth)})
    solver.exchanging = True
    return solver


def solved(solver: Highs) -> Solved:
    return solver.solve(time_limit=60.0, stop=lambda: False)


def test_a_solver_tells_of_its_points_while_it_runs() -> None:
    solver = knapsack()
    found = solved(solver)
    point = solver.take_improved()
    assert found.point is not None
    assert point is not None
    assert found.value == pytest.approx(-201.0)
    assert np.round(point) == pytest.approx(np.round(found.point))
    assert solver.take_improved() is None


def test_a_solver_takes_the_point_that_it_is_handed_and_none_that_breaks_a_row() -> None:
    best = solved(knapsack()).point
    assert best is not None
    for point, taken in ((best, True), (np.ones(14), False)):
        solver = knapsack()
        solver.model.setOptionValue("presolve", "off")
        solver.suggest(point)
        # one node, and no search for points of its own, which leave it at 178
        found = solver.solve(time_limit=60.0, stop=lambda: False, node_limit=1, cutoff=-200.5)
        assert (found.value == pytest.approx(-201.0)) is taken


def test_nothing_is_told_where_nobody_asks() -> None:
    solver = knapsack()
    solver.exchanging = False
    solver.suggest(np.zeros(14))
    assert solved(solver).value == pytest.approx(-201.0)
    assert solver.take_improved() is None


def test_which_sites_are_raced(tmp_path: Path) -> None:
    fewest = CANDIDATES.sources
    assert is_raced(network_of(site_of(tmp_path, fewest - 1, 12, 2)), Settings())
    assert not is_raced(network_of(site_of(tmp_path, fewest, 12, 2)), Settings())
    site = network_of(tiny_site(0, battery=True, stores=True))
    assert is_raced(site, Settings())
    assert not is_raced(site, Settings(robustness=Robustness(lost=1)))
    assert not is_raced(network_of(pressed_site(1, tmp_path)), Settings())
    arcs = [Arc("a", "b", None, 1.0, 1.0)]
    flows = flow_site(arcs, {"a": 1.0}, {"b": 1.0}, ("money",), min_share=1.0)
    assert not is_raced(network_of(flows), Settings())  # nobody wants power


def test_which_sites_have_two_threads(tmp_path: Path) -> None:
    arcs = [Arc("a", "b", None, 1.0, 1.0)]
    flows = network_of(flow_site(arcs, {"a": 1.0}, {"b": 1.0}, ("money",), min_share=1.0))
    power = network_of(pressed_site(1, tmp_path))
    assert threads_of(flows, Settings(), Clock(9.0), busy=False) == 2
    assert threads_of(flows, Settings(threads=1), Clock(9.0), busy=False) == 1
    assert threads_of(flows, Settings(), Clock(9.0), busy=True) is None
    assert threads_of(flows, Settings(node_limit=5), Clock(None), busy=False) is None
    assert threads_of(power, Settings(), Clock(9.0), busy=False) is None  # the bound has the core


@pytest.mark.parametrize(("basis", "choices"), [("mean", MeanBasis), ("firm", FirmBasis)])
@pytest.mark.parametrize("number", range(3))
def test_the_value_is_that_of_all_choices(
    number: int, basis: str, choices: type[Basis], monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Racer] = []

    class Watched(Racer):
        def __init__(self, order: Order) -> None:
            super().__init__(order)
            begun.append(self)

    monkeypatch.setattr(race, "Racer", Watched)
    site = tiny_site(number, battery=False, stores=basis == "firm")
    plan = make_plan(site, Settings(basis=basis, time_limit=60.0, gap=1e-6)).plan
    assert plan is not None
    (racer,) = begun
    assert racer.fault == ""
    best = best_goals(site, choices)[0]
    scale = site.demands["load"].mean
    values = {goal.name: goal for goal in plan.goals}
    if "clean_power" in values:
        goal = values["clean_power"]
        assert goal.status == "optimal"
        assert goal.value == pytest.approx(best, abs=2e-6 * scale)
        assert goal.bound is not None
        assert goal.bound >= best - 2e-6 * scale


def test_sound_points_of_the_other_runner() -> None:
    """What it makes of integers keeps all store cuts, and is worth what it says."""
    site = network_of(tiny_site(0, battery=True, stores=True))
    plan = make_plan(site, Settings(node_limit=10_000)).plan
    assert plan is not None
    model, sets = state(site, "firm")
    columns = point_of_plan(model, sets, plan)
    assert columns is not None
    known = RacePoints(model, sets, Settings(), Clock(20.0)).repaired(columns)
    assert known is not None
    assert known.columns is not None
    values = model.by_key(known.columns)
    assert lazy_cuts(model, sets)(values, 1e-8) == []
    goal, (name, value) = goals_of(model, sets)[0], (plan.goals[0].name, plan.goals[0].value)
    sign = -1.0 if goal.maximise else 1.0
    assert goal.name == name
    assert known.value == pytest.approx(sign * value, rel=1e-6)
    assert sign * model.value(goal.terms, values) == pytest.approx(known.value, rel=1e-6)


class Told(Racer):
    """One that has a bound and a point already."""

    def __init__(self, bound: float, sound: Known | None) -> None:
        self._told, self._point = bound, sound
        self.plans: list[float] = []

    @property
    def bound(self) -> float:
        return self._told

    @property
    def sound(self) -> Known | None:
        return self._point

    def report_plan(self, value: float, columns: np.ndarray | None) -> None:
        self.plans.append(value)


def searched(bound: float, sound: Known | None) -> tuple[GoalSearch, Told]:
    """The first goal of a tiny site, whose solver is at work, and the other runner."""
    settings = Settings(basis="mean")
    model, sets = state(network_of(tiny_site(0, battery=False, stores=False)), settings.basis)
    solver_model = SolverModel(model, lazy_cuts(model, sets), settings, Clock(60.0))
    worker = Told(bound, sound)
    common = SearchState(solver_model, layout_of(model, sets), None, worker=worker)
    search = goal_search_of(common, goals_of(model, sets)[0], 60.0)
    solver_model.solver.exchanging = True
    return search, worker


def test_the_solver_ends_once_where_points_and_bounds_meet() -> None:
    point = np.zeros(1)
    search, _ = searched(-100.0, Known(-90.0, point))
    assert not search.worker_closes()
    search, _ = searched(-100.0, Known(-100.0, point))
    assert search.worker_closes()
    assert search.solver_model.solver._suggested is point
    # the point was worth less when it was repaired: the solver goes on to its own end
    assert not search.worker_closes()
    search.best = -100.0
    assert search.worker_closes()


def test_points_of_the_solver_are_told_to_the_other_runner() -> None:
    search, worker = searched(-1e9, None)
    solver_model = search.solver_model
    result = solver_model.run(time_limit=60.0)
    assert result.status == Status.OPTIMAL
    solver_model.solver._improved = result.point  # what a longer run has told of
    search.worker_closes()
    value = solver_model.unscaled(result.value)
    assert value is not None
    assert worker.plans[0] == pytest.approx(value, rel=1e-6)
    assert worker.plans[0] >= value  # never better than the point is
    assert search.seen == worker.plans[0]


def test_it_ends_when_it_is_told_to_and_says_what_went_wrong() -> None:
    site = network_of(tiny_site(0, battery=True, stores=False))
    began = time.monotonic()
    racer = Racer(Order(site, Settings(), time.time() + 1e6))
    racer.end()
    assert time.monotonic() - began < 20.0
    assert racer.fault == ""
    racer = Racer(Order(None, Settings(), time.time() + 30.0))  # type: ignore[arg-type]
    racer.end(30.0)
    assert "NoneType" in racer.fault
    assert racer.bound is None
