"""Why there is no plan, in a sentence: limits that conflict, and the most that could be served.

``allocator why`` asks the same of :mod:`allocator.search.why`, and the least change of each.
"""

from __future__ import annotations

from dataclasses import replace

from allocator.base.clock import Clock
from allocator.model.choices import CLASSES, Choices
from allocator.model.limits import Limit
from allocator.model.rules.power import served
from allocator.model.statement import Key, Row, Statement
from allocator.search.why import conflict_of
from allocator.site.records import Site
from allocator.solver.program import Program
from allocator.solver.settings import Settings

NO_LIMIT = (
    "what must be served cannot be, whatever stocks and caps are lifted: "
    "look for missing routes, places, stores or machines"
)
UNITS = {
    "mass": "kg",
    "mass_rate": "kg/s",
    "emission_rate": "kg/s",
    "power": "W",
    "energy": "J",
    "share": "of 1",
}


def reason(
    site: Site, statement: Statement, choices: Choices, settings: Settings, clock: Clock
) -> str:
    """Name limits that cannot hold together, and the most that can be served under them."""
    found = conflict_of(site, settings, clock, changes=False)
    words = [limit_said(limit) for limit in found.limits]
    told = "no plan exists: " + (
        "these limits cannot hold together: " + "; ".join(words) if words else NO_LIMIT
    )
    best = _most_served(statement, choices, settings, clock)
    return told + ("; " + best if best else "")


def limit_said(limit: Limit) -> str:
    """A limit with its value, SI."""
    if limit.shared:
        return f"{limit.words} no more than is said of them"
    return f"{limit.words} {limit.value:.6g} {UNITS.get(limit.dimension, '')}".rstrip()


def _most_served(statement: Statement, choices: Choices, settings: Settings, clock: Clock) -> str:
    """The most of each demand that must be served that any plan could, other limits held."""
    asked = [d for d in choices.site.demands.values() if d.least_share > 0]
    freed = statement.copy()
    freed.rows = [
        replace(row, low=-float("inf")) if row.name.startswith("share[") else row
        for row in freed.rows
    ]
    program = Program(freed, _nothing, settings, clock)
    told = []
    for demand in asked:
        terms = served(choices, demand.name, CLASSES)
        program.aim_at({c: -v for c, v in freed.summed(terms).items()})
        solved = program.run(time_limit=program.left(most=10.0), gap=1e-3)
        bound = program.unscaled(solved.bound)
        if bound is not None:
            share = min(1.0, -bound / demand.mean)
            told.append(
                f"no plan under the other limits serves more than {share:.1%} of '{demand.name}'"
            )
    return "; ".join(told)


def _nothing(values: dict[Key, float], tolerance: float) -> list[Row]:
    del values, tolerance
    return []
