"""A plan as a circuit: tanks with their promises, machines that idle, loads."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from allocator.plans.records import MachineUse
from allocator.site.records import POWER, MachineType
from allocator.verify.case import Case, class_of
from allocator.verify.chambers import drawn_through
from allocator.verify.loads import burst_terms, turnover
from allocator.verify.power import own_loads
from allocator.verify.running import beside
from allocator.verify.tanks.chambers import (
    as_it_comes,
    chamber_tanks,
    drawable,
    drawn_cycles,
)
from allocator.verify.tanks.circuit import (
    Burner,
    Circuit,
    GroupLoad,
    Load,
    Rate,
    SourceClock,
    Tank,
    Throttle,
    added,
    clock_of,
    turned,
)
from allocator.verify.tanks.feeds import Feed, feeds_of
from allocator.verify.tanks.own_power import lacking
from allocator.verify.tanks.recovered import recovered_power
from allocator.verify.tanks.spilling import PLENTY, ways_to_burn
from allocator.verify.tanks.tanks import (
    battery_tanks,
    clocks_of,
    shaped,
    store_tank,
)
from allocator.verify.warmth import warms

MOST_BATCHES = 8
"""Idle units of a group that keep run and rest times start and stop in at most so many lots."""


@dataclass(frozen=True)
class Assembly:
    """A circuit and what its numbers stand for: ``burner_of``: machine group of each burner.

    ``surplus``: what would spill is burnt where it can be. ``bursts``: clocks of the sources
    themselves, where their pumps draw on chambers and the circuit's clocks are longer;
    ``chambers``: kg that these hold. ``recovered``: W from the heat of bursts, by bus.
    """

    case: Case
    circuit: Circuit
    feeds: tuple[Feed, ...]
    burner_of: tuple[str | None, ...]
    burner_turnover: tuple[float, ...]
    surplus: bool = True
    bursts: tuple[SourceClock, ...] = ()
    chambers: Mapping[str, float] = field(default_factory=dict)
    recovered: tuple[Rate, ...] = ()


def assembly_of(case: Case, *, surplus: bool = True) -> Assembly:
    """The circuit of a plan on the firm basis; without ``surplus`` it keeps promises, no more."""
    plan = case.plan
    names = [case.bus(m.place) for m in plan.machines] + [case.bus(b.place) for b in plan.batteries]
    names += [case.bus(case.site.demands[d.name].place) for d in plan.demands]
    loads = own_loads(case)
    buses = {bus: i for i, bus in enumerate(dict.fromkeys([*names, *loads] or [""]))}
    feeds = feeds_of(case)
    parts, clocks = battery_tanks(case, buses)
    tanks = _stores(case, feeds, buses) + parts + chamber_tanks(case, _worths(case, feeds))
    drawn = drawn_cycles(case)
    wants = _wants(case, buses)
    nothing = (Rate(),) * len(wants)
    recovered = recovered_power(case, buses, wants, drawn) if surplus else nothing
    groups = tuple(_group(case, machine, buses) for machine in plan.machines)
    burners, owners, shares = _burners(case, buses, tanks)
    number = {machine.name: i for i, machine in enumerate(plan.machines)}
    burners = [
        b
        if o is None
        else replace(b, group=number[o])
        if b.group == 0
        else replace(b, turns=number[o])
        for b, o in zip(burners, owners, strict=True)
    ]
    return Assembly(
        case,
        Circuit(
            clocks=(*clocks_of(case, drawn), *clocks),
            tanks=tuple(tanks),
            buses=tuple(buses),
            wants=tuple(added(w, turned(r)) for w, r in zip(wants, recovered, strict=True)),
            burners=tuple(burners) if surplus else (),
            arcs=tuple(ways_to_burn(case, tanks, burners, owners)) if surplus else (),
            throttles=tuple(_throttles(case, feeds, tanks, buses)) if surplus else (),
            groups=groups,
            loads=_loads(case),
            own=lacking(case, loads, buses),
        ),
        feeds,
        tuple(owners) if surplus else (),
        tuple(shares) if surplus else (),
        surplus,
        tuple(clock_of(name, "source", case.cycles[name]) for name in drawn),
        {name: drawable(case, name) for name in (*drawn, *drawn_through(case))},
        recovered,
    )


def without_chambers(assembly: Assembly) -> Assembly:
    """The plan with every source drawn on only while it is on."""
    if drawn_through(assembly.case):
        assembly = assembly_of(as_it_comes(assembly.case), surplus=assembly.surplus)
    own = {clock.name: clock for clock in assembly.bursts}
    clocks = tuple(own.get(c.name, c) for c in assembly.circuit.clocks)
    return replace(assembly, circuit=replace(assembly.circuit, clocks=clocks))


def firm_power(case: Case, machine: MachineUse) -> Rate:
    """Promised power of a group, W: flat, following, and run on and off behind a battery."""
    kind = case.machine_type(machine)
    batteries = case.batteries_at(case.bus(machine.place))
    efficiency = min(
        (case.site.storage[battery.type].charge_efficiency for battery in batteries), default=1.0
    )
    flat = Rate(kind.power_out * (machine.flat_load + efficiency * machine.cycled))
    return added(flat, shaped(case, dict(machine.following), kind.power_out))


def _group(case: Case, machine: MachineUse, buses: dict[str, int]) -> GroupLoad:
    cycling = 1.0 if machine.cycled > 0 else 0.0
    spare = existing(case, machine) - math.fsum(machine.burst.values())
    return GroupLoad(
        name=machine.name,
        bus=buses[case.bus(machine.place)],
        clean=class_of(case.site, case.machine_type(machine)) == "clean",
        power=firm_power(case, machine),
        needed=machine.running + cycling,
        spare=max(0.0, spare),
        failed=Rate(),
    )


def _stores(case: Case, feeds: tuple[Feed, ...], buses: dict[str, int]) -> list[Tank]:
    """Stores, and what a kg/s of each one's draw is worth in promised power."""
    worth = _worths(case, feeds)
    machines = {machine.name: machine for machine in case.plan.machines}
    found = []
    for store in case.plan.stores:
        fed = [f for f in feeds if f.giver == f"store:{store.name}"]
        powers: dict[tuple[str, bool], float] = {}
        for feed in fed:
            machine = machines.get(feed.taker.removeprefix("machine:"))
            if machine is not None and feed.taker.startswith("machine:"):
                clean = class_of(case.site, case.machine_type(machine)) == "clean"
                key = (case.bus(machine.place), clean)
                powers[key] = powers.get(key, 0.0) + feed.rate
        bus, clean = max(powers, key=lambda key: powers[key], default=(next(iter(buses)), True))
        found.append(
            replace(
                store_tank(case, store),
                worth=worth.get(f"store:{store.name}", 0.0),
                bus=buses[bus],
                clean=clean,
            )
        )
    return found


