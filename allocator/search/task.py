"""The task of a plan, the result of its search, and what is known of it between two phases."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field

from allocator.base.clock import Clock
from allocator.model.model import Key
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.beside import Beside
from allocator.search.bound_worker import BoundWorker
from allocator.search.outcome import Progress, Reporter
from allocator.solver.settings import Settings


@dataclass(frozen=True, slots=True)
class Task:
    """A site to plan, with what the run has for it.

    ``limit``: s for this plan, of the run's ``clock``. ``executor``: what starts of the path search
    run on. ``worker``: at work on the bound of the first goal. ``raced``: it looks for points too
    (:mod:`allocator.search.race`). ``aside``: so small that estimate and limit are worked out
    beside the plan.
    """

    site: Network
    settings: Settings
    clock: Clock
    limit: float | None
    report: Reporter | None
    executor: Executor | None = None
    worker: BoundWorker | None = None
    raced: bool = False
    aside: bool = False

    def left(self, began: float) -> float | None:
        """Seconds of the limit that are left since ``began``."""
        return None if self.limit is None else self.limit - (self.clock.seconds() - began)


@dataclass(frozen=True, slots=True)
class SearchResult:
    """What the search for a plan returns.

    ``trail``: lines of progress. ``infeasible``: no plan exists. ``reason``: why there is none.
    ``values``: of the model's columns, by key.
    """

    plan: Plan | None = None
    trail: tuple[Progress, ...] = ()
    infeasible: bool = False
    reason: str = ""
    values: Mapping[Key, float] = field(default_factory=dict)


NO_RESULT = SearchResult()


@dataclass(frozen=True, slots=True)
class PlanState:
    """What is known of a plan between two of its phases.

    ``average``: the mean-basis plan for comparison. ``result``: of the search, with the plan as
    later phases complete it. ``beside``: what is worked out at the same time as the best plan.
    """

    task: Task
    average: Plan | None = None
    result: SearchResult = NO_RESULT
    alternatives: tuple[Plan, ...] = ()
    beside: Beside | None = None

    @property
    def plan(self) -> Plan:
        """The plan, where there is one."""
        assert self.result.plan is not None
        return self.result.plan


def none_in_time(clock: Clock) -> str:
    """Why there is no plan where none is proven impossible."""
    if clock.interrupted:
        return "interrupted before a plan was found"
    return "no plan was found in the time; none is proven impossible: allow more time"
