"""Receivers beside units that are run on and off: pipes and stores see a mean, not lumps.

A unit of full-load power P that is on a share c of the time, with all it gives taken through a
battery of charge efficiency e, moves a part S of the battery up and down: it stays on for
S / (e P (1 - c)) and rests for S / (e P c). While it is on it takes R kg/s and is fed c R, so a
receiver beside it must hold R (1 - c) S / (e P (1 - c)) = R S / (e P): for a part S of t s at
full load, S = P t, that is R t / e whatever c is, with t the longer of least run and least rest.
The same for what it gives back where somebody uses it.
"""

from __future__ import annotations

from collections.abc import Mapping

from allocator.model.index_sets import Group, IndexSets
from allocator.model.rules.power import bridged

ROOMIER = 1.0 + 1e-6
"""Above the rounding of what the audit computes anew."""


def buffer_vessels_of(sets: IndexSets, group: Group) -> Mapping[str, float]:
    """Fluid -> kg that a receiver must hold beside a unit of the group that is run on and off."""
    seconds = bridged(group.type) / sets.efficiency(sets.bus(group.place)) * ROOMIER
    rates = dict(group.type.inputs)
    for fluid, rate in group.type.outputs.items():
        if is_used(sets, fluid):
            rates[fluid] = rates.get(fluid, 0.0) + rate
    return {fluid: rate * seconds for fluid, rate in rates.items() if rate > 0}


def is_used(sets: IndexSets, fluid: str) -> bool:
    """True when a machine takes the fluid or a demand asks for it."""
    taken = any(fluid in machine.inputs for machine in sets.site.machines.values())
    return taken or any(demand.wants == fluid for demand in sets.site.demands.values())
