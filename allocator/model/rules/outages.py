"""Rules of machine units out of order: the supply layer of each scenario keeps the promise.

Every rule of the supply layer holds in each scenario for itself. Proof that stores keep their
promises however scenarios follow each other: what a store is filled with is the same in all of
them, and its flat draw and each of its following draws are no more than in the plan, each by
itself, so its level is never below that of normal operation from the same start. (Their sum alone
would not do: a profile at its peak could meet the higher of two flat draws.) Batteries do the same
in all scenarios. Pressures hold, for in each direction of a pipe no more flows than in the plan,
and losses of pressure grow with the flow (``less_flow``).

Limits of emissions and money are of normal operation: an outage passes.
"""

from __future__ import annotations

from allocator.model.expressions import can_cycle, scaled
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.model import Model, Terms
from allocator.model.outages import (
    OutageModel,
    Scenario,
    during,
    most_units,
    scenarios_of,
    stands,
)
from allocator.model.rules import heat, machines, power, pressure, recovery, supply

OPERATION = (
    supply.supply_balance,
    supply.reshaped_products,
    supply.pipe_capacity,
    machines.running_limit,
    machines.shared_units,
    machines.min_load,
    power.line_capacity,
    power.power_balance,
    heat.heat_into_places,
    heat.heat_demands,
    recovery.recovered_flow,
    recovery.recovered_of_sources,
    recovery.recovered_unfed,
    pressure.inlet_pressure,
)
"""Rules of normal operation that hold in each scenario as they are."""


def machines_out(model: Model, sets: IndexSets) -> None:
    """The rules of each scenario, and what ties it to normal operation."""
    scenarios = scenarios_of(sets)
    _units_standing(model, sets, scenarios)
    for number, out in enumerate(scenarios):
        scenario = OutageModel(model, number)
        for rule in OPERATION:
            rule(scenario, sets)
        _units_left(model, sets, number, out)
        _no_more_drawn(model, number)
        _promise_kept(model, sets, number)
        _less_flow(model, sets, number)


def _units_standing(model: Model, sets: IndexSets, scenarios: tuple[Scenario, ...]) -> None:
    """``count <= (i - 1) + (most - i + 1) * stands_i``: 1 where there is an i-th unit."""
    for name in dict.fromkeys(name for out in scenarios for name in out):
        group = sets.groups[name]
        for unit in range(1, most_units(group) + 1):
            if model.has(stands(name, unit)):
                room = float(most_units(group) - unit + 1)
                terms: Terms = [(1.0, ("count", name)), (-room, stands(name, unit))]
                high = float(unit - 1 - group.existing)
                model.row(f"stands[{name},{unit}]", terms, high=high)


def _units_left(model: Model, sets: IndexSets, number: int, out: Scenario) -> None:
    """``running + cycled + beside <= count - out``; of a group with fewer units all are out."""
    for name, group in sets.groups.items():
        terms: Terms = [(1.0, during(number, ("running", name))), (-1.0, ("count", name))]
        if can_cycle(sets, group):
            terms.append((1.0, ("cycled", name)))
        if model.has(("beside", name)):
            terms.append((1.0, ("beside", name)))
        lost = min(out.get(name, 0), group.existing)
        for unit in range(lost + 1, out.get(name, 0) + 1):
            terms.append((1.0, stands(name, unit)))
        model.row(f"out[{number}]:units_left[{name}]", terms, high=float(group.existing - lost))


def _no_more_drawn(model: Model, number: int) -> None:
    """``draw_j <= draw_j of the plan`` of each store, ``direct_j`` likewise, each by itself."""
    for column in list(model.columns):
        if isinstance(column.key, tuple) and column.key[0] in ("draw", "direct"):
            terms: Terms = [(1.0, during(number, column.key)), (-1.0, column.key)]
            model.row(f"out[{number}]:no_more[{column.key}]", terms, high=0.0)


def _promise_kept(model: Model, sets: IndexSets, number: int) -> None:
    """``served >= served of the plan`` of each demand, and ``clean >= clean of the plan``."""
    for demand in sets.power_demands():
        together: Terms = []
        for kind in CLASSES:
            key = ("served", demand.name, kind)
            terms: Terms = [(1.0, during(number, key)), (-1.0, key)]
            together += terms
            if kind == "clean":
                model.row(f"out[{number}]:clean[{demand.name}]", terms, low=0.0)
        model.row(f"out[{number}]:served[{demand.name}]", together, low=0.0)


def _less_flow(model: Model, sets: IndexSets, number: int) -> None:
    """``sum_j peak_j supply_j <= the same of the plan``, of each arc whose pressures are computed.

    Where all that flows is no more, each pipe bears it as it does that of the plan.
    """
    if sets.pressures is None:
        return
    for arc in sets.pressures.losses:
        moved: Terms = [
            (sets.peak(shape), ("supply", arc.route, arc.start, arc.fluid, shape))
            for shape in sets.fluid_shapes[arc.fluid]
        ]
        less = scaled(moved, -1.0)
        terms = [(factor, during(number, key)) for factor, key in moved] + less
        model.row(f"out[{number}]:less_flow[{arc.route},{arc.start},{arc.fluid}]", terms, high=0.0)
