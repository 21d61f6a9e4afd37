"""A plan out of the values of the model: records in the user's names, SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from allocator.model.buffers import buffer_vessels_of
from allocator.model.expressions import (
    bursts,
    can_follow,
    direct_shapes,
    is_batched,
    least_of,
    load_at_peak,
    mean_turnover,
    recovering,
    warmth_of,
    worth_of,
)
from allocator.model.growth import least_growth
from allocator.model.index_sets import CLASSES, Group, IndexSets, StoreSite
from allocator.model.model import Key, Model, Terms
from allocator.model.outages import scenarios_of, values_during
from allocator.model.rules.power import level_size, level_surplus, served
from allocator.model.rules.stock import material_use
from allocator.model.rules.venting import vented
from allocator.plans.records import (
    FLAT,
    BatteryUse,
    DemandUse,
    Emissions,
    LineUse,
    MachineUse,
    MaterialUse,
    OutageOperation,
    PipeFlow,
    RecoveryUse,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.site.emissions import counts

PART_OF_UNIT = 1e-7
"""Units that are the solver's tolerance, and no further unit that turns."""
LAST_DIGITS = 1e-9
"""Share of the units that turn by which what they burn may seem more than they have room for."""


@dataclass(frozen=True)
class Reading:
    """Values by key, read as the plan's amounts."""

    model: Model
    sets: IndexSets
    values: Mapping[Key, float]

    def of(self, terms: Terms) -> float:
        """Value of an expression."""
        return self.model.value(terms, self.values)

    def has(self, *key: str) -> bool:
        """True when the variable exists."""
        return self.model.has(key)

    def get(self, *key: str) -> float:
        """Value of a variable; 0 where the model does not have it."""
        return self.values[key] if self.model.has(key) else 0.0

    def whole(self, *key: str) -> int:
        """Value of an integer variable."""
        return round(self.get(*key))


def source_uses(reading: Reading) -> tuple[SourceUse, ...]:
    """Sources with the rates at which they are drawn on."""
    sets = reading.sets
    site = sets.site
    found = []
    for name in site.sources:
        existing = name in site.built.sources
        known = name in sets.sources
        collect = {}
        direct = {}
        if known:
            for k in sets.reach[name]:
                if (rate := reading.get("collect", name, k)) > 0:
                    collect[k] = rate
            for shape in direct_shapes(sets, name):
                if (rate := reading.get("direct", name, shape)) > 0:
                    direct[shape] = rate
        if site.sources[name].part_of:
            if collect or direct:
                found.append(SourceUse(name, True, False, collect, direct))
            continue
        tapped = existing or (known and reading.whole("tap", name) == 1)
        found.append(SourceUse(name, tapped, tapped and not existing, collect, direct))
    return tuple(found)


def _size(reading: Reading, store: StoreSite) -> tuple[float, float, int | None]:
    if store.type.unit is not None:
        units = reading.whole("units", store.name)
        new = units * store.type.unit
        return store.existing + new, new, units
    grows = not reading.has("grows", store.name) or reading.whole("grows", store.name)
    new = reading.get("size", store.name) if grows else 0.0
    if new > 0:  # the solver's tolerance must not pass a limit of the user's
        least = store.type.min_size if store.existing == 0 else least_growth(store)
        new = min(max(new, least), max(0.0, store.type.max_size - store.existing))
    return store.existing + new, new, None


def store_uses(reading: Reading) -> tuple[StoreUse, ...]:
    """Stores of fluids that stand or are built."""
    sets = reading.sets
    found = []
    filled = {
        k
        for source in sets.sources
        for k in sets.reach[source]
        if reading.get("collect", source, k) > 0
    }
    for name, store in sets.fluid_stores.items():
        size, new, units = _size(reading, store)
        draw = {
            shape: amount
            for shape in sets.fluid_shapes[store.type.holds]
            if (amount := reading.get("draw", name, shape)) > 0
        }
        inflow = reading.get("inflow", name)
        # one that is filled a little and not built is listed, as what is sent to it is
        if size > 0 or draw or inflow > 0 or f"store:{name}" in filled:
            found.append(
                StoreUse(
                    name,
                    store.type.name,
                    store.place,
                    store.type.holds,
                    size,
                    new,
                    units,
                    draw,
                    inflow,
                )
            )
    return tuple(found)


