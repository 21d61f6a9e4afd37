"""A phase of a search: what it is called, what it runs, when, and how much of the time it has."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Generic, TypeVar

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Budget:
    """What a phase may use.

    Attributes
    ----------
    share : float
        Of the time that is left when a step of the phase begins.
    until : float
        Share of the whole time, counted from its start, after which no other step begins.
    rounds : int
        Steps at most.
    least : float
        Share of the time limit of the run that a step has however late it is.
    """

    share: float = 1.0
    until: float = 1.0
    rounds: int = 1
    least: float = 0.0


def always(state: object) -> bool:
    """The condition of a phase that runs in any state."""
    del state
    return True


@dataclass(frozen=True, slots=True)
class Phase(Generic[S]):
    """One phase: ``run`` takes a state and a budget and returns the state that it leaves.

    ``condition`` is asked of the state right before it; nothing else records which phases ran.
    """

    name: str
    run: Callable[[S, Budget], S]
    budget: Budget = Budget()
    condition: Callable[[S], bool] = always


def run_phases(
    phases: Iterable[Phase[S]], state: S, ended: Callable[[S], bool] = lambda state: False
) -> S:
    """The state after all phases whose condition holds, in order, until ``ended`` holds."""
    for phase in phases:
        if ended(state):
            break
        if phase.condition(state):
            state = phase.run(state, phase.budget)
    return state
