"""Rules of power: pools by bus, class and shape; batteries and their parts; lines; shares."""

from __future__ import annotations

from collections.abc import Callable

from allocator.cycles import KnownCurve
from allocator.model.expressions import (
    can_cycle,
    can_follow,
    collected,
    direct_mean,
    direct_peak,
    fuel_rate,
    moved_at_most,
    recovering,
    scaled,
    turnover,
    worth_of,
)
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.levelling import Levelling
from allocator.model.model import INFINITY, Model, Terms
from allocator.model.pressures import booster_load
from allocator.plans.records import FLAT
from allocator.site.records import MachineType

SHORTEST_RUN = 1.0
"""s: what a battery must bridge at the least where a unit is run on and off."""

ROOM = 1e-6
"""Share of what must be served that may be missing before a plan is called impossible."""


def bridged(machine: MachineType) -> float:
    """s of full load that a battery must take up for a unit run on and off.

    A swing S is filled in S / (e P (1 - c)) and used up in S / (e P c), for a unit of power P at
    a share c of its time behind a charge efficiency e. With S >= P t neither is below t, whatever
    c is: a run of the least run, and a rest of the least rest.
    """
    return max(machine.min_up_time, machine.min_down_time, SHORTEST_RUN)


def generation(sets: IndexSets, bus: str, kind: str, shape: str) -> Terms:
    """Power that machines of a class, and coolers with recovery, give a pool, W.

    What a cycled unit gives goes through a battery, so the charge efficiency is taken off all
    of it (on the safe side: part of it is used directly).
    """
    terms: Terms = []
    for name, group in sets.groups.items():
        power = group.type.power_out
        if power <= 0 or sets.bus(group.place) != bus or group.clean != (kind == "clean"):
            continue
        if shape == FLAT:
            terms.append((power, ("flat", name)))
            if can_cycle(sets, group):
                terms.append((power * sets.efficiency(bus), ("cycled", name)))
        elif shape in can_follow(sets, group):
            terms.append((power, ("follow", name, shape)))
    if kind == "clean":  # a cooler releases nothing
        for arc, recovery, shapes in recovering(sets):
            if worth_of(recovery) > 0 and shape in shapes and sets.bus(arc.start) == bus:
                terms.append((worth_of(recovery), ("recover", arc.route, shape)))
    return terms


def own_load(sets: IndexSets, bus: str) -> Terms:
    """Flat power that the plant itself takes at a bus, W: pumps, converters, battery losses.

    Pumps count as if their source were always on (on the mean basis the rates are means).
    """
    terms: Terms = []
    for name in sets.sources:
        source = sets.site.sources[name]
        if source.pump is not None and sets.bus(source.place) == bus:
            # what follows a shape is pumped at its peak: the pools hold at all times
            direct = direct_mean if sets.lossless else direct_peak
            moved = collected(sets, name) + direct(sets, name)
            terms += scaled(moved, source.pump.energy)
    terms += _moving_load(sets, bus)
    terms += booster_load(sets, bus)
    for group in sets.groups.values():
        if group.type.power_in > 0 and sets.bus(group.place) == bus:
            terms += scaled(turnover(sets, group, FLAT), group.type.power_in)
    if sets.lossless:
        return terms
    for name, battery in sets.batteries.items():
        if battery.type.loss > 0 and sets.bus(battery.place) == bus:
            # Only what is kept charged loses: the parts that level and that bridge runs. Bursts
            # have the loss in their own promise, and what no part uses may stay empty.
            share = battery.type.part_loss / battery.type.charge_efficiency
            terms.append((share, ("swing", name)))
            for b, demand in sets.levellings:
                if b == name and _levels_here(sets, b, demand, bus):
                    for kind in CLASSES:
                        terms += scaled(level_size(sets, (b, demand), kind), share)
    return terms


def _moving_load(sets: IndexSets, bus: str) -> Terms:
    """``energy * (sum_p gather + sum_j peak_j supply_j)`` of routes that take power for what they

    move, such as coolers, at the bus of their start: as if every source were always on.
    """
    terms: Terms = []
    for arcs in sets.arcs.values():
        for arc in arcs:
            energy = sets.site.routes[arc.route].energy
            if energy > 0 and sets.bus(arc.start) == bus:
                terms += scaled(moved_at_most(sets, arc), energy)
    return terms


