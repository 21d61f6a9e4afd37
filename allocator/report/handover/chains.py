"""What must be built for each part of the promise: chains from taps to the power they give."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from allocator.network.records import Network
from allocator.plans.records import FLAT, MachineUse, Plan
from allocator.report.handover.things import booster_key
from allocator.report.passing import is_passed
from allocator.report.ways import Way, machine_named, ways_of
from allocator.report.words import at


@dataclass(frozen=True, slots=True)
class Chain:
    """A part of the promise. ``needs``: keys of all things that it needs, new or standing:

    ``tap:NAME``, ``run:ROUTE:FLUID``, ``line:NAME``, ``store:type@place`` (batteries too), and
    ``booster:...`` without which the pressures on its ways do not hold.
    ``units``: machine group -> units that it adds to what must stand. ``power``: W, its share of
    the whole plan's, less what its boosters take, before the plant's other load; 0 for a chain that
    serves a fluid. What it gives before others are built: :mod:`.firm_stages`. ``filled``: names of
    the stores, and parts of batteries, that must hold their reserve before it is promised; of one
    that fills another, the first comes first. ``takes``: supply shape -> mean takings of its group,
    in units at full load. ``battery``: that it charges by bursts, or empty.
    """

    title: str
    needs: tuple[str, ...]
    units: dict[str, float]
    power: float
    filled: tuple[str, ...] = ()
    takes: Mapping[str, float] = field(default_factory=dict)
    battery: str = ""


def chains_of(site: Network, plan: Plan) -> tuple[Chain, ...]:
    """Chains in the plan's order: one a giver and taker of the supply layer, one a burst."""
    ways = ways_of(site, plan)
    found: dict[tuple[str, str], list[Way]] = {}
    for way in ways:
        if way.layer == "supply" and not way.taker.startswith("store:"):
            found.setdefault((way.giver, way.taker), []).append(way)
        elif way.taker.startswith("burn:"):
            found.setdefault(("", way.taker), []).append(way)
    chains = []
    for (giver, taker), members in found.items():
        if taker.startswith("burn:"):
            chains.append(_burst(site, plan, taker, members))
        elif taker.startswith("machine:"):
            made = _generation(site, plan, ways, giver, taker, members)
            chains += [] if made is None else [made]
        else:
            needs = [*_upstream(plan, ways, giver), *_along(plan, members)]
            title = f"{taker.partition(':')[2]}, from {_named(plan, ways, giver)}"
            chains.append(Chain(title, tuple(dict.fromkeys(needs)), {}, 0.0, _stores(needs)))
    safe = [_with_flares(site, plan, ways, chain) for chain in chains]
    return tuple(_less_boosters(plan, safe))


def _with_flares(site: Network, plan: Plan, ways: Iterable[Way], chain: Chain) -> Chain:
    """A chain that needs the flares of its gas as well: they stand before the gas comes.

    Of pipe to them it needs what its own sources have there.
    """
    taps = {key for key in chain.needs if key.startswith("tap:")}
    fluids = {site.sources[tap.partition(":")[2]].fluid for tap in taps}
    safe = []
    for use in plan.machines:
        kind = site.machines[use.type]
        if kind.flare and fluids & set(kind.inputs):
            safe += [f"machine:{use.name}#{number}" for number in range(1, use.new + 1)]
            takers = (f"flare:{use.name}", f"machine:{use.name}")
            comes = [way for way in ways if way.taker in takers and way.giver.startswith("source:")]
            safe += _along(plan, [way for way in comes if _tap(way.giver) in taps])
    return replace(chain, needs=tuple(dict.fromkeys([*safe, *chain.needs])))


def _less_boosters(plan: Plan, chains: Iterable[Chain]) -> Iterator[Chain]:
    """Chains less what boosters take that they need: each booster by those that need it alone.

    Chains that share a booster bear it in the ratio of their powers.
    """
    chains = list(chains)
    taken = {booster_key(use): use.power for use in plan.boosters}
    served = {
        key: math.fsum(chain.power for chain in chains if key in chain.needs) for key in taken
    }
    for chain in chains:
        mine = [key for key in taken if key in chain.needs and served[key] > 0]
        own = math.fsum(taken[key] * chain.power / served[key] for key in mine)
        yield replace(chain, power=max(0.0, chain.power - own))


def firm_load(machine: MachineUse) -> float:
    """Mean load of a group that is promised, in units."""
    return machine.flat_load + math.fsum(machine.following.values()) + machine.cycled


