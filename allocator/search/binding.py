"""The binding constraints of a plan, in a few lines."""

from __future__ import annotations

import math

from allocator.base.dimensions import format_gauge, format_quantity
from allocator.model.index_sets import IndexSets
from allocator.plans.records import Plan
from allocator.search.binding_averages import less_than_average, shaped_demands
from allocator.search.binding_velocities import binding_velocities
from allocator.site.addresses import address_of, path_of_limit
from allocator.site.records import MachineType
from allocator.thermal.upper import counted_heat, upper_heat

NEARLY = 0.97
ALL_USED = "sources: all are connected and used in full"


def binding_constraints(sets: IndexSets, plan: Plan, mean_basis: Plan | None) -> tuple[str, ...]:
    """Demand, outages, stocks, caps, pressure, heat, store sizes and counts, in that order.

    Where none of them binds, what all sources give. Where that is used in full, it alone: a
    pressure that is just enough, or a store of the largest size, then holds nothing back, unless
    boosters take of the power.
    """
    full = _used_in_full(sets, plan)
    sources = _sources(sets, plan, " and used in full" if full else "")
    if sources and full:
        return tuple(sources)
    average = less_than_average(sets, plan, mean_basis)
    lines = [*_demand(plan), *average, *_stocks(sets, plan)]
    if full and not any(line.startswith("boosters:") for line in average):
        lines += _boosted(plan)
    lines += [*_pressures(sets, plan), *binding_velocities(sets, plan), *_heat(sets, plan)]
    lines += [*_stores(plan, sets), *_machines(sets, plan, full)]
    if full and not sources:
        sources = [ALL_USED]
    return tuple(lines or sources)


def _demand(plan: Plan) -> list[str]:
    full = [d for d in plan.demands if d.clean_share + d.emitting_share >= 1 - 1e-5]
    clean = [d.name for d in full if d.emitting_share <= 1e-6]
    lines = []
    if clean:
        lines.append(f"demand: all of {_listed(clean)} is served clean")
    other = [d.name for d in full if d.name not in clean]
    if other:
        clean_part = any(d.clean_share > 1e-6 for d in full if d.name in other)
        part = ", part of it by" if clean_part else " by"
        lines.append(f"demand: all of {_listed(other)} is served{part} emitting supply")
    return lines


def _boosted(plan: Plan) -> list[str]:
    """What boosters take, where a demand could take it: no source has more to give."""
    taken = math.fsum(use.power for use in plan.boosters)
    if taken <= 0 or all(d.clean_share + d.emitting_share >= 1 - 1e-5 for d in plan.demands):
        return []
    return [f"{ALL_USED}; boosters take {format_quantity(taken, 'power')} of what they make"]


def _sources(sets: IndexSets, plan: Plan, used: str) -> list[str]:
    """All sources connected, and nothing to be had from them by any control.

    ``used``: what else is said of the sources.
    """
    most, now = plan.ceiling.total, plan.power.firm_total
    if plan.basis != "firm":
        now = plan.power.mean_total
    served = all(d.clean_share + d.emitting_share >= 1 - 1e-5 for d in plan.demands)
    if served or most is None or now <= 0 or now < most * (1 - 1e-5):
        return []
    if not all(use.tapped for use in plan.sources):
        return []
    power = format_quantity(most, "power")
    kept = " that keeps the shape of demands" if shaped_demands(sets, plan) else ""
    return [f"sources: all are connected{used}; no control{kept} makes more than {power}"]


def _used_in_full(sets: IndexSets, plan: Plan) -> bool:
    """Whether all that each source gives while it is on is collected, or burnt at once.

    What goes to a flare, at once or out of a full store, is not used.
    """
    if any(math.fsum(use.overflow.values()) > 0.0 for use in plan.machines):
        return False
    flows = {
        use.name: [
            *(rate for to, rate in use.collect.items() if not to.startswith("flare:")),
            *use.direct.values(),
        ]
        for use in plan.sources
    }
    sources = sets.site.own_sources
    return bool(sources) and all(
        math.fsum(flows.get(name, ())) >= (1 - 1e-5) * source.flow
        for name, source in sources.items()
    )


def _stocks(sets: IndexSets, plan: Plan) -> list[str]:
    lines = []
    for used in plan.materials:
        if used.stock and used.used >= NEARLY * used.stock:
            amounts = [format_quantity(mass, "mass") for mass in (used.used, used.stock)]
            address = address_of(path_of_limit("stock", used.name, "mass"))
            lines.append(f"{address}: {amounts[0]} of {amounts[1]} used")
    limits = sets.site.limits
    if limits.emission is not None and plan.emissions.counted >= NEARLY * limits.emission:
        lines.append("limits.emission: counted emission is at its limit")
    if limits.money is not None and plan.money >= NEARLY * limits.money:
        lines.append("limits.money: the cost is at its limit")
    return lines


