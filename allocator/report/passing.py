"""Stores that a plan does not build: gas passes through their place to what takes it at once.

A plan may route steady gas by a store of size 0, such as to a flare beside it. People are told of
what takes the gas, since nobody builds, tags or sets that store.
"""

from __future__ import annotations

import math

from allocator.network.records import Network
from allocator.plans.records import MachineUse, Plan, StoreUse
from allocator.report.loads import burst_load
from allocator.report.ways import ways_of


def built_stores(plan: Plan) -> tuple[StoreUse, ...]:
    """Stores of fluids that stand once the plan is built."""
    return tuple(use for use in plan.stores if use.size > 0)


def is_passed(plan: Plan, key: str) -> bool:
    """Whether a giver or destination, as ``store:holder@works``, is a store that is not built."""
    return any(key == f"store:{use.name}" and use.size <= 0 for use in plan.stores)


def destinations(site: Network, plan: Plan, to: str) -> dict[str, float]:
    """What a destination of the collect layer gives to in the end -> its share.

    That is itself, except for a store that is not built: ``machine:type@place`` and
    ``demand:NAME`` that take its gas, and ``flare:type@place`` for its overflow.
    """
    if not is_passed(plan, to):
        return {to: 1.0}
    found: dict[str, float] = {}
    for way in ways_of(site, plan):
        if way.giver == to:
            found[way.taker] = found.get(way.taker, 0.0) + way.rate
    store = to.partition(":")[2]
    for machine in plan.machines:
        if machine.overflow.get(store, 0.0) > 0:
            found[f"flare:{machine.name}"] = machine.overflow[store]
    whole = math.fsum(found.values())
    return {taker: rate / whole for taker, rate in found.items()} if whole > 0 else {to: 1.0}


def flared(site: Network, plan: Plan, use: MachineUse) -> tuple[float, float]:
    """What a flare burns on average, and the most that may come to it at once, kg/s."""
    rate = math.fsum(site.machines[use.type].inputs.values())
    most = [rate * use.flat_load]
    most += [store.inflow for store in plan.stores if store.name in use.overflow]
    comes = {f"flare:{use.name}", *(f"store:{name}" for name in use.overflow)}
    most += [flow for s in plan.sources for to, flow in s.collect.items() if to in comes]
    return rate * (use.flat_load + burst_load(site, plan, use)), math.fsum(most)
