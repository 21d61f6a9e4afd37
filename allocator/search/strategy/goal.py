"""The phases of the search for one goal, in lists that are chosen by size and by what is known."""

from __future__ import annotations

from allocator.base.status import Status
from allocator.search.bound_phases import (
    integer_model,
    integer_model_until_compiled,
    multicommodity_integer,
    multicommodity_relaxation,
    relaxation,
)
from allocator.search.found import close
from allocator.search.goal_search import GoalSearch
from allocator.search.point_phases import (
    built_on,
    candidates,
    compiled_candidates,
    corridors,
    earlier_plan,
    existing_assets,
    more_candidates,
    neighbourhoods,
    pipes_laid,
    pipes_of_warm_start,
    re_dispatch,
    warm_start,
)
from allocator.search.strategy.budgets import CANDIDATES, GOAL
from allocator.search.strategy.phase import Budget, Phase

GoalPhases = tuple[Phase[GoalSearch], ...]


def has_warm_start(search: GoalSearch) -> bool:
    """The user gave a plan."""
    return search.common.warm_start is not None


def gains_by_more(search: GoalSearch) -> bool:
    """More of the goal is wanted; or less emission, and gas that is vented may be caught."""
    if search.goal.maximise or search.goal.name != "emissions":
        return search.goal.maximise
    keys = (column.key for column in search.solver_model.model.columns)
    return bool(search.best) and any(isinstance(k, tuple) and k[0] == "always" for k in keys)


def unsettled(search: GoalSearch) -> bool:
    """A plan is known, and the integer model was not solved to its end."""
    return search.has_plan and search.status != Status.OPTIMAL


def has_plan(search: GoalSearch) -> bool:
    """A plan is known."""
    return search.has_plan


def multicommodity(search: GoalSearch) -> bool:
    """The model has a multicommodity formulation."""
    return search.prover is not None


def aggregated(search: GoalSearch) -> bool:
    """The model has none."""
    return search.prover is None


def trusted(search: GoalSearch) -> bool:
    """The multicommodity formulation has lacked no known plan."""
    return search.prover is not None and search.prover.trusted


def leads(search: GoalSearch) -> bool:
    """It also has the best bound."""
    return trusted(search) and search.multicommodity_leads


def leaves_wide_gap(search: GoalSearch) -> bool:
    """Branching must do what the multicommodity relaxation, which needs no cuts, did not."""
    uncut = search.prover is not None and search.prover.uncut
    return uncut and not close(search.best, search.bound, GOAL.wide_gap)


def is_untried(search: GoalSearch) -> bool:
    """The path search was still being compiled when its turn was."""
    return search.untried is not None


def has_candidates(search: GoalSearch) -> bool:
    """The path search has found what it did in its time."""
    pool = search.common.pool
    return pool is not None and bool(pool.candidates) and not pool.pressed


def _timed(search: GoalSearch) -> bool:
    return search.settings.node_limit is None


FIRST_GOAL: GoalPhases = (
    Phase("existing assets", existing_assets, Budget(GOAL.existing_assets)),
    Phase("warm start", warm_start, Budget(GOAL.warm_start), has_warm_start),
    Phase(
        "pipes of the warm start",
        pipes_of_warm_start,
        Budget(GOAL.warm_start_pipes),
        has_warm_start,
    ),
    Phase("candidates", candidates, Budget(CANDIDATES.compiling)),
    Phase("relaxation", relaxation, Budget(GOAL.relaxation)),
)
"""The opening of the first goal: a first plan and a first bound."""

LATER_GOAL: GoalPhases = (
    Phase("earlier plan", earlier_plan, Budget(GOAL.earlier_plan, least=GOAL.later_step)),
    Phase("warm start", warm_start, Budget(GOAL.warm_start_pipes), has_warm_start),
    Phase("re-dispatch", re_dispatch, Budget(GOAL.earlier_plan, least=GOAL.later_step)),
    Phase("built on", built_on, Budget(GOAL.built_on, least=GOAL.built_on_step), gains_by_more),
    Phase("pipes laid", pipes_laid, Budget(GOAL.pipes_laid)),
    Phase("relaxation", relaxation, Budget(GOAL.relaxation)),
)
"""The opening of a later goal: what the earlier plan allows with little to decide. That is cheap,
and often most of what there is to gain."""

_LAST_MULTICOMMODITY = Phase(
    "multicommodity proof",
    multicommodity_integer,
    condition=lambda search: unsettled(search) and trusted(search) and _timed(search),
)
_LAST_INTEGER = Phase(
    "integer model to the end",
    integer_model,
    condition=lambda search: unsettled(search) and (_timed(search) or not trusted(search)),
)

SMALL: GoalPhases = (
    Phase("integer model", integer_model, Budget(GOAL.integer_model, rounds=GOAL.integer_rounds)),
    Phase(
        "multicommodity relaxation",
        multicommodity_relaxation,
        Budget(GOAL.multicommodity_short),
        multicommodity,
    ),
    Phase(
        "multicommodity integer model",
        multicommodity_integer,
        Budget(GOAL.multicommodity_integer),
        leads,
    ),
    Phase(
        "integer model again",
        integer_model,
        Budget(GOAL.integer_model_wide_gap),
        lambda search: (
            multicommodity(search)
            and not search.multicommodity_leads
            and search.status == Status.TIME_LIMIT
        ),
    ),
    Phase(
        "neighbourhoods",
        neighbourhoods,
        Budget(GOAL.neighbourhood, GOAL.neighbourhoods_until, GOAL.neighbourhoods),
        has_plan,
    ),
    Phase(
        "multicommodity proof",
        multicommodity_integer,
        condition=lambda search: unsettled(search) and leads(search) and _timed(search),
    ),
    Phase(
        "integer model to the end",
        integer_model,
        condition=lambda search: unsettled(search) and (_timed(search) or not leads(search)),
    ),
)
"""Sites without a path search: what the integer model can close, it closes first. Then whichever
formulation leads."""