def _pressures(sets: IndexSets, plan: Plan) -> list[str]:
    """Machines, demands and stores that have no more pressure than they need."""
    site, found = sets.site, dict[str, list[str]]()
    rows = {(row.fluid, row.node): row for row in plan.pressures}
    blowing: dict[str, list[str]] = {}
    for booster in plan.boosters:
        blowing.setdefault(booster.store, []).append(booster.booster)
    for fluid, one in site.pressures.items():
        ambient = one.pressure(one.least)
        ends = [
            (use.name, use.place, one.inlets[use.type], "low")
            for use in plan.machines
            if use.type in one.inlets and use.running + use.cycled > 0
        ]
        ends += [
            (use.name, site.demands[use.name].place or "", one.demands[use.name], "low")
            for use in plan.demands
            if use.name in one.demands and use.clean_share > 0
        ]
        ends += [
            (use.name, use.place, one.filling(use.name, blowing.get(use.name, ())), "high")
            for use in plan.stores
            if use.type in one.stores and use.size > 0
        ]
        for name, place, potential, header in ends:
            row, needs = rows.get((fluid, one.node(place))), one.pressure(potential)
            if row is not None and needs > ambient:
                margin = getattr(row, header) - needs
                if margin <= (1 - NEARLY) * (needs - ambient):
                    found.setdefault(format_gauge(needs, ambient), []).append(name)
    return [
        f"pressure: {_listed(names)} with no more than the {needs} needed"
        for needs, names in found.items()
    ]


def _heat(sets: IndexSets, plan: Plan) -> list[str]:
    """Places whose heat limit is nearly reached, or has no room for one more machine there."""
    lines = []
    for place, upper in upper_heat(sets.site).items():
        limit = sets.site.places[place].heat_limit
        assert limit is not None
        counted = counted_heat(sets.site, plan, place, upper)
        more = {n: upper.machines[n] for n in upper.machines if _may_come(sets, plan, place, n)}
        least = min(sorted(more), key=lambda name: more[name], default=None)
        released, most = format_quantity(counted, "power"), format_quantity(limit, "power")
        said = f"{address_of(path_of_limit('heat', place, 'power'))}: {released} of {most} counted"
        if counted >= NEARLY * limit:
            lines.append(said)
        elif least is not None and counted + more[least] > limit:
            one = format_quantity(more[least], "power")
            lines.append(f"{said}; one more '{least}' releases {one}")
    return lines


def _may_come(sets: IndexSets, plan: Plan, place: str, name: str) -> bool:
    """Whether one more machine of a type may be built at a place of the file, but for its heat."""
    for node, most in sets.site.machines[name].places.items():
        if sets.site.ground(node) == place:
            there = sum(use.count for use in plan.machines if (use.type, use.place) == (name, node))
            if most is None or there < most:
                return True
    return False


def _stores(plan: Plan, sets: IndexSets) -> list[str]:
    sizes = [(use.name, use.type, use.size) for use in plan.stores]
    sizes += [(use.name, use.type, use.size) for use in plan.batteries]
    most = {name: store.max_size for name, store in sets.site.storage.items()}
    full: dict[str, list[str]] = {}
    for name, kind, size in sizes:
        if size >= 0.999 * most[kind]:
            full.setdefault(kind, []).append(name.rpartition("@")[2].partition(": ")[0])
    return [
        f"{address_of(path_of_limit('size', kind, 'mass'))}: largest size reached at "
        f"{', '.join(places)}"
        for kind, places in full.items()
    ]


def _machines(sets: IndexSets, plan: Plan, full: bool) -> list[str]:
    """Types of which no more may stand.

    ``full``: nothing is left for more of them that would give no more power for it.
    """
    lines = []
    for use in plan.machines:
        kind = sets.site.machines[use.type]
        most = kind.places[use.place]
        if full and not _replaces(sets, plan, kind):
            continue
        if most is not None and use.count >= most and not kind.flare:
            address = address_of(path_of_limit("places", use.name, "number"))
            lines.append(f"{address}: {use.count} of {most} units")
    return lines


def _replaces(sets: IndexSets, plan: Plan, kind: MachineType) -> bool:
    """Whether more of a type could take what others in use take, or what machines give."""
    given = {fluid for use in plan.machines for fluid in sets.site.machines[use.type].outputs}
    others = {use.type for use in plan.machines if use.running + use.cycled > 0} - {kind.name}
    taken = {fluid for name in others for fluid in sets.site.machines[name].inputs}
    return bool((given | taken) & set(kind.inputs)) or kind.power_out <= 0


def _listed(names: list[str]) -> str:
    """Names as the site file has them: without the level that follows a colon."""
    return ", ".join(f"'{name.partition(': ')[0]}'" for name in names)
