"""Rules of batteries: parts, what levelling and bursts need, rates of charge and release."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from allocator.plans.records import BatteryUse, MachineUse
from allocator.site.records import POWER
from allocator.verify.case import CLASSES, Case, class_of
from allocator.verify.cycle import Cycle
from allocator.verify.levelling import AuditLevelling, levelling_of
from allocator.verify.promises import NEARLY, AuditedPromise, check_promise
from allocator.verify.report import Findings
from allocator.verify.running import battery_efficiency, in_batches


def check_batteries(case: Case, findings: Findings) -> None:
    """Parts add up to at most the size; each part is enough for what it promises."""
    for battery in case.plan.batteries:
        subject = f"battery {battery.name!r}"
        parts = [battery.level_part, battery.swing_part, *battery.burst_part.values()]
        findings.at_most(
            "battery_parts",
            subject,
            math.fsum(parts),
            battery.size * case.site.storage[battery.type].usable,
            "J",
            "the sum of its parts",
        )
        _levelled(case, findings, battery, subject)
        for kind in CLASSES:
            _bursts(case, findings, battery, kind, f"{subject} ({kind})")
        _rates(case, findings, battery, subject)
    if case.site.handover is not None:
        _handed_over(case, findings, case.site.handover.batteries)


UNITS = {"collect": "kg/s", "cycled": "units", "burst_part": "J", "swing": "J"}
"""Of what batteries do; all else in W."""


def _handed_over(case: Case, findings: Findings, same: Mapping[tuple[str, ...], float]) -> None:
    """Until another operation follows, batteries do what they do in it: see :class:`Handover`."""
    done = dict(_doings(case))
    for key in sorted(same.keys() | done.keys()):
        here, there = done.get(key, 0.0), same.get(key, 0.0)
        subject, what = " ".join(key[1:]), f"its {key[0].replace('_', ' ')}"
        room = NEARLY * max(abs(here), abs(there))
        unit = UNITS.get(key[0], "W")
        if key[0] in ("burst_part", "swing"):
            findings.at_least("battery_handover", subject, here, there, unit, what, room)
        elif key[0] == "release":
            findings.at_most("battery_handover", subject, here, there, unit, what, room)
        else:
            findings.equals("battery_handover", subject, here, there, unit, what, room)


def _doings(case: Case) -> Iterator[tuple[tuple[str, ...], float]]:
    """What batteries do in a plan, as :class:`Handover` has it."""
    for use in case.plan.batteries:
        yield ("swing", use.name), use.swing_part
        for kind, size in use.burst_part.items():
            yield ("burst_part", use.name, kind), size
        for kind, shapes in use.release.items():
            for shape, power in shapes.items():
                yield ("release", use.name, kind, shape), power
        for word, levelled in (("level", use.levelled), ("surplus", use.level_surplus)):
            for demand, classes in levelled.items():
                for kind, power in classes.items():
                    yield (word, use.name, demand, kind), power
    for source in case.plan.sources:
        for to, rate in source.collect.items():
            if to.startswith("burn:"):
                yield ("collect", source.name, to), rate
    for machine in case.plan.machines:
        yield ("cycled", machine.name), machine.cycled


def levelled_by(
    case: Case, battery: BatteryUse
) -> Iterator[tuple[str, AuditLevelling, dict[str, float]]]:
    """What a battery levels: demand, its constants, and mean power served by class.

    Once for what has the least generation, and once for each class that has more.
    """
    efficiency = case.site.storage[battery.type].charge_efficiency
    for name, classes in battery.levelled.items():
        profile, more = case.site.demands[name].profile, battery.level_surplus.get(name, {})
        least = {kind: power for kind, power in classes.items() if not more.get(kind)}
        if least:
            yield name, levelling_of(profile, efficiency), least
        for kind, power in classes.items():
            if kind not in least and power > 0.0:
                yield name, levelling_of(profile, efficiency, more[kind] / power), {kind: power}


def _levelled(case: Case, findings: Findings, battery: BatteryUse, subject: str) -> None:
    needed = []
    for name, constants, classes in levelled_by(case, battery):
        needed.append(constants.fall * math.fsum(classes.values()))
        findings.holds(
            "level_bus",
            subject,
            case.bus(case.site.demands[name].place) == case.bus(battery.place),
            f"levels for demand {name!r}, which is not at its bus",
        )
    for name, more in battery.level_surplus.items():
        for kind, power in more.items():
            served = battery.levelled.get(name, {}).get(kind, 0.0)
            findings.holds(
                "level_surplus",
                subject,
                power >= 0.0 and (power == 0.0 or served > 0.0),
                f"surplus generation for demand {name!r} ({kind}), of which it levels none",
            )
    findings.at_least(
        "level_part",
        subject,
        battery.level_part,
        math.fsum(needed),
        "J",
        "the part that levels generation to demands",
    )


def bursts_into(case: Case, battery: BatteryUse, kind: str) -> Iterator[tuple[str, Cycle, float]]:
    """Bursts into a battery from machines of a class: source, its cycle, W while it is on."""
    for destination in case.destinations.values():
        machine = destination.machine
        if machine is None or destination.battery is not battery or destination.fluid is None:
            continue
        record = case.machine_type(machine)
        if class_of(case.site, record) == kind:
            energy = record.power_out / record.inputs[destination.fluid]
            for source, rate in case.collected(destination.name):
                yield source.name, case.sure[source.name], energy * rate


def _bursts(case: Case, findings: Findings, battery: BatteryUse, kind: str, subject: str) -> None:
    record = case.site.storage[battery.type]
    part = battery.burst_part.get(kind, 0.0)
    supply = [
        (source, cycle, record.charge_efficiency * power)
        for source, cycle, power in bursts_into(case, battery, kind)
    ]
    draw = battery.release.get(kind, {})
    promise = AuditedPromise("burst", "J", part, record.loss / record.usable, 0.0, draw)
    check_promise(case, findings, subject, promise, supply)


def check_rates(case: Case, findings: Findings) -> None:
    """Charge and release within rates, whole units that burn a part of a burst included.

    Asked of outages too: fewer units that always run have less room for bursts.
    """
    for battery in case.plan.batteries:
        _rates(case, findings, battery, f"battery {battery.name!r}")


def _rates(case: Case, findings: Findings, battery: BatteryUse, subject: str) -> None:
    record = case.site.storage[battery.type]
    into = [power for kind in CLASSES for _, _, power in bursts_into(case, battery, kind)]
    out = [case.at_peak(released) for released in battery.release.values()]
    for _, constants, classes in levelled_by(case, battery):
        mean = math.fsum(classes.values())
        into.append(constants.charge * mean)
        out.append(constants.discharge * mean)
    for machine in _cycled_behind(case, battery):
        # in at full power when the unit is on, out at what it promises when it is off
        power = case.machine_type(machine).power_out
        into.append(power)
        out.append(power * record.charge_efficiency * machine.cycled)
    for machine in case.plan.machines:
        if in_batches(case, machine) and machine.burst.get(battery.name, 0.0) > 0:
            into.append(case.machine_type(machine).power_out)  # a whole unit where a part was
    for rule, powers, whole, each, what in (
        ("battery_fill_rate", into, record.fill_rate, record.fill_rate_per_size, "into"),
        ("battery_release_rate", out, record.release_rate, record.release_rate_per_size, "out of"),
    ):
        for most in (whole, None if each is None else each * battery.size):
            if most is not None:
                told = f"the highest power {what} it"
                findings.at_most(rule, subject, math.fsum(powers), most, "W", told)


def wear(case: Case, highest: bool = False) -> float:
    """Money a second for what goes through batteries.

    Power of units run on and off goes through the battery that keeps most for them; ``highest``: at
    the highest price of what may be built at the bus.
    """
    found = []
    for battery in case.plan.batteries:
        price = case.site.storage[battery.type].throughput_price
        released = [power for shapes in battery.release.values() for power in shapes.values()]
        for _, constants, classes in levelled_by(case, battery):
            released.append(constants.through * math.fsum(classes.values()))
        found += [price * power for power in released]
        if not highest:
            found += [price * _cycled_power(case, m) for m in _cycled_behind(case, battery)]
    for machine in case.plan.machines if highest else ():
        dearest = max(
            (
                kind.throughput_price
                for kind in case.site.storage.values()
                if kind.holds == POWER
                and case.bus(machine.place) in {case.bus(place) for place in kind.places}
            ),
            default=0.0,
        )
        found.append(dearest * _cycled_power(case, machine))
    return math.fsum(found)


def _cycled_power(case: Case, machine: MachineUse) -> float:
    power = case.machine_type(machine).power_out * machine.cycled
    return power * battery_efficiency(case, machine)


def _cycled_behind(case: Case, battery: BatteryUse) -> list[MachineUse]:
    # Machines run on and off work with the battery at their bus that keeps most for them.
    bus = case.bus(battery.place)
    keepers = [b for b in case.batteries_at(bus) if b.swing_part > 0]
    if not keepers or max(keepers, key=lambda b: b.swing_part) is not battery:
        return []
    return [m for m in case.plan.machines if m.cycled > 0 and case.bus(m.place) == bus]