def battery_uses(reading: Reading) -> tuple[BatteryUse, ...]:
    """Stores of power that stand or are built, with their parts."""
    sets = reading.sets
    found = []
    for name, battery in sets.batteries.items():
        size, new, units = _size(reading, battery)
        if size <= 0:
            continue
        levelled: dict[str, dict[str, float]] = {}
        surplus: dict[str, dict[str, float]] = {}
        level_part = 0.0
        for at in sets.levellings:
            b, demand = at
            for kind in CLASSES:
                amount = reading.get("level", b, demand, kind)
                if b == name and amount > 0:
                    levelled.setdefault(demand, {})[kind] = amount
                    level_part += reading.of(level_size(sets, at, kind))
                    if (more := reading.of(level_surplus(sets, at, kind))) > 0:
                        surplus.setdefault(demand, {})[kind] = more
        release: dict[str, dict[str, float]] = {}
        parts: dict[str, float] = {}
        for kind in CLASSES:
            if (part := reading.get("burst_part", name, kind)) > 0:
                parts[kind] = part
            promised = {
                shape: amount
                for shape in (FLAT, *sets.power_shapes())
                if (amount := reading.get("release", name, kind, shape)) > 0
            }
            if promised:
                release[kind] = promised
        found.append(
            BatteryUse(
                name,
                battery.type.name,
                battery.place,
                size,
                new,
                units,
                level_part,
                levelled,
                parts,
                release,
                reading.get("swing", name),
                surplus,
            )
        )
    return tuple(found)


def runs(reading: Reading) -> tuple[Run, ...]:
    """Pipes that are laid or stand, with their flows."""
    sets = reading.sets
    found = []
    for (route, fluid), pipe in sets.pipes.items():
        chosen = [b for b in pipe.builds if reading.whole("lay", route, b, fluid) == 1]
        build = chosen[0] if chosen else pipe.existing
        if build is None:
            continue
        flows = []
        for arc in sets.arcs_along(route, fluid):
            for end in sets.ends(fluid):
                if (rate := reading.get("gather", route, arc.start, fluid, end)) > 0:
                    flows.append(PipeFlow(arc.start, arc.end, "collect", end, rate))
            for shape in sets.fluid_shapes[fluid]:
                if (rate := reading.get("supply", route, arc.start, fluid, shape)) > 0:
                    flows.append(PipeFlow(arc.start, arc.end, "supply", shape, rate))
        stream = sets.site.routes[route].stream
        if not flows and stream is not None and stream.kind == "passage":
            continue  # it costs nothing and is always there
        found.append(Run(route, build, fluid, build != pipe.existing, tuple(flows)))
    return tuple(found)


def recovery_uses(reading: Reading) -> tuple[RecoveryUse, ...]:
    """Power, and heat for places, that is promised of the heat of coolers."""
    sets = reading.sets
    found = []
    for arc, recovery, shapes in recovering(sets):
        flow = {
            shape: rate
            for shape in shapes
            if (rate := reading.get("recover", arc.route, shape)) > 0
        }
        pipe = sets.pipes[arc.route, arc.fluid]
        laid = [b for b in pipe.builds if reading.whole("lay", arc.route, b, arc.fluid) == 1]
        if flow and laid:
            worth, warmth = worth_of(recovery), warmth_of(recovery)
            power = {shape: rate * worth for shape, rate in flow.items()} if worth > 0 else {}
            least = math.fsum(rate * least_of(sets, shape) for shape, rate in flow.items())
            heat = warmth * least if warmth > 0 else None
            found.append(RecoveryUse(arc.route, laid[0], flow, power, heat))
    return tuple(found)


def line_uses(reading: Reading) -> tuple[LineUse, ...]:
    """Power lines that are built or stand."""
    sets = reading.sets
    found = []
    for name in sets.lines:
        line = sets.site.power_lines[name]
        existing = name in sets.site.built.power_lines
        if not existing and reading.whole("line", name) != 1:
            continue
        flows = tuple(
            (start, end, kind, shape, sent)
            for start, end in ((line.start, line.end), (line.end, line.start))
            for kind in CLASSES
            for shape in (FLAT, *sets.power_shapes())
            if (sent := reading.get("wire", name, start, kind, shape)) > 0
        )
        found.append(LineUse(name, not existing, flows))
    return tuple(found)


def machine_uses(reading: Reading) -> tuple[MachineUse, ...]:
    """Machines that stand or are built, with how they share their work."""
    sets = reading.sets
    found = []
    for name, group in sets.groups.items():
        new = reading.whole("count", name)
        count = group.existing + new
        if count == 0:
            continue
        following = {
            shape: load
            for shape in can_follow(sets, group)
            if (load := reading.get("follow", name, shape)) > 0
        }
        burst: dict[str, float] = {}
        if not sets.lossless:
            for k, terms in bursts(sets, name).items():
                load = reading.of(terms)
                battery = sets.destinations[k].battery
                if load > 0.0 and battery is not None:
                    burst[battery.name] = load
        found.append(
            MachineUse(
                name,
                group.type.name,
                group.place,
                count,
                new,
                reading.whole("running", name),
                reading.get("flat", name),
                following,
                reading.get("cycled", name),
                burst,
                _buffer_vessels(reading, group, sum(burst.values())),
                {
                    store: max(0.0, reading.get("flared", name, store))
                    for store in sets.flared.get(name, ())
                    if reading.whole("guards", name, store) == 1
                },
            )
        )
    return tuple(found)


