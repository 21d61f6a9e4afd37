"""Rules of power: per bus, class and shape, what is given covers what is served and used."""

from __future__ import annotations

import math

from allocator.plans.records import FLAT
from allocator.site.records import POWER
from allocator.verify.batteries import levelled_by
from allocator.verify.case import BALANCE, CLASSES, Case, class_of
from allocator.verify.loads import turnover
from allocator.verify.report import Findings
from allocator.verify.scale import power_tolerance

Key = tuple[str, str, str]
Pools = dict[Key, list[float]]


def check_power(case: Case, findings: Findings) -> None:
    """Generation + batteries' release + lines >= served, per bus, class and shape (means).

    The rest of the flat pools of both classes carries the plant's own load of the bus.
    """
    tolerance = power_tolerance(case)
    rests = _rests(case, findings, tolerance)
    for (bus, kind, shape), rest in rests.items():
        rule = "power_balance_flat" if shape == FLAT else "power_balance_following"
        findings.at_least(
            rule,
            _where(bus, f"{kind} power ({shape})"),
            rest,
            0.0,
            "W",
            "what is left of it",
            tolerance,
        )
    for bus, loads in own_loads(case).items():
        findings.at_least(
            "own_load",
            _where(bus, "power"),
            math.fsum(rests.get((bus, kind, FLAT), 0.0) for kind in CLASSES),
            case.at_peak(loads),
            "W",
            "the flat power left for pumps, machines and battery losses",
            tolerance,
        )


def _rests(case: Case, findings: Findings, tolerance: float) -> dict[Key, float]:
    """What is left of each pool."""
    pools: Pools = {}
    _generation(case, pools)
    _released_and_sent(case, pools)
    _served(case, findings, pools, tolerance)
    return {key: math.fsum(terms) for key, terms in pools.items()}


def flat_left(case: Case) -> dict[str, float]:
    """Flat power of both classes by bus, W, beside what is served; what balances may miss added."""
    tolerance = power_tolerance(case)
    found: dict[str, float] = {}
    for (bus, _, shape), rest in _rests(case, Findings(), tolerance).items():
        if shape == FLAT:
            found[bus] = found.get(bus, tolerance) + rest
    return found


def _where(bus: str, what: str) -> str:
    return f"{what} at {bus!r}" if bus else what


def _add(pools: Pools, bus: str, kind: str, shape: str, power: float) -> None:
    if power:
        pools.setdefault((bus, kind, shape), []).append(power)


def _generation(case: Case, pools: Pools) -> None:
    for machine in case.plan.machines:
        record = case.machine_type(machine)
        bus, kind = case.bus(machine.place), class_of(case.site, record)
        # What is run on and off passes through a battery: the worst one at the bus counts.
        efficiency = min(
            (case.site.storage[b.type].charge_efficiency for b in case.batteries_at(bus)),
            default=1.0,
        )
        steady = math.fsum([machine.flat_load, efficiency * machine.cycled])
        _add(pools, bus, kind, FLAT, record.power_out * steady)
        for shape, load in machine.following.items():
            _add(pools, bus, kind, shape, record.power_out * load)
    for use in case.plan.recoveries:  # checked by itself; a cooler releases nothing
        for shape, power in use.power.items():
            _add(pools, case.bus(case.site.routes[use.route].start), "clean", shape, power)


def _released_and_sent(case: Case, pools: Pools) -> None:
    for battery in case.plan.batteries:
        for kind, released in battery.release.items():
            for shape, power in released.items():
                _add(pools, case.bus(battery.place), kind, shape, power)
    for line in case.plan.lines:
        arrives = 1.0 - case.site.power_lines[line.name].loss
        for start, end, kind, shape, sent in line.flows:
            _add(pools, case.bus(start), kind, shape, -sent)
            _add(pools, case.bus(end), kind, shape, sent * arrives)


def _served(case: Case, findings: Findings, pools: Pools, tolerance: float) -> None:
    levelled: dict[tuple[str, str], list[float]] = {}
    for battery in case.plan.batteries:
        for name, constants, classes in levelled_by(case, battery):
            for kind, power in classes.items():
                levelled.setdefault((name, kind), []).append(power)
                bus = case.bus(battery.place)
                _add(pools, bus, kind, FLAT, -constants.generation * power)
    for demand in case.plan.demands:
        if demand.wants != POWER:
            continue
        bus = case.bus(case.site.demands[demand.name].place)
        for kind, share in (("clean", demand.clean_share), ("emitting", demand.emitting_share)):
            through = math.fsum(levelled.pop((demand.name, kind), []))
            straight = math.fsum([share * demand.mean, -through])
            findings.at_least(
                "levelled_over_share",
                f"demand {demand.name!r} ({kind})",
                straight,
                0.0,
                "W",
                "what is served beside what batteries level",
                max(tolerance, BALANCE * through),
            )
            _add(pools, bus, kind, case.shape_of[demand.name], -max(0.0, straight))
    for (name, kind), powers in levelled.items():
        findings.at_most(
            "levelled_over_share",
            f"demand {name!r} ({kind})",
            math.fsum(powers),
            0.0,
            "W",
            "what batteries level for a demand that is not served",
            tolerance,
        )


def own_loads(case: Case) -> dict[str, dict[str, float]]:
    """Power that the plant itself uses, mean W by bus and shape: pumps, and routes that take power

    for what they move, as if every source were always on (sound for a promise); boosters, machines
    that take power, and what batteries lose, at the charging side.
    """
    found: dict[str, dict[str, list[float]]] = {}

    def add(place: str | None, load: float, shape: str = FLAT) -> None:
        if load > 0:
            found.setdefault(case.bus(place), {}).setdefault(shape, []).append(load)

    for source in case.plan.sources:
        record = case.site.sources[source.name]
        if record.pump is not None:
            add(record.place, record.pump.energy * math.fsum(source.collect.values()))
            for shape, rate in source.direct.items():
                add(record.place, record.pump.energy * rate, shape)
    for run in case.plan.runs:
        for flow in run.flows:
            shape = flow.carries if flow.layer == "supply" and case.firm else FLAT
            add(flow.start, case.site.routes[run.route].energy * flow.rate, shape)
    for booster in case.plan.boosters:
        add(booster.start, booster.power)
    for machine in case.plan.machines:
        add(machine.place, case.machine_type(machine).power_in * turnover(case, machine)[FLAT])
    for battery in case.plan.batteries:
        kind = case.site.storage[battery.type]
        # what no part uses may stay empty, and loses nothing; bursts lose in their own promise
        kept = battery.level_part + battery.swing_part
        add(battery.place, kind.loss / kind.usable * kept / kind.charge_efficiency)
    return {
        bus: {shape: math.fsum(loads) for shape, loads in shapes.items()}
        for bus, shapes in found.items()
    }


def check_lines(case: Case, findings: Findings) -> None:
    """Per line: ends; all that is sent at peak, both ways and classes, <= capacity."""
    for line in case.plan.lines:
        record = case.site.power_lines[line.name]
        subject = f"line {line.name!r}"
        for start, end, *_ in line.flows:
            findings.holds(
                "line_ends",
                subject,
                {start, end} == {record.start, record.end},
                f"carries power from {start!r} to {end!r}, which are not its ends",
            )
        sent = math.fsum(power * case.peak(shape) for _, _, _, shape, power in line.flows)
        findings.at_most(
            "line_capacity", subject, sent, record.capacity, "W", "what is sent with shapes at peak"
        )
