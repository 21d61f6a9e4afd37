"""Rules of running machines: units enough for their loads, least load, on and off."""

from __future__ import annotations

import math

from allocator.plans.records import MachineUse
from allocator.verify.case import Case
from allocator.verify.report import LIMIT, Findings


def check_running(case: Case, findings: Findings) -> None:
    """Loads within the units that run, and units that run within the count."""
    for machine in case.plan.machines:
        subject = f"machine {machine.name!r}"
        if case.firm:
            _loads(case, findings, machine, subject)
        else:
            _mean_loads(findings, machine, subject)
        if case.machine_type(machine).power_in > 0:
            other = math.fsum(
                [*machine.following.values(), machine.cycled, *machine.burst.values()]
            )
            findings.at_most(
                "converter_steady",
                subject,
                other,
                0.0,
                "units",
                "the load beside the flat one of a machine that takes power",
            )


def _loads(case: Case, findings: Findings, machine: MachineUse, subject: str) -> None:
    kind = case.machine_type(machine)
    highest = math.fsum([machine.flat_load, case.at_peak(machine.following)])
    findings.at_most(
        "running_load", subject, highest, machine.running, "units", "the load at peak of what runs"
    )
    lowest = math.fsum(
        [machine.flat_load, *(m * case.least(shape) for shape, m in machine.following.items())]
    )
    findings.at_least(
        "min_load",
        subject,
        lowest,
        kind.min_load * machine.running,
        "units",
        "the load at its lowest of what runs",
    )
    findings.at_most(
        "cycled_unit", subject, machine.cycled, 1.0, "units", "the load run on and off"
    )
    findings.at_most(
        "machine_units",
        subject,
        math.fsum([machine.running, machine.cycled, beside(case, machine)]),
        machine.count,
        "units",
        "what runs, is run on and off, and burns what the units that run have no room for",
    )
    on_and_off = run_on_and_off(case, machine)
    if on_and_off:
        findings.holds(
            "cycled_battery",
            subject,
            bool(case.batteries_at(case.bus(machine.place))),
            "is run on and off but there is no battery at its bus",
        )
        for fluid, rate in batch_draw(case, machine).items():
            findings.at_least(
                "receiver",
                subject,
                machine.buffer_vessel.get(fluid, 0.0),
                on_and_off * rate * one_run(case, machine) / battery_efficiency(case, machine),
                "kg",
                f"the buffer vessel for {fluid!r} beside the cycled unit",
            )


def run_on_and_off(case: Case, machine: MachineUse) -> int:
    """Units of a group that run on and off: for what is promised flat, and for bursts.

    A part of a unit burns a burst directly only where its fuel is in proportion to its load,
    down to nothing. Else it runs in lumps, which a receiver and a battery must take up.
    """
    return int(machine.cycled > 0) + int(in_batches(case, machine))


def beside(case: Case, machine: MachineUse) -> float:
    """Units that burn what comes, all sources on, beyond the room of units that always run.

    Their margin is ``running - flat - sum of following at peak``. At no load they take a share of
    the full-load fuel already, so what is added is burnt at full-load efficiency or better.
    Of sources that never stop the same is true, so they may share units with bursts. Units beside
    and the load run on and off are one stream of fuel: the whole units that it fills burn it
    directly, one more unit the rest.
    """
    room = machine.running - math.fsum([machine.flat_load, case.at_peak(machine.following)])
    return max(0.0, math.fsum([*machine.burst.values(), -max(0.0, room)]))


def in_batches(case: Case, machine: MachineUse) -> bool:
    """True for a group that burns bursts by running a unit on and off."""
    kind = case.machine_type(machine)
    even = kind.no_load <= 0 and kind.min_load <= 0
    return not even and beside(case, machine) > LIMIT * machine.running


def one_run(case: Case, machine: MachineUse) -> float:
    """s at full load of one run and of one rest of a unit run on and off; at least a second.

    It is on for S / (e P (1 - c)) and off for S / (e P c), neither below S / P for a swing S.
    """
    kind = case.machine_type(machine)
    return max(kind.min_up_time, kind.min_down_time, 1.0)


def battery_efficiency(case: Case, machine: MachineUse) -> float:
    """Charge efficiency of the worst battery at a machine's bus; 1 without one."""
    return min(
        (
            case.site.storage[b.type].charge_efficiency
            for b in case.batteries_at(case.bus(machine.place))
        ),
        default=1.0,
    )


def batch_draw(case: Case, machine: MachineUse) -> dict[str, float]:
    """kg/s by fluid at full load: what a unit takes, and gives where somebody uses it."""
    kind = case.machine_type(machine)
    rates = dict(kind.inputs)
    for fluid, rate in kind.outputs.items():
        if any(fluid in m.inputs for m in case.site.machines.values()) or any(
            d.wants == fluid for d in case.site.demands.values()
        ):
            rates[fluid] = rates.get(fluid, 0.0) + rate
    return rates


def _mean_loads(findings: Findings, machine: MachineUse, subject: str) -> None:
    findings.at_most(
        "machine_units", subject, machine.flat_load, machine.count, "units", "the mean load"
    )
    other = math.fsum([*machine.following.values(), machine.cycled, *machine.burst.values()])
    findings.at_most(
        "mean_basis_load", subject, other, 0.0, "units", "the load beside the mean one"
    )


def check_swing(case: Case, findings: Findings) -> None:
    """Per bus: battery kept for on and off >= power times shortest run (or rest, if longer),

    over all units that run on and off.
    """
    needed: dict[str, list[float]] = {}
    for machine in case.plan.machines:
        if units := run_on_and_off(case, machine):
            energy = units * case.machine_type(machine).power_out * one_run(case, machine)
            needed.setdefault(case.bus(machine.place), []).append(energy)
    for bus, energies in needed.items():
        kept = math.fsum(b.swing_part for b in case.batteries_at(bus))
        where = f"batteries at {bus!r}" if bus else "batteries"
        findings.at_least(
            "swing_reserve",
            where,
            kept,
            math.fsum(energies),
            "J",
            "what is kept for machines run on and off",
        )


def swing_of(case: Case, machine: MachineUse) -> float:
    """J of the batteries' swing parts that one group's unit on and off may use.

    No more than its share, and no more than its receivers allow: a swing S moves R S / (e P) kg
    of a fluid that it takes or gives at R kg/s. Units that burn bursts in lumps have their shares
    and receivers as well.
    """
    bus = case.bus(machine.place)
    kept = math.fsum(b.swing_part for b in case.batteries_at(bus))
    runs = {
        m.name: case.machine_type(m).power_out * one_run(case, m)
        for m in case.plan.machines
        if case.bus(m.place) == bus
    }
    asked = [run_on_and_off(case, m) * runs.get(m.name, 0.0) for m in case.plan.machines]
    units = max(run_on_and_off(case, machine), 1)
    power = battery_efficiency(case, machine) * case.machine_type(machine).power_out
    received = [
        machine.buffer_vessel.get(fluid, 0.0) / units * power / rate
        for fluid, rate in batch_draw(case, machine).items()
        if rate > 0
    ]
    share = runs[machine.name] / max(math.fsum(asked), 1e-300) if machine.cycled > 0 else 0.0
    return min([kept * share, *received])
