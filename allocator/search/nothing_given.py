"""Why a plan gives no power: for each source, what keeps it out."""

from __future__ import annotations

import math
from functools import partial

from allocator.base.clock import Clock
from allocator.base.dimensions import format_quantity
from allocator.model.index_sets import IndexSets
from allocator.model.kept_out import kept_out_lines
from allocator.model.limits import Want
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.search.conflicts import conflict_of
from allocator.solver.settings import Settings

NO_POWER = 1e-9
"""Share of what is asked for that is none."""

WANTED = 1e-3
"""Share of what is asked for that is looked for where no source is kept out alone."""


def gives_nothing(plan: Plan) -> bool:
    """Whether a plan gives no power although some is asked for."""
    power = plan.power
    given = power.firm_total if plan.basis == "firm" else power.mean_total
    return power.demand_mean > 0 and given <= NO_POWER * power.demand_mean


def why_nothing(
    site: Network, sets: IndexSets, settings: Settings, clock: Clock, plan: Plan
) -> tuple[str, ...]:
    """Why a plan gives no power: what keeps each source out, and limits that keep the others."""
    lines = kept_out_lines(sets)
    sources = [source for source in site.sources.values() if not source.part_of]
    others = len(lines) < len(sources)
    if plan.basis == "firm":
        lines += too_little(sets)
    if others and not clock.interrupted:
        blamed = partial(limits_to_blame, site, settings, clock, plan)
        lines += clock.in_time("which limits leave no power", blamed, [])
    return tuple(lines)


def too_little(sets: IndexSets) -> list[str]:
    """Generators of which no unit can run without pause on all that sources give on average."""
    lines: dict[str, None] = {}
    for group in sets.groups.values():
        kind = group.type
        for fluid, rate in kind.inputs.items() if kind.power_out > 0 else ():
            mine = [s for s in sets.site.sources.values() if s.fluid == fluid]
            other = any(fluid in one.type.outputs for one in sets.groups.values())
            if not mine or other or any(source.part_of for source in mine):
                continue  # what machines give, or pumps out of chambers, may be more
            curves = [sets.curves.get(source.name) for source in mine]
            mean = math.fsum(
                source.flow * (1.0 if curve is None else curve.duty)
                for source, curve in zip(mine, curves, strict=True)
            )
            least = rate * (kind.no_load + kind.min_load * (1.0 - kind.no_load))
            if mean < least:
                takes, gives = (format_quantity(flow, "mass_rate") for flow in (least, mean))
                cause = "minimum load" if kind.min_load > 0 else "no-load consumption"
                line = (
                    f"{cause} of '{kind.name}': a unit that runs without pause takes {takes} of "
                    f"'{fluid}' at least, and all its sources give {gives} on average"
                )
                lines[line] = None
    return list(lines)


def limits_to_blame(site: Network, settings: Settings, clock: Clock, plan: Plan) -> list[str]:
    """Limits that cannot hold together with any power, where no source is kept out alone."""
    wanted = WANTED * plan.power.demand_mean
    want = Want("firm_total", "", wanted, "power wanted is at least")
    conflict = conflict_of(site, settings, clock, (want,), changes=False)
    if conflict.status == "possible":
        return ["search: power is possible, and no plan with any was found in the time"]
    words = [limit.stated for limit in conflict.limits if limit.kind != "want"]
    if words:
        return [f"limits that together leave no power: {'; '.join(words)}"]
    return ["sources: what they give costs more power than it makes, whatever limits are lifted"]
