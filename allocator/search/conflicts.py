"""Why there is no plan, or not the one wanted: limits that conflict, and sufficient changes.

In rungs, cheap to dear: rows that no values within bounds can satisfy; the elastic relaxation,
whose relaxed limits are held one after the other until nothing is relaxed any more (J. W. Chinneck,
*Feasibility and Infeasibility in Optimization*, Springer 2008: the elastic filter); a deletion
filter over what that leaves, on the integer model. Then the least change of each limit alone.

Where it stays open whether there is a conflict, the same changes show what would be in it: a plan
that needs no more than one limit changed shows that this limit has a part in every conflict.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from allocator.base.clock import Clock, OutOfTimeError
from allocator.model.limits import Limit, Want
from allocator.model.model import INFINITY, Model, Row
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.search.elastic import CLOSE, Change, ElasticRelaxation, elastic_relaxation_of
from allocator.search.found import PROVEN
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.site.records import Site
from allocator.solver.settings import Settings


@dataclass(frozen=True, slots=True)
class Without:
    """What a plan reaches of the want without a limit, and what none can pass then, SI."""

    limit: Limit
    reached: float
    bound: float | None


@dataclass(frozen=True, slots=True)
class Conflict:
    """``status``: ``possible``, ``conflict``, ``unlimited`` (no limit is to blame) or ``unknown``.

    ``limits``: cannot hold together; where that is unknown, those that have a part in every
    conflict, should there be one. ``unsettled``: limits of which it is not known whether they have
    a part in it. ``rules``: those of the model that cannot hold by themselves, where cheap checks
    found some. ``reached`` and ``bound``: what a plan is known to reach of the only want and what
    none can pass, SI, where one was looked for; ``without``: the same with one limit dropped.
    """

    status: str
    limits: tuple[Limit, ...] = ()
    unsettled: tuple[Limit, ...] = ()
    changes: tuple[Change, ...] = ()
    rules: tuple[str, ...] = ()
    reached: float | None = None
    bound: float | None = None
    without: tuple[Without, ...] = ()

    @property
    def minimal(self) -> bool:
        """Whether these limits are proven to conflict, and without any one of them not to."""
        return self.status == "conflict" and not self.unsettled


@dataclass(frozen=True, slots=True)
class Nearest:
    """The plan that comes nearest to a want: what it reaches and what no plan can pass, SI.

    ``used``: of a limit that it was made without, SI.
    """

    plan: Plan
    reached: float
    bound: float | None
    used: float = 0.0

    def settles(self, want: float) -> bool | None:
        """Whether the want is possible, as far as this shows."""
        if self.reached >= want:
            return True
        return False if self.bound is not None and self.bound < want * (1 - PROVEN) else None

    def change(self, want: Limit) -> Change:
        """How far the want must come down."""
        amount = want.value - self.reached
        least = 0.0 if self.bound is None else max(0.0, want.value - max(self.bound, self.reached))
        return Change(want, amount, amount <= least * (1 + CLOSE), least)


class Nearer(Protocol):
    """Looks for the plan nearest to the only want, as it is or with one limit dropped."""

    def __call__(self, seconds: float | None, dropped: Limit | None = None) -> Nearest | None: ...

    def worth_dropping(self, limits: Sequence[Limit]) -> list[Limit]:
        """Limits that a plan can be made without, the likeliest to be binding first."""
        ...


def conflict_of(
    site: Site,
    settings: Settings,
    clock: Clock,
    wants: tuple[Want, ...] = (),
    *,
    changes: bool = True,
    nearer: Nearer | None = None,
) -> Conflict:
    """Find limits that conflict, and (``changes``) the least change of each; see the module.

    Where time runs out the set may be larger than need be, and says so (``unsettled``).

    ``nearer``: asked once where the want (then there is but one) is not seen to be possible at
    once. Its plan shows what is possible, its bound what is not, and other plans are searched
    near it.
    """
    site = network_of(site)
    try:
        elastic = elastic_relaxation_of(site, settings, clock, wants, together=True)
    except OutOfTimeError:
        return Conflict("unknown")
    return conflict_in(elastic, changes=changes, nearer=nearer)


def conflict_in(
    elastic: ElasticRelaxation, *, changes: bool = True, nearer: Nearer | None = None
) -> Conflict:
    """The conflict of a model that is stated; see :func:`conflict_of`."""
    clock = elastic.solver_model.clock
    limits = list(elastic.limits)
    alone = _alone(elastic.solver_model.model, limits)
    if alone is not None:
        rule, kept = alone
        minimal = elastic.possible([], clock.left(QUESTIONS.possible)) is not False
        if not kept or not minimal:
            return Conflict("unlimited", rules=(rule,))
        least = _changes(elastic, kept, None) if changes else ()
        return Conflict("conflict", tuple(kept), (), least, (rule,))
    whole = elastic.possible(
        limits, clock.left(QUESTIONS.possible_with_plans if nearer else QUESTIONS.possible)
    )
    nearest = None
    if nearer is not None and whole is not True:
        nearest = nearer(clock.left(QUESTIONS.nearest))
        if nearest is not None:
            elastic.begin_from(nearest.plan)
            whole = False if whole is False else nearest.settles(limits[-1].value)
    if whole:
        return Conflict("possible")
    if whole is None:
        return _undecided(elastic, nearer, nearest) if changes else Conflict("unknown")
    if elastic.possible([], clock.left(QUESTIONS.unlimited)) is False:
        return Conflict("unlimited")
    return _decided(elastic, _elastic(elastic, limits, clock), nearest, changes)


def _decided(
    elastic: ElasticRelaxation, among: list[Limit], nearest: Nearest | None, changes: bool
) -> Conflict:
    """A conflict among limits that are known not to hold together."""
    kept, unsettled = _filtered(elastic, among, elastic.solver_model.clock)
    least = _changes(elastic, kept, nearest) if changes else ()
    needed = {change.limit for change in least if change.amount is not None}
    return _with(
        nearest,
        Conflict("conflict", tuple(kept), tuple(u for u in unsettled if u not in needed), least),
    )


def _undecided(
    elastic: ElasticRelaxation, nearer: Nearer | None, nearest: Nearest | None
) -> Conflict:
    """What is known where it is not whether there is a conflict: plans with one limit changed.

    Where the limits but one are found not to hold together, that is a conflict after all.
    """
    clock = elastic.solver_model.clock
    limits = list(elastic.limits)
    known: dict[Limit, Change] = {}
    without: list[Without] = []
    if nearer is not None and nearest is not None:
        want = limits[-1]
        known[want] = nearest.change(want)
        dropping = nearer.worth_dropping(limits)
        for number, one in enumerate(dropping):
            share = clock.left(QUESTIONS.dropped / (len(dropping) - number))
            free = None if clock.out() else nearer(share, one)
            possible = None if free is None else free.settles(want.value)
            if free is not None:
                without.append(Without(one, free.reached, free.bound))
            if free is not None and possible:
                known[one] = Change(one, max(0.0, free.used - one.value), False)
            elif possible is False:
                others = [other for other in limits if other != one]
                return _decided(elastic, others, nearest, True)
    # the last ones are reported first
    ordered = [*known, *(one for one in reversed(limits) if one not in known)]
    for number, one in enumerate(ordered):
        if one in known:
            continue
        change = elastic.least_change(one, _part(clock, len(limits) - number))
        if change.amount is None and change.proven:
            others = [other for other in limits if other != one]
            return _decided(elastic, others, nearest, True)
        known[one] = change
    changes = tuple(known[one] for one in ordered)
    needed = tuple(change.limit for change in changes if change.amount is not None)
    unsettled = tuple(change.limit for change in changes if change.amount is None)
    found = Conflict("unknown", needed, unsettled, changes, without=tuple(without))
    return _with(nearest, found)


def _with(nearest: Nearest | None, found: Conflict) -> Conflict:
    if nearest is None:
        return found
    return replace(found, reached=nearest.reached, bound=nearest.bound)


def _changes(
    elastic: ElasticRelaxation, kept: list[Limit], nearest: Nearest | None
) -> tuple[Change, ...]:
    clock = elastic.solver_model.clock
    changes = []
    for number, one in enumerate(kept):
        known = nearest.change(one) if one.kind == "want" and nearest is not None else None
        if known is None or not (known.proven or clock.out()):
            change = elastic.least_change(one, _part(clock, len(kept) - number))
            known = change if known is None else _tighter(known, change)
        changes.append(known)
    return tuple(changes)


def _tighter(one: Change, other: Change) -> Change:
    """What two searches for the least change of a limit say together."""
    amount = min(a for a in (one.amount, other.amount, INFINITY) if a is not None)
    least = max(one.least, other.least)
    return Change(one.limit, amount, other.proven or amount <= least * (1 + CLOSE), least)


def _alone(model: Model, limits: list[Limit]) -> tuple[str, list[Limit]] | None:
    """A rule that no values within bounds satisfy with its own limits held, and those limits."""
    slacks = {model.index(one.slack): one for one in limits}
    for row in model.rows:
        if not _may_hold(model, row, slacks):
            return row.name, [slacks[column] for column in row.columns if column in slacks]
    return None


def _elastic(elastic: ElasticRelaxation, limits: list[Limit], clock: Clock) -> list[Limit]:
    """The elastic filter: limits among which the relaxation already conflicts, else all.

    Where the relaxation conflicts, it is also asked which of those limits it could do without.
    """
    held: list[Limit] = []
    while not clock.out():
        more = elastic.relaxed_limits(held)
        if not more:
            break
        held += more
    named = [one for one in limits if one in held]
    if elastic.possible(named, linear=True) is not False:
        found = bool(named) and elastic.possible(named, clock.left(QUESTIONS.named)) is False
        return named if found else limits
    for one in list(named):
        trial = [other for other in named if other != one]
        if elastic.possible(trial, linear=True) is False:
            named = trial
    return named


def _filtered(
    elastic: ElasticRelaxation, limits: list[Limit], clock: Clock
) -> tuple[list[Limit], list[Limit]]:
    """The deletion filter: what is left of a conflict, and what of that may be needless.

    What is not settled in a short while waits until the others have been asked: what they drop
    makes it easier.
    """
    kept, waiting = list(limits), list(limits)
    for patience in QUESTIONS.filters:
        unsettled = []
        for number, one in enumerate(waiting):
            trial = [other for other in kept if other != one]
            share = _part(clock, patience * (len(waiting) - number))
            possible = None if clock.out() else elastic.possible(trial, share)
            if possible is False:
                kept = trial
            elif possible is None:
                unsettled.append(one)
        waiting = unsettled
    return kept, waiting


def _part(clock: Clock, count: int) -> float | None:
    left = clock.left()
    return None if left is None else max(QUESTIONS.filter_seconds, left / count)


def _may_hold(model: Model, row: Row, slacks: Mapping[int, Limit]) -> bool:
    """Whether values within bounds, and slacks of 0, can satisfy a row at all."""
    least = most = 0.0
    for number, value in zip(row.columns, row.coefficients, strict=True):
        column = model.columns[number]
        if value and number not in slacks:
            ends = (value * column.low, value * column.high)
            least, most = least + min(ends), most + max(ends)
    room = 1e-9 * max(1.0, *(abs(end) for end in (row.low, row.high) if np.isfinite(end)))
    return most >= row.low - room and least <= row.high + room
