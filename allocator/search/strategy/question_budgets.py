"""Shares of time of questions around a plan, stated as those of a plan in :mod:`budgets`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class QuestionBudgets:
    """Marginal values, alternatives, frontier, why, the written model."""

    marginal: float = 0.3
    """A goal with integers held, of which marginal values are taken; the re-plan of one step."""
    marginal_opened: float = 0.2
    """One limit opened a little."""
    marginal_seconds: float = 1.0
    """Seconds without which no step of a limit is planned again."""
    alternative_search: float = 0.3
    """The path search for one alternative."""
    alternative_solve: float = 0.5
    """One solve, repair or clean-up of an alternative."""
    alternative_seconds: float = 0.1
    """Seconds of such a step at the least; below twice that no other one begins."""
    alternative_rounds: int = 10
    """Solves of one alternative while store cuts are new."""
    frontier_top: float = 0.3
    """The upper end of a frontier, whose bound holds for every point."""
    frontier_top_least: float = 0.15
    """The least of the scarce thing at that end."""
    frontier_search: float = 0.25
    """The path search under the cap of a point, of the time of the point."""
    frontier_power: float = 0.45
    """The most power under that cap, of the time of the point."""
    frontier_least: float = 0.25
    """The least of the scarce thing for that power, of the time of the point."""
    frontier_candidates: float = 0.6
    """The moves of that path search; the rest is for repair."""
    frontier_repair: float = 0.5
    """The repair of one of its candidates."""
    frontier_repair_until: float = 0.9
    """Share of its time after which no other candidate is repaired."""
    frontier_clean_up_seconds: float = 5.0
    """Seconds at most for each step of the clean-up of a point."""
    possible: float = 0.3
    """Whether any plan keeps all limits, or the rules without them."""
    possible_with_plans: float = 0.15
    """The same where plans with one limit changed are searched after it."""
    nearest: float = 0.35
    """The nearest plan to what is wanted."""
    unlimited: float = 0.1
    """Whether the rules hold with no limit at all."""
    dropped: float = 0.7
    """All plans with one limit dropped, in even parts."""
    named: float = 0.2
    """Whether the limits that the relaxation names conflict by themselves."""
    filters: tuple[int, ...] = (4, 2)
    """Passes of the deletion filter, each with one part in so many a limit: as much time again is
    kept for the least changes."""
    filter_seconds: float = 0.5
    """Seconds of a question of the filter at the least."""
    built_on: float = 0.4
    """What is built beside a known plan in the elastic relaxation, its beginning."""
    most_served_seconds: float = 10.0
    """Seconds at most to say how much of a demand can be served."""
    written: float = 0.3
    """The relaxation of a model that is written to a file; its start."""


QUESTIONS = QuestionBudgets()