def _worths(case: Case, feeds: tuple[Feed, ...]) -> dict[str, float]:
    """W of promised power behind each kg/s that a store gives, through other stores as well."""
    per_kg: dict[str, float] = {}
    for machine in case.plan.machines:
        mean = firm_power(case, machine)
        power = mean.steady + math.fsum(weight for _, weight in mean.terms)
        takes = case.machine_type(machine).inputs
        load = math.fsum(turnover(case, machine).values())
        if takes and load > 0:
            per_kg[f"machine:{machine.name}"] = power / (load * math.fsum(takes.values()))
    worth: dict[str, float] = {}
    for _ in range(len(case.plan.stores) + 1):
        sums: dict[str, tuple[float, float]] = {}
        for feed in feeds:
            given, value = sums.get(feed.giver, (0.0, 0.0))
            each = per_kg.get(feed.taker, worth.get(feed.taker, 0.0))
            sums[feed.giver] = (given + feed.rate, value + feed.rate * each)
        worth = {giver: value / given for giver, (given, value) in sums.items() if given > 0}
    return worth


def _wants(case: Case, buses: dict[str, int]) -> tuple[Rate, ...]:
    found = [Rate()] * len(buses)
    for use in case.plan.demands:
        if use.wants == POWER:
            bus = buses[case.bus(case.site.demands[use.name].place)]
            rest = max(0.0, 1.0 - use.clean_share - use.emitting_share) * use.mean
            found[bus] = added(found[bus], shaped(case, {case.shape_of[use.name]: rest}))
    return tuple(found)


def _loads(case: Case) -> tuple[Load, ...]:
    """Loads in the order of shedding: the last in priority first, then the last in the file."""
    uses = [use for use in case.plan.demands if use.wants == POWER]
    order = sorted(range(len(uses)), key=lambda i: (-case.site.demands[uses[i].name].priority, -i))
    return tuple(
        Load(
            uses[i].name,
            shaped(
                case,
                {
                    case.shape_of[uses[i].name]: uses[i].mean
                    * (uses[i].clean_share + uses[i].emitting_share)
                },
            ),
        )
        for i in order
    )


def _burners(
    case: Case, buses: dict[str, int], tanks: list[Tank]
) -> tuple[list[Burner], list[str | None], list[float]]:
    """Units that turn below full load, units that stand still, and batteries that are full.

    A unit that turns takes only (1 - a) of its full-load takings for what is added to its load.
    """
    burners: list[Burner] = []
    owners: list[str | None] = []
    shares: list[float] = []
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        if kind.power_out <= 0 or len(kind.inputs) != 1:
            continue
        (take,) = kind.inputs.values()
        bus = buses[case.bus(machine.place)]
        clean = class_of(case.site, kind) == "clean"
        burnt = _burnt(case, machine)
        idle, shared = existing(case, machine), _share_turning(case, machine)
        turning = added(
            Rate(machine.running - machine.flat_load),
            shaped(case, dict(machine.following), -1.0),
            _times(burnt, -shared),
        )
        share = 1.0 - kind.no_load
        if machine.running > 0 and share > 0:
            burners.append(
                Burner(machine.name, bus, clean, -1, turning, kind.power_out, share * take)
            )
            owners.append(machine.name)
            shares.append(share)
        rest = added(Rate(idle), _times(burnt, shared - 1.0))
        batches = _batches(kind, rest)
        if not batches:
            batches = [Burner(machine.name, bus, clean, 0, rest, kind.power_out, take)]
        for batch in batches:
            burners.append(replace(batch, name=machine.name, bus=bus, clean=clean, take=take))
            owners.append(machine.name)
            shares.append(1.0)
    for tank in tanks:
        if tank.kind == "burst":
            battery = next(b for b in case.plan.batteries if tank.name.startswith(f"{b.name} "))
            efficiency = case.site.storage[battery.type].charge_efficiency
            power = 1.0 / efficiency  # what is not charged loses nothing in charging
            burners.append(Burner(tank.name, tank.bus, tank.clean, -1, Rate(PLENTY), power, 1.0))
            owners.append(None)
            shares.append(0.0)
    return burners, owners, shares


