"""The number of machine units that a promise holds without, as a limit that can be lowered."""

from __future__ import annotations

from collections.abc import Iterator

from allocator.model.index_sets import IndexSets
from allocator.model.limits import Limit
from allocator.model.model import INFINITY, Model
from allocator.model.outages import most_units, scenarios_of

NONE_OUT = ("slack", "lost_machines", "none out")
"""1 where no unit need be out at all."""


def lost_machines(model: Model, rows: dict[str, int], sets: IndexSets) -> Iterator[Limit]:
    """``units_left`` of each scenario with so many units of each group back as the slack says.

    With K units out, scenarios less s units are those of K - s units out, where each group may have
    K units. Scenarios with other groups are lifted only where no unit need be out, which is safe.
    """
    scenarios = scenarios_of(sets)
    if not scenarios:
        return
    units = max(sum(out.values()) for out in scenarios)
    words = "machine units that may be out of order:"
    limit = Limit("lost_machines", "", (), float(units), "number", False, words)
    model.variable(limit.slack, 0.0, INFINITY, 1.0, integer=True)
    model.row("units_back", [(1.0, limit.slack)], high=float(units))
    for number, out in enumerate(scenarios):
        alike = all(most_units(sets.groups[name]) >= units for name in out)
        if not alike and not model.has(NONE_OUT):
            model.variable(NONE_OUT, 0.0, 1.0, integer=True)
            terms = [(float(units), NONE_OUT), (-1.0, limit.slack)]
            model.row("units_back:none_out", terms, high=0.0)
        for name, count in out.items():
            key, most = (limit.slack, 1.0) if alike else (NONE_OUT, float(count))
            model.extend(rows[f"out[{number}]:units_left[{name}]"], [(-most, key)])
    yield limit
