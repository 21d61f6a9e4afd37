"""Why there is no plan, or not the one that is wanted: limits that conflict, and what would do.

In rungs, cheap to dear: rows that no values within bounds can satisfy; the elastic relaxation,
whose stretched limits are held one after the other until nothing gives any more (J. W. Chinneck,
*Feasibility and Infeasibility in Optimization*, Springer 2008: the elastic filter); a deletion
filter over what that leaves, on the integer program. Then the least change of each limit alone.

Where it stays open whether there is a conflict, the same changes tell what would be in it: a plan
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
from allocator.search.elastic import CLOSE, Change, ElasticRelaxation, stretching_of
from allocator.search.found import PROVEN
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
    a part in it. ``rules``: those of the program that cannot hold by themselves, where cheap checks
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
        """Whether the want is possible, as far as this tells."""
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
        """Limits that a plan can be made without, the likeliest to hold it back first."""
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
    once. Its plan shows what is possible, its bound what is not, and other plans are looked for
    beside it.
    """
    site = network_of(site)
    try:
        stretching = stretching_of(site, settings, clock, wants, together=True)
    except OutOfTimeError:
        return Conflict("unknown")
    return conflict_in(stretching, changes=changes, nearer=nearer)


def conflict_in(
    stretching: ElasticRelaxation, *, changes: bool = True, nearer: Nearer | None = None
) -> Conflict:
    """The conflict of a program that is stated; see :func:`conflict_of`."""
    clock = stretching.solver_model.clock
    limits = list(stretching.limits)
    alone = _alone(stretching.solver_model.model, limits)
    if alone is not None:
        rule, kept = alone
        minimal = stretching.possible([], clock.left(0.3)) is not False
        if not kept or not minimal:
            return Conflict("unlimited", rules=(rule,))
        told = _changes(stretching, kept, None) if changes else ()
        return Conflict("conflict", tuple(kept), (), told, (rule,))
    whole = stretching.possible(limits, clock.left(0.15 if nearer else 0.3))
    nearest = None
    if nearer is not None and whole is not True:
        nearest = nearer(clock.left(0.35))
        if nearest is not None:
            stretching.begin_from(nearest.plan)
            whole = False if whole is False else nearest.settles(limits[-1].value)
    if whole:
        return Conflict("possible")
    if whole is None:
        return _undecided(stretching, nearer, nearest) if changes else Conflict("unknown")
    if stretching.possible([], clock.left(0.1)) is False:
        return Conflict("unlimited")
    return _decided(stretching, _elastic(stretching, limits, clock), nearest, changes)


def _decided(
    stretching: ElasticRelaxation, among: list[Limit], nearest: Nearest | None, changes: bool
) -> Conflict:
    """A conflict among limits that are known not to hold together."""
    kept, unsettled = _filtered(stretching, among, stretching.solver_model.clock)
    told = _changes(stretching, kept, nearest) if changes else ()
    needed = {change.limit for change in told if change.amount is not None}
    return _with(
        nearest,
        Conflict("conflict", tuple(kept), tuple(u for u in unsettled if u not in needed), told),
    )


def _undecided(
    stretching: ElasticRelaxation, nearer: Nearer | None, nearest: Nearest | None
) -> Conflict:
    """What is known where it is not whether there is a conflict: plans with one limit changed.

    Where the limits but one are found not to hold together, that is a conflict after all.
    """
    clock = stretching.solver_model.clock
    limits = list(stretching.limits)
    known: dict[Limit, Change] = {}
    without: list[Without] = []
    if nearer is not None and nearest is not None:
        want = limits[-1]
        known[want] = nearest.change(want)
        dropping = nearer.worth_dropping(limits)
        for number, one in enumerate(dropping):
            share = clock.left(0.7 / (len(dropping) - number))
            free = None if clock.out() else nearer(share, one)
            possible = None if free is None else free.settles(want.value)
            if free is not None:
                without.append(Without(one, free.reached, free.bound))
            if free is not None and possible:
                known[one] = Change(one, max(0.0, free.used - one.value), False)
            elif possible is False:
                others = [other for other in limits if other != one]
                return _decided(stretching, others, nearest, True)
    # those that come last are the first to be told of
    ordered = [*known, *(one for one in reversed(limits) if one not in known)]
    for number, one in enumerate(ordered):
        if one in known:
            continue
        change = stretching.least_change(one, _part(clock, len(limits) - number))
        if change.amount is None and change.proven:
            others = [other for other in limits if other != one]
            return _decided(stretching, others, nearest, True)
        known[one] = change
    told = tuple(known[one] for one in ordered)
    needed = tuple(change.limit for change in told if change.amount is not None)
    unsettled = tuple(change.limit for change in told if change.amount is None)
    found = Conflict("unknown", needed, unsettled, told, without=tuple(without))
    return _with(nearest, found)


def _with(nearest: Nearest | None, found: Conflict) -> Conflict:
    if nearest is None:
        return found
    return replace(found, reached=nearest.reached, bound=nearest.bound)


def _changes(
    stretching: ElasticRelaxation, kept: list[Limit], nearest: Nearest | None
) -> tuple[Change, ...]:
    clock = stretching.solver_model.clock
    told = []
    for number, one in enumerate(kept):
        known = nearest.change(one) if one.kind == "want" and nearest is not None else None
        if known is None or not (known.proven or clock.out()):
            change = stretching.least_change(one, _part(clock, len(kept) - number))
            known = change if known is None else _tighter(known, change)
        told.append(known)
    return tuple(told)


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


def _elastic(stretching: ElasticRelaxation, limits: list[Limit], clock: Clock) -> list[Limit]:
    """The elastic filter: limits among which the relaxation already conflicts, else all.

    Where the relaxation conflicts, it is also asked which of those limits it could do without.
    """
    held: list[Limit] = []
    while not clock.out():
        more = stretching.stretched_first(held)
        if not more:
            break
        held += more
    named = [one for one in limits if one in held]
    if stretching.possible(named, linear=True) is not False:
        found = bool(named) and stretching.possible(named, clock.left(0.2)) is False
        return named if found else limits
    for one in list(named):
        trial = [other for other in named if other != one]
        if stretching.possible(trial, linear=True) is False:
            named = trial
    return named


def _filtered(
    stretching: ElasticRelaxation, limits: list[Limit], clock: Clock
) -> tuple[list[Limit], list[Limit]]:
    """The deletion filter: what is left of a conflict, and what of that may be needless.

    What is not settled in a short while waits until the others have been asked: what they drop
    makes it easier.
    """
    kept, waiting = list(limits), list(limits)
    for patience in (4, 2):  # as much time again is kept for the least changes
        unsettled = []
        for number, one in enumerate(waiting):
            trial = [other for other in kept if other != one]
            share = _part(clock, patience * (len(waiting) - number))
            possible = None if clock.out() else stretching.possible(trial, share)
            if possible is False:
                kept = trial
            elif possible is None:
                unsettled.append(one)
        waiting = unsettled
    return kept, waiting


def _part(clock: Clock, count: int) -> float | None:
    left = clock.left()
    return None if left is None else max(0.5, left / count)


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
