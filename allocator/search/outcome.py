"""What a run of planning reports on the way, and what it returns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from allocator.plans.records import Plan

REFUSED = "a plan fails its audit: "
"""How a line of progress begins that tells of a breach."""


@dataclass(frozen=True, slots=True)
class Progress:
    """A line of progress: what is known of a goal after some seconds.

    Attributes
    ----------
    seconds : float
        Since the start.
    goal : str
        Name of the goal; empty before the first.
    value, bound : float or None
        Of the best plan, and what no plan can pass, in the goal's SI unit.
    gap : float or None
        Between the two, as a share.
    note : str
        What happened, in words.

    Examples
    --------
    >>> import allocator as al
    >>> lines: list[al.Progress] = []
    >>> result = al.plan("networks/first.yaml", node_limit=1000, report=lines.append)
    >>> lines[-1].goal
    'money'
    """

    seconds: float
    goal: str
    value: float | None
    bound: float | None
    gap: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a search went. Having a plan and why the search stopped are separate facts.

    Attributes
    ----------
    plan : Plan or None
        The plan before its audit.
    proven_impossible : bool
        No plan exists, and ``reason`` says why in the user's words.
    reason : str
        Why there is no plan.
    seconds : mapping of str to float
        Time by part.
    search : tuple of Progress
        Every line of progress.
    mean_basis : Plan or None
        The plan of averages, made for comparison.
    alternatives : tuple of Plan
        Other plans, where they were asked for.
    left_out : tuple of str
        What no time was left for, in words.
    interrupted : bool
        Whether Ctrl-C ended the search.

    Examples
    --------
    >>> import allocator as al
    >>> outcome = al.plan("networks/first.yaml", node_limit=1000).outcome
    >>> outcome.left_out, round(outcome.mean_basis.power.mean_clean)
    ((), 20000)
    """

    plan: Plan | None
    proven_impossible: bool = False
    reason: str = ""
    seconds: Mapping[str, float] = field(default_factory=dict)
    search: tuple[Progress, ...] = ()
    mean_basis: Plan | None = None
    alternatives: tuple[Plan, ...] = ()
    left_out: tuple[str, ...] = ()
    interrupted: bool = False


Reporter = Callable[[Progress], None]
