"""What a run of planning reports on the way, and what it returns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from allocator.plans.records import Plan

REFUSED = "a plan fails its audit: "
"""How a line of progress begins that tells of a breach."""


@dataclass(frozen=True, slots=True)
class Progress:
    """A line of progress: the plan and bound known for a goal after some seconds."""

    seconds: float
    goal: str
    value: float | None
    bound: float | None
    gap: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What planning returns. Having a plan and why the search stopped are separate facts.

    ``proven_impossible``: no plan exists, and ``reason`` says why in the user's words.
    ``seconds``: time by part. ``mean_basis``: the mean-basis plan made for comparison.
    ``alternatives``: other plans, where they were asked for. ``left_out``: what no time was left
    for, in words.
    """

    plan: Plan | None
    proven_impossible: bool = False
    reason: str = ""
    seconds: Mapping[str, float] = field(default_factory=dict)
    search: tuple[Progress, ...] = ()
    mean_basis: Plan | None = None
    alternatives: tuple[Plan, ...] = ()
    left_out: tuple[str, ...] = ()


Reporter = Callable[[Progress], None]
