"""Stops that keep the plan: Ctrl-C, no time at all; and the same bytes for a node limit."""

import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from allocator.base.clock import Clock
from allocator.model.model import Model
from allocator.network.reading import read_site
from allocator.plans.file import plan_to_json
from allocator.search import Settings, make_plan
from allocator.solver.interface import Solved
from allocator.solver.solver_model import SolverModel
from allocator.verify import audit

NETWORKS = Path(__file__).parents[2] / "networks"


@pytest.mark.slow
def test_interrupt_keeps_a_plan_that_the_audit_accepts() -> None:
    site = read_site(NETWORKS / "harbour_capacities.yaml")
    threading.Timer(4.0, os.kill, (os.getpid(), signal.SIGINT)).start()
    outcome = make_plan(site, Settings(time_limit=120.0))
    assert outcome.plan is not None
    assert outcome.plan.status == "interrupted"
    assert outcome.seconds["total"] < 60.0
    assert audit(site, outcome.plan).accepted


def test_hardly_any_time_still_gives_what_stands() -> None:
    site = read_site(NETWORKS / "harbour_capacities.yaml")
    outcome = make_plan(site, Settings(time_limit=0.3))
    assert outcome.plan is not None
    assert audit(site, outcome.plan).accepted


@pytest.mark.slow
def test_node_limit_gives_the_same_bytes() -> None:
    site = read_site(NETWORKS / "island.yaml")
    settings = Settings(node_limit=200, seed=7)
    first, second = (make_plan(site, settings).plan for _ in range(2))
    assert first is not None
    assert second is not None
    assert plan_to_json(first) == plan_to_json(second)


class _EndsWhenAsked:
    """A solver that ends at its first question, if the answer is yes."""

    def solve(self, stop: Callable[[], bool], **arguments: object) -> Solved:
        return Solved("interrupted" if stop() else "optimal", None, None, None)


def test_an_end_by_a_known_bound_is_not_an_interrupt() -> None:
    """The answer to `enough` may change after the solve, when the bound is on its next goal."""
    clock = Clock(None)
    solver_model = SolverModel(Model(), lambda values, tolerance: [], Settings(), clock)
    solver_model.solver = _EndsWhenAsked()  # type: ignore[assignment]
    solver_model.enough = iter([True, False]).__next__
    assert solver_model.run().status == "interrupted"
    assert not clock.interrupted


def test_an_end_by_the_user_is_an_interrupt() -> None:
    clock = Clock(None, interrupted=True, watching=True)
    solver_model = SolverModel(Model(), lambda values, tolerance: [], Settings(), clock)
    solver_model.solver = _EndsWhenAsked()  # type: ignore[assignment]
    assert solver_model.run().status == "interrupted"
    assert clock.interrupted
