"""What only the whole site shows to be impossible."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

from allocator.base.quantities import format_quantity
from allocator.site.chambers import molar
from allocator.site.checks_clocks import faults_of_clock, faults_of_survey
from allocator.site.checks_heat_demands import faults_of_heat_demands
from allocator.site.checks_proportion import faults_of_proportion
from allocator.site.checks_venting import faults_of_venting
from allocator.site.money import faults_of_lives
from allocator.site.records import POWER, Fluid, MachineType, Site, Spread
from allocator.site.table import Values

_TOLERANCE = 1e-9  # of rounding, when energies are added


class RecordFault(NamedTuple):
    """What is wrong with a thing of a section: at ``key`` within the records ``above`` it."""

    section: str
    name: str
    above: tuple[str, ...]
    key: str
    problem: str
    remedy: str

    @property
    def said(self) -> str:
        """The problem with the keys that lead to it, where there are more than one."""
        return f"{'.'.join((*self.above, self.key))} {self.problem}" if self.above else self.problem


def check_site_records(site: Site, values: Values) -> None:
    """Notes the faults of :func:`faults_of_records` and of the site's own times in the file.

    Other checks are made on reading.
    """
    if len(site.sources) == len(values.get("sources", {})):  # none is faulty itself
        for key, problem, remedy in faults_of_survey(site):
            values.fault(key, problem, remedy)
    whole = len(values.get("machines", {})) == len(site.machines)  # a faulty one is not read
    for fault in faults_of_records(site):
        if fault.key == "heat_demand" and not whole:
            continue
        record: Values = values.get(fault.section, {})[fault.name]
        for key in fault.above:
            record = record.get(key)
        note = record.fault if fault.above else record.fault_here
        note(fault.key, fault.problem, fault.remedy)


def faults_of_records(site: Site) -> Iterator[RecordFault]:
    """Clocks that cannot be, chambers of an unknown gas, machines that give more energy than they

    take."""
    for name, source in site.sources.items():
        for key, problem, remedy in faults_of_clock(source, site.spreads, site.starts_at):
            yield RecordFault("sources", name, (), key, f"{key} {problem}", remedy)
        if source.pump is None or source.pump.chamber is None or source.fluid not in site.fluids:
            continue
        if molar(site, source.fluid) is None:
            yield RecordFault(
                "sources",
                name,
                ("pump",),
                "chamber",
                f"holds {source.fluid!r}, the amount of which is not known",
                "give the gas a 'molar_mass' or 'density' among its constants, or a 'substance'",
            )
    for section, name, key, problem, remedy in (
        *faults_of_venting(site),
        *faults_of_proportion(site),
        *faults_of_lives(site),
        *faults_of_heat_demands(site),
    ):
        yield RecordFault(section, name, (), key, problem, remedy)
    for machine in site.machines.values():
        if not {*machine.inputs, *machine.outputs} <= set(site.fluids):
            continue  # a fluid is faulty itself
        worst = _most_given_for_least(machine, site.spreads)
        held, given = energy_taken(worst, site.fluids), energy_given(worst, site.fluids)
        if held is not None and given > held * (1 + _TOLERANCE):
            yield RecordFault(
                "machines",
                machine.name,
                (),
                "outputs",
                f"gives more energy than it takes ({format_quantity(given, 'power')} of "
                f"{format_quantity(held, 'power')} by lower heating value)",
                "check 'inputs', 'outputs' and the heating values",
            )


def _most_given_for_least(machine: MachineType, spreads: Mapping[str, Spread]) -> MachineType:
    """The machine with the greatest of what it may give and the least of what it may take."""
    if not spreads:
        return machine

    def low(fluid: str, rate: float) -> float:
        spread = spreads.get(f"machines.{machine.name}.inputs.{fluid}")
        return rate if spread is None else spread.low

    def high(fluid: str, rate: float) -> float:
        spread = spreads.get(f"machines.{machine.name}.outputs.{fluid}")
        return rate if spread is None else spread.high

    return replace(
        machine,
        inputs={fluid: low(fluid, rate) for fluid, rate in machine.inputs.items()},
        outputs={fluid: high(fluid, rate) for fluid, rate in machine.outputs.items()},
        power_in=low(POWER, machine.power_in),
        power_out=high(POWER, machine.power_out),
        heat_out=high("heat", machine.heat_out),
    )


def energy_taken(machine: MachineType, fluids: Mapping[str, Fluid]) -> float | None:
    """W that one unit takes at full load; None where nothing that it takes has a known energy."""
    known = [fluids[name].heating_value is not None for name in machine.inputs]
    if not any(known) and not machine.power_in:
        return None
    return math.fsum([machine.power_in, *_heat(machine.inputs, fluids)])


def energy_given(machine: MachineType, fluids: Mapping[str, Fluid]) -> float:
    """W that one unit gives at full load: power, heat and heating value of the fluids."""
    return math.fsum([machine.power_out, machine.heat_out, *_heat(machine.outputs, fluids)])


def _heat(rates: Mapping[str, float], fluids: Mapping[str, Fluid]) -> list[float]:
    return [rate * (fluids[name].heating_value or 0.0) for name, rate in rates.items()]