def existing(case: Case, machine: MachineUse) -> float:
    """Units that neither turn for ever nor run on and off; bursts are burnt in them first.

    Where units run on and off burn bursts as well, only their own load is taken off.
    """
    cycling = 1.0 if machine.cycled > 0 else 0.0
    left = machine.count - machine.running
    return left - (cycling if cycling + beside(case, machine) <= left else machine.cycled)


def _burnt(case: Case, machine: MachineUse) -> Rate:
    """Units that burn the gas of bursts directly, without a store."""
    terms = [(s, n) for s, n in burst_terms(case, machine) if not case.cycles[s].steady]
    steady = [n for s, n in burst_terms(case, machine) if case.cycles[s].steady]
    return Rate(math.fsum(steady), tuple(terms))


def _share_turning(case: Case, machine: MachineUse) -> float:
    """Share of the gas burnt directly that running units take: what no other unit can burn."""
    units = math.fsum(n for _, n in burst_terms(case, machine))
    over = units - existing(case, machine)
    return min(1.0, over / units) if units > 0 and over > 0 else 0.0


def _times(rate: Rate, factor: float) -> Rate:
    if factor == 0.0:
        return Rate()
    return Rate(rate.steady * factor, tuple((name, w * factor) for name, w in rate.terms))


def _batches(kind: MachineType, idle: Rate) -> list[Burner]:
    """Idle units of a kind with a least load, fuel at no load, or run and rest times.

    Whole units that no burst takes, in at most ``MOST_BATCHES`` lots; empty for other kinds.
    """
    if not (
        kind.min_load > 0 or kind.no_load > 0 or kind.min_down_time > 0 or kind.min_burst_time > 0
    ):
        return []
    whole = math.floor(math.fsum([idle.steady, *(w for _, w in idle.terms)]) + 1e-9)
    number = max(1, min(whole, MOST_BATCHES))
    a = kind.no_load
    return [
        Burner(
            name="",
            bus=0,
            clean=True,
            group=0,
            capacity=Rate(float(max(0, whole) // number + (i < max(0, whole) % number))),
            power=kind.power_out,
            take=0.0,
            run=max(kind.min_up_time, 1.0),
            rest=max(kind.min_down_time, 1.0),
            least=a + (1.0 - a) * kind.min_load,
            idle=a,
        )
        for i in range(number)
    ]


def _throttles(
    case: Case, feeds: tuple[Feed, ...], tanks: list[Tank], buses: dict[str, int]
) -> list[Throttle]:
    """Promised emitting power that clean surplus may stand in for, by the store that feeds it.

    Not where the fuel counts when it is vented: what is not burnt would be, sooner or later. Nor
    where its heat is asked for, or that of its fuel in a cooler.

    Units that turn keep turning at least load, so a W saves (1 - a) of its full-load fuel.
    """
    number = {tank.name: k for k, tank in enumerate(tanks)}
    found, ground = [], case.site.ground
    routes = [case.site.routes[use.route] for use in case.plan.recoveries if use.heat]
    warm = {route.stream.fluid for route in routes if route.stream is not None}
    for g, machine in enumerate(case.plan.machines):
        kind = case.machine_type(machine)
        if class_of(case.site, kind) == "clean" or kind.power_out <= 0 or len(kind.inputs) != 1:
            continue
        ((fluid, take),) = kind.inputs.items()
        if case.site.fluids[fluid].vented_weight or fluid in warm:
            continue
        if warms(case, machine, ground(machine.place)):
            continue
        power = added(
            Rate(kind.power_out * (machine.flat_load - kind.min_load * machine.running)),
            shaped(case, dict(machine.following), kind.power_out),
        )
        fuel = (1.0 - kind.no_load) * take / kind.power_out
        mine = [f for f in feeds if f.taker == f"machine:{machine.name}"]
        asked = math.fsum(f.rate for f in mine)
        givers: dict[str, float] = {}
        for feed in mine:
            givers[feed.giver] = givers.get(feed.giver, 0.0) + feed.rate
        for giver, rate in givers.items():
            tank = number.get(giver.removeprefix("store:"), -1) if "store:" in giver else -1
            share = rate / asked
            part = Rate(
                max(0.0, share * power.steady),
                tuple((name, share * weight) for name, weight in power.terms),
            )
            found.append(Throttle(g, buses[case.bus(machine.place)], tank, fuel, part))
    return found
