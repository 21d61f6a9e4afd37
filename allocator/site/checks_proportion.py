"""Amounts beside which one unit of a machine is nothing, or that are nothing beside it.

The solver's tolerances, about 1e-7 of what is usual in its rows, then hide one or the other, and a
limit of all plans would be false.
"""

from __future__ import annotations

from collections.abc import Iterator

from allocator.base.grouped import grouped
from allocator.base.quantities import format_quantity
from allocator.site.records import POWER, Site

LEAST, MOST = 1e-6, 1e8
"""Of a unit's power or fuel."""
_REMEDY = "correct the number, its unit, or those of the machines"


def faults_of_proportion(site: Site) -> Iterator[tuple[str, str, str, str, str]]:
    """Section, name, key, problem and remedy of each."""
    made = [m.power_out for m in site.machines.values() if m.power_out > 0]
    for name, demand in site.demands.items():
        if demand.wants != POWER or not made:
            continue
        if demand.mean < LEAST * min(made):
            told = format_quantity(min(made), "power")
            problem = f"power is less than a millionth of the least unit of a machine ({told})"
            yield "demands", name, "power", problem, _REMEDY
        elif demand.mean > MOST * max(made):
            told = format_quantity(max(made), "power")
            problem = f"power is more than {grouped(MOST)} times the largest machine ({told})"
            yield "demands", name, "power", problem, _REMEDY
    for name, source in site.sources.items():
        taken = [
            m.inputs[source.fluid]
            for m in site.machines.values()
            if m.inputs.get(source.fluid, 0.0) > 0
        ]
        if taken and source.flow > MOST * max(taken):
            told = format_quantity(max(taken), "mass_rate")
            problem = f"flow is more than {grouped(MOST)} times what a unit takes ({told})"
            yield "sources", name, "flow", problem, _REMEDY
