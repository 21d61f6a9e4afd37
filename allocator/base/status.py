"""Why a search stopped, for a solver's answer and for a goal of a plan alike."""

from __future__ import annotations

from enum import StrEnum


class Status(StrEnum):
    """Why a search stopped. Whether there is a plan is a separate fact.

    ``optimal``: proven best. ``within_gap``: proven best but for the gap that was asked for.
    ``yielded``: proven, and the site lets later goals have a share of it. ``time_limit``,
    ``node_limit``, ``interrupted``: stopped before that. ``infeasible``: proven that there is no
    point. ``bound_refuted``: a plan passed the bound, so that nothing is proven. ``not_sought``:
    told, though nothing was sought by it. ``failed``: the solver could not go on.

    Examples
    --------
    >>> import allocator as al
    >>> al.Status("optimal") is al.Status.OPTIMAL, str(al.Status.TIME_LIMIT)
    (True, 'time_limit')
    """

    OPTIMAL = "optimal"
    WITHIN_GAP = "within_gap"
    YIELDED = "yielded"
    TIME_LIMIT = "time_limit"
    NODE_LIMIT = "node_limit"
    INTERRUPTED = "interrupted"
    INFEASIBLE = "infeasible"
    BOUND_REFUTED = "bound_refuted"
    NOT_SOUGHT = "not_sought"
    FAILED = "failed"
