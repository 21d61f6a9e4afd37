"""Estimate and limit of a small site at the same time as its best plan."""

from __future__ import annotations

import threading
import time

import pytest
from tiny_sites import tiny_site

from allocator.base.clock import Clock, OutOfTimeError
from allocator.plans.records import Ceiling, Plan
from allocator.search import Settings, best_plan, make_plan
from allocator.search import bound_worker as module
from allocator.search.beside import Beside


def limit(clock: Clock) -> Ceiling:
    while not clock.out():
        time.sleep(0.01)
    return Ceiling(1.0, None)


def test_it_is_ended_when_the_plan_is_there_and_keeps_what_it_found() -> None:
    began = time.monotonic()
    beside = Beside(Clock(None), lambda clock: None, limit)
    beside.finish(hurry=True)
    assert time.monotonic() - began < 2.0
    assert beside.average is None
    assert beside.ceiling in (None, Ceiling(1.0, None))


def until_ended(clock: Clock) -> Plan | None:
    while not clock.interrupted:
        time.sleep(0.01)
    return None


def test_it_leaves_the_core_to_the_race_until_the_plan_is_there() -> None:
    begun: list[str] = []

    def estimate(clock: Clock) -> Plan | None:
        begun.append(threading.current_thread().name)
        return until_ended(clock)

    def limit_at_once(clock: Clock) -> Ceiling:
        begun.append(threading.current_thread().name)
        return Ceiling(1.0, None)

    beside = Beside(Clock(None), estimate, limit_at_once, delay=3600.0)
    assert not begun
    beside.finish(hurry=False)
    # the limit on the core of the plan, once, while the estimate is at work
    assert sorted(begun) == [threading.current_thread().name, "beside the best plan"]
    assert beside.ceiling == Ceiling(1.0, None)
    begun.clear()
    beside = Beside(Clock(None), estimate, limit_at_once, delay=3600.0)
    beside.finish(hurry=True)
    assert not begun
    assert beside.ceiling is None


def test_a_limit_without_time_is_left_to_what_comes_after() -> None:
    def out_of_time(clock: Clock) -> Ceiling:
        raise OutOfTimeError

    beside = Beside(Clock(None), until_ended, out_of_time, delay=3600.0)
    beside.finish(hurry=False)
    assert beside.ceiling is None


def test_its_faults_are_not_lost() -> None:
    def estimate(clock: Clock) -> Plan | None:
        raise ArithmeticError("no estimate")

    with pytest.raises(ArithmeticError, match="no estimate"):
        Beside(Clock(None), estimate, limit).finish(hurry=False)


@pytest.mark.parametrize("number", range(2))
def test_both_are_those_of_a_run_in_one_thread(
    number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "cores", lambda: 2)
    begun: list[Beside] = []

    class Watched(Beside):
        def finish(self, hurry: bool) -> None:
            begun.append(self)
            self._thread.join()  # however slow the machine
            super().finish(hurry)

    monkeypatch.setattr(best_plan, "Beside", Watched)
    site = tiny_site(number, battery=False, stores=True)
    here = make_plan(site, Settings(time_limit=60.0))
    alone = make_plan(site, Settings(node_limit=1000))
    assert len(begun) == 1
    assert here.plan is not None
    assert alone.plan is not None
    assert here.mean_basis is not None
    assert alone.mean_basis is not None
    mean, other = here.mean_basis.power, alone.mean_basis.power
    assert mean.mean_clean == pytest.approx(other.mean_clean, rel=2e-3)
    for one, two in zip(
        (here.plan.ceiling.clean, here.plan.ceiling.total),
        (alone.plan.ceiling.clean, alone.plan.ceiling.total),
        strict=True,
    ):
        assert one == pytest.approx(two, rel=2e-3)
    assert here.plan.goals[0].value == pytest.approx(alone.plan.goals[0].value, rel=2e-4)
