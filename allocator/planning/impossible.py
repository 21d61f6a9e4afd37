"""Why there is no plan, in the user's words: a small set of their limits that conflict."""

from __future__ import annotations

from allocator.planning.choices import CLASSES, Choices
from allocator.planning.clock import Clock
from allocator.planning.program import Program
from allocator.planning.rules.power import served
from allocator.planning.settings import Settings
from allocator.planning.statement import Key, Row, Statement

NO_LIMIT = (
    "what must be served cannot be, whatever stocks and caps are lifted: "
    "look for missing routes, places, stores or machines"
)


def reason(statement: Statement, choices: Choices, settings: Settings, clock: Clock) -> str:
    """Name limits that cannot hold together, and the most that can be served under them.

    Every limit of the user's that is a row of its own is dropped in turn from the set (a deletion
    filter on the integer program, a few seconds a step); those that cannot be dropped remain.
    """
    named = [n for n, row in enumerate(statement.rows) if _words(choices, row) is not None]
    kept = list(named)
    for number in named:
        trial = [n for n in kept if n != number]
        if _infeasible(statement, named, trial, settings, clock):
            kept = trial
    words = [w for n in kept if (w := _words(choices, statement.rows[n])) is not None]
    told = "no plan exists: " + (
        "these limits cannot hold together: " + "; ".join(words) if words else NO_LIMIT
    )
    best = _most_served(statement, choices, settings, clock)
    return told + ("; " + best if best else "")


def _words(choices: Choices, row: Row) -> str | None:
    site = choices.site
    kind, _, rest = row.name.partition("[")
    name = rest.rstrip("]")
    if kind == "share" and site.demands[name].least_share > 0:
        return f"demand '{name}' must be served at least {site.demands[name].least_share:.4g} of 1"
    if kind == "stock":
        return f"stock of material '{name}' is {site.materials[name].stock:.6g} kg"
    if kind == "emission_cap":
        return f"counted emission is capped at {site.limits.emission:.6g} kg/s"
    if kind == "money_cap":
        return f"money is limited to {site.limits.money:.6g}"
    if kind == "most_of_type":
        return f"machine '{name}' may stand {site.machines[name].most} times at most"
    return None


def _without(statement: Statement, named: list[int], kept: list[int]) -> Statement:
    copy = Statement()
    copy.columns = statement.columns
    copy._index = statement._index
    dropped = set(named) - set(kept)
    copy.rows = [row for number, row in enumerate(statement.rows) if number not in dropped]
    return copy


def _infeasible(
    statement: Statement, named: list[int], kept: list[int], settings: Settings, clock: Clock
) -> bool:
    program = Program(_without(statement, named, kept), _nothing, settings, clock)
    program.aim_at({})
    return program.run(time_limit=program.left(most=5.0)).status == "infeasible"


def _most_served(statement: Statement, choices: Choices, settings: Settings, clock: Clock) -> str:
    """The most of each demand that must be served that any plan could, other limits held."""
    asked = [d for d in choices.site.demands.values() if d.least_share > 0]
    named = [
        n
        for n, row in enumerate(statement.rows)
        if row.name.startswith("share[") and row.low > -float("inf")
    ]
    freed = _without(statement, named, [])
    for number in named:
        row = statement.rows[number]
        freed.rows.append(Row(row.name, row.columns, row.coefficients, -float("inf"), row.high))
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