LARGE: GoalPhases = (
    Phase(
        "multicommodity relaxation",
        multicommodity_relaxation,
        Budget(GOAL.multicommodity),
        multicommodity,
    ),
    Phase(
        "integer model of a wide gap",
        integer_model,
        Budget(GOAL.integer_model_wide_gap),
        leaves_wide_gap,
    ),
    Phase(
        "integer model alone",
        integer_model,
        Budget(GOAL.integer_model, rounds=GOAL.integer_rounds),
        aggregated,
    ),
    _LAST_MULTICOMMODITY,
    _LAST_INTEGER,
)
"""Sites with a path search: it has found what the integer model and neighbourhoods would, so the
bound has the time."""

_LATE_CANDIDATES = Phase("candidates", compiled_candidates, condition=is_untried)

LARGE_COMPILING: GoalPhases = (
    Phase(
        "integer model",
        integer_model_until_compiled,
        Budget(GOAL.integer_model, rounds=GOAL.integer_rounds),
    ),
    _LATE_CANDIDATES,
    Phase(
        "neighbourhoods",
        neighbourhoods,
        Budget(GOAL.neighbourhood, GOAL.neighbourhoods_until, GOAL.neighbourhoods),
        has_plan,
    ),
    Phase(
        "multicommodity relaxation",
        multicommodity_relaxation,
        Budget(GOAL.multicommodity_short),
        lambda search: unsettled(search) and trusted(search),
    ),
    _LAST_MULTICOMMODITY,
    _LAST_INTEGER,
)
"""The same while the path search is still being compiled, or where pressures count: a plan first,
then its bound."""

LARGE_LATER: GoalPhases = (
    Phase(
        "integer model",
        integer_model,
        Budget(GOAL.integer_model_later, rounds=GOAL.integer_rounds),
        multicommodity,
    ),
    Phase(
        "integer model alone",
        integer_model,
        Budget(GOAL.integer_model, rounds=GOAL.integer_rounds),
        aggregated,
    ),
    Phase(
        "multicommodity relaxation",
        multicommodity_relaxation,
        Budget(GOAL.multicommodity_short),
        multicommodity,
    ),
    Phase(
        "neighbourhoods",
        neighbourhoods,
        Budget(GOAL.neighbourhood, GOAL.neighbourhoods_until_later, GOAL.neighbourhoods),
        has_plan,
    ),
    _LAST_MULTICOMMODITY,
    _LAST_INTEGER,
)
"""A later goal of a site with a path search."""

_TO_THE_END = (
    Phase(
        "neighbourhoods",
        neighbourhoods,
        Budget(GOAL.neighbourhood, GOAL.neighbourhoods_until, GOAL.neighbourhoods),
        unsettled,
    ),
    Phase("integer model to the end", integer_model, Budget(rounds=GOAL.integer_rounds), unsettled),
)

SMALL_WITH_WORKER: GoalPhases = (
    Phase(
        "integer model",
        integer_model_until_compiled,
        Budget(GOAL.integer_model_half, rounds=GOAL.integer_rounds),
    ),
    _LATE_CANDIDATES,
    Phase(
        "more candidates",
        more_candidates,
        Budget(CANDIDATES.resumed, CANDIDATES.resumed_until),
        has_candidates,
    ),
    *_TO_THE_END,
)
"""The first goal with the bound in the background and no candidates yet: all time is for plans."""

FEW_SOURCES_WITH_WORKER: GoalPhases = (
    Phase(
        "integer model",
        integer_model,
        Budget(GOAL.integer_model_small, rounds=GOAL.integer_rounds),
    ),
    *_TO_THE_END,
)
"""The same where no candidates will come: what HiGHS proves of the model it proves without a break,
for a solve that is begun again begins at its root."""

LARGE_WITH_WORKER: GoalPhases = (
    Phase("more candidates", more_candidates, Budget(CANDIDATES.resumed, CANDIDATES.resumed_until)),
    Phase("corridors", corridors, Budget(CANDIDATES.corridors_again), has_plan),
    Phase("integer model", integer_model, Budget(rounds=GOAL.integer_rounds)),
    *_TO_THE_END,
)
"""The same with candidates: their search finds what the integer model would not."""


PRESSED_WITH_WORKER: GoalPhases = _TO_THE_END
"""The same where pressures count: parts of the plan of the best candidate, its builds and boosters
decided, are improved sooner than the whole."""


def opening_phases(search: GoalSearch) -> GoalPhases:
    """The phases that give a first plan and a first bound."""
    return FIRST_GOAL if search.start is None else LATER_GOAL


def main_phases(search: GoalSearch) -> GoalPhases:
    """The phases after the opening, by the size of the site and what the opening has left."""
    pool = search.common.pool
    tried = pool is not None and search.untried is None and not pool.pressed
    if search.worker is not None:
        if pool is not None and search.untried is None and pool.pressed:
            return PRESSED_WITH_WORKER
        if pool is None:
            return FEW_SOURCES_WITH_WORKER
        return LARGE_WITH_WORKER if tried else SMALL_WITH_WORKER
    if pool is None:
        return SMALL
    if search.start is not None:
        return LARGE_LATER
    return LARGE if tried else LARGE_COMPILING