def pool_use(sets: IndexSets, bus: str, kind: str, shape: str) -> Terms:
    """Power that demands take from a pool, W: straight, or flat through levelling."""
    terms: Terms = []
    for demand in sets.power_demands():
        if sets.shape_of[demand.name] == shape and sets.bus(demand.place) == bus:
            terms.append((1.0, ("served", demand.name, kind)))
    if shape == FLAT and not sets.lossless:
        for battery, demand_name in sets.levellings:
            if _levels_here(sets, battery, demand_name, bus):
                terms += levelled(sets, (battery, demand_name), kind, _generation)
    return terms


def levelled(
    sets: IndexSets, at: tuple[str, str], kind: str, constant: Callable[[Levelling], float]
) -> Terms:
    """What a battery needs or gives to level generation for a demand (``at``), by class:

    ``c * level + sum_i (c_i - c) * surplus_i``, with c what it is at the least generation.
    """
    least = sets.levellings[at]
    terms: Terms = [(constant(least), ("level", *at, kind))]
    for number, more in enumerate(least.surplus):
        key = ("surplus", *at, kind, str(number))
        terms.append((constant(more) - constant(least), key))
    return terms


def level_size(sets: IndexSets, at: tuple[str, str], kind: str) -> Terms:
    """The part of a battery that levels generation for a demand, J."""
    return levelled(sets, at, kind, _size)


def level_surplus(sets: IndexSets, at: tuple[str, str], kind: str) -> Terms:
    """Generation beyond the least that levels what is served, W."""
    return levelled(sets, at, kind, _generation)[1:]


def _generation(of: Levelling) -> float:
    return of.generation


def _size(of: Levelling) -> float:
    return of.size


def _charge(of: Levelling) -> float:
    return of.charge


def _discharge(of: Levelling) -> float:
    return of.discharge


def _through(of: Levelling) -> float:
    return of.through


def surplus_share(model: Model, sets: IndexSets) -> None:
    """``sum_i surplus_i <= level``: what is levelled with more generation than the least."""
    for at, constants in sets.levellings.items():
        for kind in CLASSES:
            if constants.surplus and model.has(("level", *at, kind)):
                keys = [("surplus", *at, kind, str(n)) for n in range(len(constants.surplus))]
                terms: Terms = [(1.0, key) for key in keys]
                model.row(
                    f"surplus_share[{at},{kind}]", [*terms, (-1.0, ("level", *at, kind))], high=0.0
                )


def _levels_here(sets: IndexSets, battery: str, demand: str, bus: str) -> bool:
    place = sets.site.demands[demand].place
    return sets.bus(sets.batteries[battery].place) == bus and sets.bus(place) == bus


def wires(sets: IndexSets, bus: str, kind: str, shape: str) -> Terms:
    """Power that lines bring a bus less what they take from it, W."""
    terms: Terms = []
    for name in sets.lines:
        line = sets.site.power_lines[name]
        for start, end in ((line.start, line.end), (line.end, line.start)):
            key = ("wire", name, start, kind, shape)
            if start == bus:
                terms.append((-1.0, key))
            if end == bus:
                terms.append((1.0 - line.loss, key))
    return terms


def power_balance(model: Model, sets: IndexSets) -> None:
    """Per bus, class and shape: ``generation + battery release + lines >= demand served``; and

    the flat pools of both classes together cover the plant's own load besides.
    """
    for bus in sets.buses():
        both: Terms = []
        for kind in CLASSES:
            for shape in (FLAT, *sets.power_shapes()):
                terms = generation(sets, bus, kind, shape) + wires(sets, bus, kind, shape)
                if not sets.lossless:
                    terms += [
                        (1.0, ("release", name, kind, shape))
                        for name, battery in sets.batteries.items()
                        if sets.bus(battery.place) == bus
                    ]
                terms += scaled(pool_use(sets, bus, kind, shape), -1.0)
                model.row(f"power[{bus},{kind},{shape}]", terms, low=0.0)
                if shape == FLAT:
                    both += terms
        load = own_load(sets, bus)
        if load:
            model.row(f"own_load[{bus}]", both + scaled(load, -1.0), low=0.0)


def share_limit(model: Model, sets: IndexSets) -> None:
    """``least share * mean <= served <= mean`` of every demand, over classes and roads."""
    for demand in sets.site.demands.values():
        terms = served(sets, demand.name)
        model.row(
            f"share[{demand.name}]",
            terms,
            low=demand.min_share * demand.mean if demand.min_share > 0 else -float("inf"),
            high=demand.mean,
        )


