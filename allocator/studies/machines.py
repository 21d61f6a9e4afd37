"""Machines in plain figures: how good, how dirty, what they burn at part load."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.site.emissions import is_clean, unit_emission
from allocator.site.records import MachineType, Site


@dataclass(frozen=True, slots=True)
class MachineRow:
    """One machine type, SI. ``efficiency``: power out over heating value taken, None where

    either is absent. ``emission``: kg counted a J of power out, None for no power. ``clean``:
    it gives power and releases no counted emission.
    """

    machine: str
    power: float
    efficiency: float | None
    emission: float | None
    clean: bool


def machines_table(site: Site) -> list[MachineRow]:
    """A row for every machine type that gives power, in file order."""
    rows = []
    for machine in site.machines.values():
        if machine.power_out > 0:
            emission = emission_per_energy(site, machine)
            efficiency = efficiency_of(site, machine)
            clean = is_clean(site, machine)
            rows.append(MachineRow(machine.name, machine.power_out, efficiency, emission, clean))
    return rows


def fuel_power(site: Site, machine: MachineType) -> float:
    """Heating value that one unit takes at full load, W (lower heating values)."""
    return sum(
        rate * (site.fluids[fluid].heating_value or 0.0) for fluid, rate in machine.inputs.items()
    )


def efficiency_of(site: Site, machine: MachineType) -> float | None:
    """Power out over heating value taken at full load; None where either is absent."""
    fuel = fuel_power(site, machine)
    return machine.power_out / fuel if fuel > 0 and machine.power_out > 0 else None


def emission_per_energy(site: Site, machine: MachineType) -> float | None:
    """Counted release a unit of power out at full load, kg/J (1 kg/kWh is 2.78e-7 kg/J)."""
    return unit_emission(site, machine) / machine.power_out if machine.power_out > 0 else None


def fuel_at_load(machine: MachineType, load: float) -> float:
    """Share of full-load takings that one unit burns at a share of full load.

    Affine: ``a + (1 - a) load`` with ``a`` the share burnt at no load.
    """
    return machine.no_load + (1.0 - machine.no_load) * load