def _buffer_vessels(reading: Reading, group: Group, burst: float) -> Mapping[str, float]:
    """What must hold the batch draws of a group: a buffer vessel for each unit run on and off.

    ``burst``: units that burn what comes; those that turn for ever may have room for all of them.
    """
    outages = range(len(scenarios_of(reading.sets)))
    in_batches = False
    for values in [reading.values, *(values_during(reading.values, w) for w in outages)]:
        running = round(values.get(("running", group.name), 0.0))
        room = running - reading.model.value(load_at_peak(reading.sets, group), values)
        full = burst > max(0.0, room) + LAST_DIGITS * running
        in_batches = in_batches or (is_batched(group) and full)
    units = int(reading.get("cycled", group.name) > 0) + int(in_batches)
    one = buffer_vessels_of(reading.sets, group) if units else {}
    return {fluid: units * held for fluid, held in one.items()}


def demand_uses(reading: Reading) -> tuple[DemandUse, ...]:
    """Share of each demand that is served."""
    found = []
    for demand in reading.sets.site.demands.values():
        if demand in reading.sets.fluid_demands():
            share = max(0.0, reading.of(served(reading.sets, demand.name))) / demand.mean
            found.append(DemandUse(demand.name, demand.wants, demand.mean, min(1.0, share), 0.0))
            continue
        clean, emitting = (
            max(0.0, reading.of(served(reading.sets, demand.name, (kind,)))) / demand.mean
            for kind in CLASSES
        )
        clean = min(1.0, clean)
        emitting = min(1.0 - clean, emitting)
        found.append(DemandUse(demand.name, demand.wants, demand.mean, clean, emitting))
    return tuple(found)


def outage_operations(reading: Reading) -> tuple[OutageOperation, ...]:
    """How the plan is run with units out of order, of each scenario that can be.

    Left out: those in which more units of a group are out than it has, while others are left.
    """
    machines = machine_uses(reading)
    count = {machine.name: machine.count for machine in machines}
    buffer_vessels = {machine.name: machine.buffer_vessel for machine in machines}
    asked = min(reading.sets.robustness.machines, sum(count.values()))
    found: dict[tuple[tuple[str, int], ...], OutageOperation] = {}
    for number, scenario in enumerate(scenarios_of(reading.sets)):
        out = {g: n for g, k in scenario.items() if (n := min(k, count.get(g, 0))) > 0}
        key = tuple(sorted(out.items()))
        if sum(out.values()) == asked and asked > 0 and key not in found:
            values = values_during(reading.values, number)
            for name in count:  # parts of units are enough for the model, where fuel follows load
                running = values["running", name]
                values["running", name] = float(math.ceil(running - PART_OF_UNIT))
            found[key] = _operation(replace(reading, values=values), out, buffer_vessels)
    return tuple(found.values())


def _operation(
    reading: Reading, out: Mapping[str, int], buffer_vessels: Mapping[str, Mapping[str, float]]
) -> OutageOperation:
    machines = tuple(
        replace(machine, count=machine.count - out.get(machine.name, 0), buffer_vessel=vessels)
        for machine in machine_uses(reading)
        for vessels in [buffer_vessels[machine.name]]
    )
    supply = [
        replace(run, flows=tuple(flow for flow in run.flows if flow.layer == "supply"))
        for run in runs(reading)
    ]
    return OutageOperation(
        out=out,
        machines=machines,
        draws={store.name: store.draw for store in store_uses(reading) if store.draw},
        direct={source.name: source.direct for source in source_uses(reading) if source.direct},
        runs=tuple(run for run in supply if run.flows),
        lines=tuple(line for line in line_uses(reading) if line.flows),
        recoveries=recovery_uses(reading),
        demands=demand_uses(reading),
    )


def material_uses(reading: Reading) -> tuple[MaterialUse, ...]:
    """kg of each material used, and its stock."""
    return tuple(
        MaterialUse(
            name,
            max(0.0, reading.of(material_use(reading.sets, name))),
            material.stock,
        )
        for name, material in reading.sets.site.materials.items()
    )


def emissions_of(reading: Reading) -> Emissions:
    """Mean release of fluids that are an emission, kg/s."""
    site = reading.sets.site
    by_fluid: dict[str, float] = {}
    for fluid in site.fluids.values():
        if fluid.emission == "none":
            continue
        released = [
            reading.of(mean_turnover(reading.sets, group)) * group.type.outputs[fluid.name]
            for group in reading.sets.groups.values()
            if fluid.name in group.type.outputs
        ]
        by_fluid[fluid.name] = max(0.0, math.fsum(released))
    let_go = {
        name: max(0.0, reading.of(vented(reading.sets, name)))
        for name, fluid in site.fluids.items()
        if fluid.vented_weight
    }
    weights = [(site.fluids[f].emission_weight, r) for f, r in by_fluid.items() if counts(site, f)]
    weights += [(site.fluids[f].vented_weight, rate) for f, rate in let_go.items()]
    counted = math.fsum(weight * rate for weight, rate in weights)
    biogenic = math.fsum(
        rate for f, rate in by_fluid.items() if site.fluids[f].emission == "biogenic"
    )
    return Emissions(counted, biogenic, by_fluid, let_go)
