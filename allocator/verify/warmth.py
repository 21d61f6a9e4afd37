"""Rules of heat that places must be given."""

from __future__ import annotations

import math

from allocator.plans.records import MachineUse
from allocator.verify.case import Case
from allocator.verify.counts import ROOM
from allocator.verify.recovery import warmed_place
from allocator.verify.report import Findings


def check_heat_demands(case: Case, findings: Findings) -> None:
    """Each place has its heat at all times, of machines and coolers that give it hot enough.

    Counted is the lowest load of what turns for ever: heat is in step with it. Heat of coolers is
    a rule of its own (``recovery_heat``).
    """
    for name, place in case.site.places.items():
        if place.heat_demand is None or name in case.site.limits.excluded_places:
            continue
        given = math.fsum(
            case.machine_type(machine).heat_out * _least_load(case, machine)
            for machine in case.plan.machines
            if warms(case, machine, name)
        )
        given += math.fsum(
            use.heat or 0.0 for use in case.plan.recoveries if warmed_place(case, use) == name
        )
        findings.at_least(
            "heat_demand",
            f"place {name!r}",
            given,
            place.heat_demand,
            "W",
            "the heat that it is given at all times",
            ROOM * place.heat_demand,
        )


def warms(case: Case, machine: MachineUse, place: str) -> bool:
    """True where a group is at a place, and its heat is hot enough for it."""
    given, asked = case.machine_type(machine).heat_temperature, case.site.places[place]
    here = case.site.ground(machine.place) == place and asked.heat_demand is not None
    return here and given is not None and given >= asked.heat_temperature


def _least_load(case: Case, machine: MachineUse) -> float:
    following = [load * case.least(shape) for shape, load in machine.following.items()]
    return math.fsum([machine.flat_load, *following])
