"""Kinds of machine: what one unit takes and gives, and where it may stand."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.records import POWER, MachineType
from allocator.site.table import Values


def read_machines(section: Mapping[str, Values]) -> dict[str, MachineType]:
    """Every kind of machine that is whole."""
    return {
        name: machine
        for name, values in section.items()
        if (machine := _read_machine(name, values)) is not None
    }


def _read_machine(name: str, values: Values) -> MachineType | None:
    takes: dict[str, float] = dict(values.get("takes", {}))
    gives: dict[str, float] = dict(values.get("gives", {}))
    if POWER in takes and POWER in gives:
        values.fault(
            "gives",
            "holds 'power', which the machine also takes",
            "give the net power on one side",
        )
    if not values.whole:
        return None
    places = values.get("places")
    return MachineType(
        name,
        takes={fluid: rate for fluid, rate in takes.items() if fluid != POWER},
        gives={fluid: rate for fluid, rate in gives.items() if fluid not in (POWER, "heat")},
        places=dict.fromkeys(places) if isinstance(places, tuple) else dict(places),
        power_out=gives.get(POWER, 0.0),
        power_in=takes.get(POWER, 0.0),
        heat_out=gives.get("heat", 0.0),
        no_load_share=values.get("no_load"),
        least_load=values.get("least_load"),
        least_run=values.get("least_run"),
        materials=dict(values.get("materials", {})),
        price=values.get("price"),
        most=values.get("most"),
    )
