"""What only the whole site shows to be impossible."""

from __future__ import annotations

import math
from collections.abc import Mapping

from allocator.quantities import format_quantity
from allocator.site.records import Fluid, MachineType, Site
from allocator.site.table import Values

_TOLERANCE = 1e-9  # of rounding, when energies are added


def check_site_records(site: Site, values: Values) -> None:
    """Notes machines that give more energy than they take; other checks are made on reading."""
    section: dict[str, Values] = values.get("machines", {})
    for machine in site.machines.values():
        if not {*machine.takes, *machine.gives} <= set(site.fluids):
            continue  # a fluid is faulty itself
        held, given = energy_taken(machine, site.fluids), energy_given(machine, site.fluids)
        if held is not None and given > held * (1 + _TOLERANCE):
            section[machine.name].fault_here(
                "gives",
                f"gives more energy than it takes ({format_quantity(given, 'power')} of "
                f"{format_quantity(held, 'power')} by lower heating value)",
                "check 'takes', 'gives' and the heating values",
            )


def energy_taken(machine: MachineType, fluids: Mapping[str, Fluid]) -> float | None:
    """W that one unit takes at full load; None where nothing that it takes has a known energy."""
    known = [fluids[name].heating_value is not None for name in machine.takes]
    if not any(known) and not machine.power_in:
        return None
    return math.fsum([machine.power_in, *_heat(machine.takes, fluids)])


def energy_given(machine: MachineType, fluids: Mapping[str, Fluid]) -> float:
    """W that one unit gives at full load: power, heat and heating value of the fluids."""
    return math.fsum([machine.power_out, machine.heat_out, *_heat(machine.gives, fluids)])


def _heat(rates: Mapping[str, float], fluids: Mapping[str, Fluid]) -> list[float]:
    return [rate * (fluids[name].heating_value or 0.0) for name, rate in rates.items()]
