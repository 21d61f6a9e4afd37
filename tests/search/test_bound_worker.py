"""The bound of the first goal in a process of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pressed_sites import pressed_site
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.base.clock import Clock
from allocator.model.model import Model, Terms
from allocator.network.deriving import network_of
from allocator.plans.records import GoalResult, Plan
from allocator.search import Settings, bound_process, make_plan
from allocator.search import bound_worker as module
from allocator.search.bound_process import Best, BoundTask, News, Order
from allocator.search.bound_worker import BoundProcess, bound_worker_of, with_bound_of
from allocator.search.bounds import proving
from allocator.search.bounds.mixed import Known
from allocator.search.outcome import Progress
from allocator.search.strategy.budgets import BOUND
from allocator.solver.interface import Highs, Solved

CASES: list[tuple[str, type[Basis], bool]] = [
    ("mean", MeanBasis, False),
    ("firm", FirmBasis, True),
]


@pytest.fixture(autouse=True)
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "cores", lambda: 2)


@pytest.mark.slow
@pytest.mark.parametrize(("basis", "solver_model", "stores"), CASES)
@pytest.mark.parametrize("number", range(3))
@pytest.mark.parametrize("told", [None, 1.0, 0.8])
def test_its_bound_is_passed_by_no_plan_and_comes_down_to_one_that_is_told(
    number: int, basis: str, solver_model: type[Basis], stores: bool, told: float | None
) -> None:
    site = tiny_site(number, battery=False, stores=stores)
    if site.goals[0] != "clean_power":
        site = replace(site, goals=("clean_power", *(g for g in site.goals if g != "clean_power")))
    best = best_goals(site, solver_model)[0]
    size = site.demands["load"].mean
    news: list[News] = []
    # with no plan to come down to it works on to its end
    ends = time.time() + (5.0 if told is None else 60.0)
    work = BoundTask(Order(network_of(site), Settings(basis=basis), ends), news.append)
    if told is not None:
        work.hear(Best(Known(-told * best, None)))
    work.work()
    bounds = [-one.bound for one in news if one.bound is not None]
    assert bounds == sorted(bounds, reverse=True)
    assert bounds[-1] >= best - 2e-6 * size
    if told is not None:
        assert bounds[-1] <= best * 1.001 + 2e-6 * size
    assert not any(one.withdrawn for one in news)


@pytest.mark.parametrize("by_origin", [False, True])
@pytest.mark.parametrize("number", [1, 2])
def test_under_pressure_its_bound_comes_down_to_the_best_plan(
    number: int, by_origin: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Path columns know no pressures: an integer model goes on where they end."""
    monkeypatch.setattr(proving, "BOUND", replace(BOUND, flows=0))
    if not by_origin:
        monkeypatch.setattr(bound_process, "BOUND", replace(BOUND, carried_builds=0))
    site = pressed_site(number, tmp_path)
    plan = make_plan(site, Settings(gap=1e-7, node_limit=20_000)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    best = plan.goals[0].value
    assert best > 0.0
    news: list[News] = []
    work = BoundTask(Order(network_of(site), Settings(), time.time() + 60.0), news.append)
    work.hear(Best(Known(-0.5 * best, None)))
    work.work()
    bounds = [-one.bound for one in news if one.bound is not None]
    assert bounds == sorted(bounds, reverse=True)
    assert best * (1.0 - 1e-6) <= bounds[-1] <= best * 1.001
    assert any(one.columns is not None for one in news) == by_origin
    assert not any(one.withdrawn for one in news)


def test_the_other_process_hears_and_tells() -> None:
    site = tiny_site(0, battery=True, stores=False)
    plan = make_plan(site, Settings(time_limit=60.0, threads=1)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    worker = BoundProcess(Order(network_of(site), Settings(), time.time() + 60.0))
    worker.report_plan(-plan.goals[0].value, None)
    worker.end(60.0)
    assert worker.fault == ""
    assert worker.bound is not None
    assert -worker.bound == pytest.approx(plan.goals[0].value, rel=2e-4)
    worker.report_plan(0.0, None)  # nobody is there any more, and nothing breaks
    assert worker.take_integers() == [] or plan.goals[0].value > 0


def test_nobody_waits_until_it_has_read_its_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process takes a second or more to begin, and a pipe holds little until it reads."""
    monkeypatch.setattr(module.bound_process, "__name__", "timeit")  # one that reads nothing
    site = network_of(tiny_site(0, battery=True, stores=False))
    site = replace(
        site, places={f"{n:0999}": place for n in range(200) for place in site.places.values()}
    )
    began = time.monotonic()
    worker = BoundProcess(Order(site, Settings(), time.time() + 60.0))
    worker.report_plan(0.0, np.zeros(100_000))
    assert time.monotonic() - began < 0.5
    worker.end()


def test_it_is_left_out_where_all_is_done_before_it_begins() -> None:
    order = Order(
        network_of(tiny_site(0, battery=True, stores=False)), Settings(), time.time() + 9.0
    )
    worker = BoundProcess(order, delay=60.0)
    worker.report_plan(0.0, None)
    worker.end(60.0)
    assert worker.bound is None
    assert worker.fault == ""


def test_it_ends_when_it_is_told_to() -> None:
    worker = BoundProcess(
        Order(network_of(tiny_site(0, battery=True, stores=False)), Settings(), time.time() + 1e6)
    )
    worker.end()
    assert worker.bound is None or worker.bound < 0.0


def made_by_two(number: int) -> Plan:
    plan = make_plan(tiny_site(number, battery=True, stores=False), Settings(time_limit=60.0)).plan
    assert plan is not None
    return plan


@pytest.mark.parametrize("number", range(3))
def test_the_plan_is_as_good_as_with_one_thread(number: int) -> None:
    site = tiny_site(number, battery=True, stores=False)
    alone = make_plan(site, Settings(time_limit=60.0, threads=1)).plan
    assert alone is not None
    for goal, other in zip(made_by_two(number).goals, alone.goals, strict=True):
        assert goal.value == pytest.approx(other.value, rel=1e-3, abs=1.0), goal.name


def test_a_fault_worker_loses_no_plan_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    class Faulty(Order):
        """What the other process cannot make sense of."""

        def __reduce__(self) -> tuple[object, ...]:
            return (Order, (None, self.settings, self.ends))

    monkeypatch.setattr(module, "Order", Faulty)
    lines: list[Progress] = []
    site = tiny_site(0, battery=True, stores=False)
    outcome = make_plan(site, Settings(time_limit=30.0), lines.append)
    assert outcome.plan is not None
    assert outcome.plan.goals[0].value > 0.0
    worker = BoundProcess(Faulty(network_of(site), Settings(), time.time() + 30.0))
    worker.end(30.0)
    assert "NoneType" in worker.fault


def test_one_core_one_thread_and_pools_do_without(monkeypatch: pytest.MonkeyPatch) -> None:
    site = tiny_site(0, battery=False, stores=False)

    def begun(settings: Settings, limit: float | None, busy: bool) -> bool:
        worker = bound_worker_of(network_of(site), settings, Clock(limit), busy)
        if worker is not None:
            worker.end()
        return worker is not None

    assert begun(Settings(), 10.0, False)
    assert not begun(Settings(), None, False)  # nodes are counted, not seconds
    assert not begun(Settings(threads=1), 10.0, False)
    assert not begun(Settings(solver="cbc"), 10.0, False)
    assert not begun(Settings(), 10.0, True)
    with ThreadPoolExecutor(1) as pool:
        assert not pool.submit(begun, Settings(), 10.0, False).result()
    monkeypatch.setattr(module, "cores", lambda: 1)
    assert not begun(Settings(), 10.0, False)


class Told(BoundProcess):
    """One that has a bound already."""

    def __init__(self, bound: float | None) -> None:
        self._told = bound

    @property
    def bound(self) -> float | None:
        return self._told


@pytest.mark.parametrize(
    ("bound", "status", "expected", "then"),
    [
        (None, "time_limit", 120.0, "time_limit"),
        (-110.0, "time_limit", 110.0, "time_limit"),
        (-130.0, "time_limit", 120.0, "time_limit"),  # the plan has a better one
        (-90.0, "time_limit", 120.0, "time_limit"),  # a plan that passes it refutes it
        (-110.0, "optimal", 120.0, "optimal"),
        (-100.005, "time_limit", 100.005, "within_gap"),
        (-100.0, "time_limit", 100.0, "optimal"),
    ],
)
def test_the_better_bound_is_kept(
    bound: float | None, status: str, expected: float, then: str
) -> None:
    plan = made_by_two(0)
    goal = GoalResult("clean_power", "W", "max", 100.0, 120.0, 20.0 / 120.0, status)
    plan = replace(plan, goals=(goal,))
    found = with_bound_of(plan, Told(bound), 1e-4).goals[0]
    assert found.bound == expected
    assert found.status == then
    assert found.gap == pytest.approx((expected - 100.0) / expected)


def knapsack(items: int, seed: int) -> Highs:
    """A market split, hard beyond its size: there is always something to do for a while."""
    chance = np.random.default_rng(seed)
    model = Model()
    for n in range(items):
        model.variable(("take", n), high=1.0, integer=True)
    for m in range(4):
        weights = chance.integers(1, 100, items)
        half = float(weights.sum() // 2)
        for name in ("over", "under"):
            model.variable((name, m))
        terms: Terms = [(float(w), ("take", n)) for n, w in enumerate(weights)]
        terms += [(1.0, ("under", m)), (-1.0, ("over", m))]
        model.row(f"split{m}", terms, low=half, high=half)
    made = Highs(model, 1, seed)
    costs = {model.index((name, m)): 1.0 for m in range(4) for name in ("over", "under")}
    made.set_objective(costs)
    return made


def test_two_integer_programs_at_once_and_each_is_stopped_by_its_own_word() -> None:
    begun = threading.Barrier(2, timeout=60.0)

    def solved(items: int, stop: Callable[[], bool]) -> Solved:
        solver_model = knapsack(items, items)
        begun.wait()
        return solver_model.solve(time_limit=60.0, stop=stop)

    calls: list[int] = []

    def soon() -> bool:
        calls.append(1)
        return len(calls) >= 3

    with ThreadPoolExecutor(2) as pool:
        long = pool.submit(solved, 40, soon)
        short = pool.submit(solved, 8, lambda: False)
        assert short.result().status == "optimal"
        assert long.result().status == "interrupted"