def served(sets: IndexSets, demand: str, kinds: tuple[str, ...] = CLASSES) -> Terms:
    """Mean of a demand that is served, W or kg/s."""
    record = sets.site.demands[demand]
    if record in sets.fluid_demands():
        return [(1.0, ("served_fluid", demand))]
    terms: Terms = [(1.0, ("served", demand, kind)) for kind in kinds]
    if not sets.lossless:
        for battery, name in sets.levellings:
            bus = sets.bus(record.place)
            if name == demand and _levels_here(sets, battery, demand, bus):
                terms += [(1.0, ("level", battery, demand, kind)) for kind in kinds]
    return terms


def line_capacity(model: Model, sets: IndexSets) -> None:
    """``sum of peaks sent, both ways <= capacity`` of a line that is built."""
    for name in sets.lines:
        line = sets.site.power_lines[name]
        terms: Terms = [(-line.capacity, ("line", name))]
        for start in (line.start, line.end):
            for kind in CLASSES:
                for shape in (FLAT, *sets.power_shapes()):
                    terms.append((sets.peak(shape), ("wire", name, start, kind, shape)))
        model.row(f"line_capacity[{name}]", terms, high=0.0)


def battery_parts(model: Model, sets: IndexSets) -> None:
    """``levelling parts + burst parts + swing <= usable * size``: separate shares and promises."""
    for name, battery in sets.batteries.items():
        usable = battery.type.usable
        terms: Terms = [(1.0, ("swing", name)), (-usable, ("size", name))]
        terms += [(1.0, ("burst_part", name, kind)) for kind in CLASSES]
        for b, demand in sets.levellings:
            for kind in CLASSES:
                if b == name and model.has(("level", b, demand, kind)):
                    terms += level_size(sets, (b, demand), kind)
        model.row(f"battery_parts[{name}]", terms, high=usable * battery.existing)


def batteries_handed_over(model: Model, sets: IndexSets) -> None:
    """Where another operation follows, batteries do what they do in it.

    Bursts, levelling and cycled units as there, parts no smaller, releases of each shape no larger:
    so each part holds at any time, and in the end, at the least what it would hold there.
    """
    if sets.site.handover is None:
        return
    same = sets.site.handover.batteries

    def held(key: tuple[str, ...], *, more: bool = False, less: bool = False) -> None:
        value = same.get(key, 0.0)
        if model.has(key):
            low, high = -INFINITY if less else value, INFINITY if more else value
            model.row(f"handed_over{list(key)}", [(1.0, key)], low=low, high=high)

    for name in sets.batteries:
        held(("swing", name), more=True)
        for kind in CLASSES:
            held(("burst_part", name, kind), more=True)
            for shape in (FLAT, *sets.power_shapes()):
                held(("release", name, kind, shape), less=True)
            for demand in sets.power_demands():
                held(("level", name, demand.name, kind))
                if model.has(("level", name, demand.name, kind)):
                    value = same.get(("surplus", name, demand.name, kind), 0.0)
                    terms = level_surplus(sets, (name, demand.name), kind)
                    row = f"handed_over[surplus,{name},{demand.name},{kind}]"
                    model.row(row, terms, low=value, high=value)
    for source in sets.sources:
        for destination in sets.reach[source]:
            if destination.startswith("burn:"):
                held(("collect", source, destination))
    for group in sets.groups:
        held(("cycled", group))


def battery_rates(model: Model, sets: IndexSets) -> None:
    """Highest power into and out of a battery: bursts, levelling and cycled units together.

    Within its own limits, and within those per size of ``size + existing``.
    """
    for name, battery in sets.batteries.items():
        shapes = (FLAT, *sets.power_shapes())
        into: Terms = []
        out: Terms = [
            (sets.peak(shape), ("release", name, kind, shape))
            for kind in CLASSES
            for shape in shapes
        ]
        for b, demand in sets.levellings:
            for kind in CLASSES:
                if b == name and model.has(("level", b, demand, kind)):
                    into += levelled(sets, (b, demand), kind, _charge)
                    out += levelled(sets, (b, demand), kind, _discharge)
        into += [(power, key) for _, power, key in burst_sources(sets, name)]
        for group in sets.groups.values():
            at_bus = sets.bus(group.place) == sets.bus(battery.place)
            if can_cycle(sets, group) and at_bus:
                into.append((group.type.power_out, ("cycling", group.name)))
                out.append((group.type.power_out, ("cycling", group.name)))
                if model.has(("lumps", group.name)):
                    into.append((group.type.power_out, ("lumps", group.name)))
        if battery.type.fill_rate is not None:
            model.row(f"charge_rate[{name}]", into, high=battery.type.fill_rate)
        if battery.type.release_rate is not None:
            model.row(f"discharge_rate[{name}]", out, high=battery.type.release_rate)
        for row, terms, each in (
            ("charge_rate_of_size", into, battery.type.fill_rate_per_size),
            ("discharge_rate_of_size", out, battery.type.release_rate_per_size),
        ):
            if each is not None:
                sized = [*terms, (-each, ("size", name))]
                model.row(f"{row}[{name}]", sized, high=each * battery.existing)