def _generation(
    site: Network, plan: Plan, ways: Iterable[Way], giver: str, taker: str, members: list[Way]
) -> Chain | None:
    machine = machine_named(plan, taker.partition(":")[2])
    kind = site.machines[machine.type]
    first = next(iter(kind.inputs), None)
    if kind.power_out <= 0 or members[0].fluid != first:
        return None  # what else a machine takes comes with the chain of its first fluid
    all_of_it = math.fsum(w.rate for w in ways if w.taker == taker and w.fluid == first)
    share = math.fsum(way.rate for way in members) / all_of_it
    needs = [*_upstream(plan, ways, giver), *_along(plan, members)]
    for way in ways:
        if way.taker == taker and way.fluid != first:
            needs += [*_upstream(plan, ways, way.giver), *_along(plan, [way])]
    filled = _stores(needs)
    levelled = _power_needs(site, plan, machine, any(way.shape == FLAT for way in members))
    needs += levelled
    filled += tuple(f"{name} levelling" for name in _stores(levelled))
    turning = machine.running + math.ceil(machine.cycled)
    title = f"{at(machine.name)}, from {_named(plan, ways, giver)}"
    power = kind.power_out * firm_load(machine) * share
    units = {machine.name: turning * share}
    takes: dict[str, float] = {}
    for way in members:
        takes[way.shape] = takes.get(way.shape, 0.0) + way.rate / kind.inputs[first]
    return Chain(title, tuple(dict.fromkeys(needs)), units, power, filled, takes)


def _burst(site: Network, plan: Plan, taker: str, members: list[Way]) -> Chain:
    name, _, battery_name = taker.partition(":")[2].partition(">")
    machine = machine_named(plan, name)
    battery = next(b for b in plan.batteries if b.name == battery_name)
    units = machine.burst.get(battery_name, 0.0)
    into = math.fsum(
        m.burst.get(battery_name, 0.0) * site.machines[m.type].power_out for m in plan.machines
    )
    released = math.fsum(w for shapes in battery.release.values() for w in shapes.values())
    share = units * site.machines[machine.type].power_out / into if into > 0 else 0.0
    taps = [_tap(way.giver) for way in members]
    needs = [*taps, *_along(plan, members), f"store:{battery_name}"]
    needs += _power_needs(site, plan, machine, False)
    into_it = at(battery_name)
    title = f"{at(name)} on bursts, charging {into_it}"
    filled = tuple(f"{battery_name} bursts ({kind})" for kind in battery.release)
    return Chain(
        title=title,
        needs=tuple(dict.fromkeys(needs)),
        units={name: units},
        power=released * share,
        filled=filled,
        battery=battery_name,
    )


def _named(plan: Plan, ways: Iterable[Way], giver: str) -> str:
    """A giver in words; a store that is not built by what comes to its place."""
    if is_passed(plan, giver):
        return " and ".join(
            dict.fromkeys(at(w.giver.split(":")[1]) for w in ways if w.taker == giver)
        )
    return at(giver.partition(":")[2])


def _tap(giver: str) -> str:
    """The tap of a source, also of what is drawn out of its chamber (``source: chamber, ...``)."""
    return f"tap:{giver.split(':')[1]}"


def _upstream(
    plan: Plan, ways: Iterable[Way], giver: str, seen: frozenset[str] = frozenset()
) -> list[str]:
    """All that a giver needs to give: its own tap, or its store and what fills that."""
    kind = giver.partition(":")[0]
    if kind == "source":
        return [_tap(giver)]
    if giver in seen:
        return []
    seen |= {giver}
    needs = [giver] if kind == "store" and not is_passed(plan, giver) else []
    for way in ways:
        if way.taker == giver:
            needs += [*_upstream(plan, ways, way.giver, seen), *_along(plan, [way])]
    return needs


def _stores(needs: Iterable[str]) -> tuple[str, ...]:
    """Names of the stores among what is needed, those that fill others before them."""
    kept = [key.partition(":")[2] for key in needs if key.startswith("store:")]
    return tuple(dict.fromkeys(reversed(kept)))


def _along(plan: Plan, ways: Iterable[Way]) -> list[str]:
    """Runs of some ways, and the boosters at their inlets and at those of stores they fill."""
    needs = []
    for way in ways:
        needs += [f"{one}:{route}:{way.fluid}" for route in way.routes for one in ("run", "drain")]
        needs += [
            booster_key(use)
            for use in plan.boosters
            if use.fluid == way.fluid
            and (way.taker == f"store:{use.store}" if use.store else use.route in way.routes)
        ]
    return needs


def _power_needs(site: Network, plan: Plan, machine: MachineUse, flat: bool) -> list[str]:
    """Lines that the power of a group goes along, and the batteries that level or smooth it."""
    reached = [machine.place]
    needs = []
    for place in reached:  # grows while it is walked
        for line in plan.lines:
            for start, end, *_ in line.flows:
                if start == place:
                    needs.append(f"line:{line.name}")
                    if end not in reached:
                        reached.append(end)
    for battery in plan.batteries:
        here = not site.power_lines or battery.place in reached
        if here and ((flat and battery.levelled) or (machine.cycled and battery.swing_part)):
            needs.append(f"store:{battery.name}")
    return needs
