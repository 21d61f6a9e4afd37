"""The phases that state a site's model and plan on it, in lists that are chosen by its size."""

from __future__ import annotations

from allocator.search.narrow import (
    ModelState,
    bound_at_means,
    candidates_first,
    narrowed_model,
    relaxed_bound,
    whole_model,
)
from allocator.search.strategy.budgets import NARROWED
from allocator.search.strategy.phase import Budget, Phase

ModelPhases = tuple[Phase[ModelState], ...]


def has_plan(now: ModelState) -> bool:
    """A plan is known."""
    return now.result.plan is not None


WHOLE: ModelPhases = (Phase("whole model", whole_model),)
"""Sites whose model can be solved as it is."""

NARROW: ModelPhases = (
    Phase("candidates first", candidates_first, Budget(NARROWED.candidates)),
    Phase("narrowed model", narrowed_model, Budget(NARROWED.model)),
    Phase("bound at means", bound_at_means, condition=has_plan),
    Phase("relaxed bound", relaxed_bound, condition=has_plan),
)
"""Very large sites: the corridors of candidates alone."""

NARROW_WITH_WORKER: ModelPhases = (
    Phase("candidates first", candidates_first, Budget(NARROWED.candidates_with_worker)),
    Phase("narrowed model", narrowed_model, Budget(NARROWED.model_with_worker)),
    Phase("bound at means", bound_at_means, condition=has_plan),
)
"""The same with the bound of the whole site in the background."""


def model_phases(now: ModelState) -> ModelPhases:
    """The phases of a site: whether there is a candidate pool for it to be narrowed to."""
    if now.pool is None:
        return WHOLE
    return NARROW if now.task.worker is None else NARROW_WITH_WORKER
