"""Why there is no plan, in a sentence: limits that conflict, and the most that could be served.

``allocator why`` asks the same of :mod:`allocator.search.conflicts`, and the least change of each.
"""

from __future__ import annotations

from dataclasses import replace

from allocator.base.clock import Clock
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.model import Key, Model, Row
from allocator.model.rules.power import served
from allocator.network.records import Network
from allocator.search.conflicts import conflict_of
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

NO_LIMIT = (
    "what must be served cannot be, with any stocks and limits: "
    "look for missing routes, places, storage or machines"
)


def reason(site: Network, model: Model, sets: IndexSets, settings: Settings, clock: Clock) -> str:
    """Name limits that cannot hold together, and the most that can be served under them."""
    found = conflict_of(site, settings, clock, changes=False)
    words = [limit.stated for limit in found.limits]
    text = "no plan exists: " + (
        "these limits cannot hold together: " + "; ".join(words) if words else NO_LIMIT
    )
    best = _most_served(model, sets, settings, clock)
    return text + ("; " + best if best else "")


def _most_served(model: Model, sets: IndexSets, settings: Settings, clock: Clock) -> str:
    """The most of each demand that must be served that any plan could, other limits held."""
    asked = [d for d in sets.site.demands.values() if d.min_share > 0]
    freed = model.copy()
    freed.rows = [
        replace(row, low=-float("inf")) if row.name.startswith("share[") else row
        for row in freed.rows
    ]
    solver_model = SolverModel(freed, _nothing, settings, clock)
    text = []
    for demand in asked:
        terms = served(sets, demand.name, CLASSES)
        solver_model.aim_at({c: -v for c, v in freed.summed(terms).items()})
        solved = solver_model.run(
            time_limit=solver_model.left(most=QUESTIONS.most_served_seconds), gap=1e-3
        )
        bound = solver_model.unscaled(solved.bound)
        if bound is not None:
            share = min(1.0, max(0.0, -bound / demand.mean))
            text.append(
                f"no plan under the other limits serves more than {share:.1%} of '{demand.name}'"
            )
    return "; ".join(text)


def _nothing(values: dict[Key, float], tolerance: float) -> list[Row]:
    del values, tolerance
    return []