def through_batteries(sets: IndexSets) -> Terms:
    """Money a second for wear: ``price * (what bursts promise + through * levelled)`` of each

    battery, and the highest price at the bus for all power of units that are run on and off.
    """
    terms: Terms = []
    dearest: dict[str, float] = {}
    for name, battery in sets.batteries.items():
        price, bus = battery.type.throughput_price, sets.bus(battery.place)
        if price and not sets.lossless:
            dearest[bus] = max(dearest.get(bus, 0.0), price)
            for kind in CLASSES:
                for shape in (FLAT, *sets.power_shapes()):
                    terms.append((price, ("release", name, kind, shape)))
                for b, demand in sets.levellings:
                    if b == name and _levels_here(sets, b, demand, bus):
                        wear = levelled(sets, (b, demand), kind, _through)
                        terms += scaled(wear, price)
    for group in sets.groups.values():
        price = dearest.get(sets.bus(group.place), 0.0)
        if price and can_cycle(sets, group):
            power = group.type.power_out * sets.efficiency(sets.bus(group.place))
            terms.append((price * power, ("cycled", group.name)))
    return terms


def burst_sources(
    sets: IndexSets, battery: str, kind: str | None = None
) -> list[tuple[str, float, tuple[str, str, str]]]:
    """Sources seen through a generator: (source, W a kg/s, key) for a battery and class."""
    found = []
    for k, destination in sets.destinations.items():
        group = destination.group
        if group is None or destination.battery is None or destination.battery.name != battery:
            continue
        if kind is not None and group.clean != (kind == "clean"):
            continue
        energy = group.type.power_out / fuel_rate(group)
        for source in sets.sources:
            if k in sets.reach[source]:
                found.append((source, energy, ("collect", source, k)))
    return found


def burst_long_run(model: Model, sets: IndexSets) -> None:
    """``efficiency * sum_s W_s duty_s r_s >= sum_j release_j + loss * part``, per class."""
    for name, battery in sets.batteries.items():
        for kind in CLASSES:
            terms: Terms = [
                (battery.type.charge_efficiency * power * sets.curves[source].duty, key)
                for source, power, key in burst_sources(sets, name, kind)
            ]
            for shape in (FLAT, *sets.power_shapes()):
                terms.append((-1.0, ("release", name, kind, shape)))
            terms.append((-battery.type.part_loss, ("burst_part", name, kind)))
            model.row(f"burst_long_run[{name},{kind}]", terms, low=0.0)


def battery_behind(model: Model, sets: IndexSets) -> None:
    """``part >= efficiency * sum over steady s of W_s r_s * one second``, per class.

    The store cuts ask for a battery behind bursts, for there are windows without them; steady gas
    alone, or bursts that follow each other by timetable, would pass through one that nobody builds.
    """
    for name, battery in sets.batteries.items():
        for kind in CLASSES:
            terms: Terms = [
                (-battery.type.charge_efficiency * power * SHORTEST_RUN, key)
                for source, power, key in burst_sources(sets, name, kind)
                if sets.curves[source].pattern.steady or isinstance(sets.curves[source], KnownCurve)
            ]
            if terms:
                terms.append((1.0, ("burst_part", name, kind)))
                model.row(f"battery_behind[{name},{kind}]", terms, low=0.0)


def swing_reserve(model: Model, sets: IndexSets) -> None:
    """``sum of swing parts at a bus >= sum of power * seconds bridged * (cycling + lumps)``.

    The seconds are the longer of minimum up time and minimum down time (:func:`bridged`). A unit
    that burns bursts in unit batches lags behind direct use by no more than one run's fuel, which
    its buffer vessel holds; so the battery lags by no more than one run's power.

    Without a battery nothing may be cycled, however short its runs.
    """
    for bus in sets.buses():
        terms: Terms = [
            (1.0, ("swing", name))
            for name, battery in sets.batteries.items()
            if sets.bus(battery.place) == bus
        ]
        for group in sets.groups.values():
            if can_cycle(sets, group) and sets.bus(group.place) == bus:
                energy = group.type.power_out * bridged(group.type)
                terms.append((-energy, ("cycling", group.name)))
                if model.has(("lumps", group.name)):
                    terms.append((-energy, ("lumps", group.name)))
        model.row(f"swing_reserve[{bus}]", terms, low=0.0)
