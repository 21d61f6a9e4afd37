"""Rules: every name of a plan is known, stands once, and says what the site says.

The subject of each breach is the place in the plan file, such as ``$.stores[0].type``. A plan with
names that refer to nothing is damaged: no claim of it can be recomputed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from allocator.base.errors import Fault
from allocator.network.records import Network
from allocator.plans.records import FLAT, BatteryUse, Plan, StoreUse
from allocator.site.mixes import supplies_of
from allocator.site.records import POWER
from allocator.verify.case import CLASSES, shapes_of
from allocator.verify.report import AuditReport, Findings

DAMAGE = ("unknown_name", "listed_twice", "differs_from_site")
"""Rules that a plan file breaks only when it is damaged."""

REMEDY = "the file was damaged or changed by hand: use a whole copy, or plan again"


@dataclass(frozen=True)
class _Known:
    """Names that a plan may use."""

    site: Network
    findings: Findings
    shapes: Collection[str]

    def name(self, kind: str, name: str, known: Collection[str], path: str) -> bool:
        return self.findings.holds(
            "unknown_name", path, name in known, f"there is no {kind} {name!r}"
        )

    def keys(self, kind: str, names: Iterable[str], known: Collection[str], path: str) -> None:
        for name in names:
            self.name(kind, name, known, f"{path}.{name}")

    def same(self, path: str, what: str, given: object, expected: object) -> None:
        self.findings.holds(
            "differs_from_site",
            path,
            given == expected,
            f"{what} is given as {given!r}, the site says {expected!r}",
        )

    def once(self, rows: str, kind: str, names: Iterable[object]) -> None:
        seen: set[object] = set()
        for number, name in enumerate(names):
            self.findings.holds(
                "listed_twice",
                f"$.{rows}[{number}]",
                name not in seen,
                f"{kind} {name!r} is listed more than once",
            )
            seen.add(name)


def check_names(site: Network, plan: Plan, findings: Findings) -> None:
    """Rules ``unknown_name``, ``listed_twice`` and ``differs_from_site``."""
    shapes = (FLAT, *shapes_of(site)[1]) if plan.basis == "firm" else (FLAT,)
    known = _Known(site, findings, shapes)
    _sources(known, plan)
    _stores(known, plan)
    _runs(known, plan)
    _lines(known, plan)
    _machines(known, plan)
    _demands_and_materials(known, plan)
    _heat(known, plan)
    _set_points(known, plan)
    _recoveries(known, plan)
    _heat_sinks(known, plan)
    _pressures(known, plan)
    if plan.mix:
        known.name("mix", plan.mix, [mix.name for mix in supplies_of(site)], "$.mix")


def damage(report: AuditReport, file: str) -> list[Fault]:
    """Faults of a plan file with names or facts that are not the site's; empty for others."""
    return [
        Fault(file, 0, 0, breach.subject, breach.message, REMEDY)
        for breach in report.breaches
        if breach.rule in DAMAGE
    ]


def _existing_at(known: _Known, use: StoreUse | BatteryUse, path: str) -> None:
    known.name("place", use.place, known.site.places, f"{path}.place")
    if known.name("type of store", use.type, known.site.storage, f"{path}.type"):
        known.same(f"{path}.name", "the name", use.name, f"{use.type}@{use.place}")


def _stores(known: _Known, plan: Plan) -> None:
    site = known.site
    known.once("stores", "store", (s.name for s in plan.stores))
    known.once("batteries", "battery", (b.name for b in plan.batteries))
    power_demands = [d.name for d in site.demands.values() if d.wants == POWER]
    for number, store in enumerate(plan.stores):
        path = f"$.stores[{number}]"
        _existing_at(known, store, path)
        known.keys("shape", store.draw, known.shapes, f"{path}.draw_mean_kg_s")
        if store.type in site.storage:
            holds = site.storage[store.type].holds
            known.same(f"{path}.holds", "what it holds", store.holds, holds)
            known.name("fluid", holds, site.fluids, f"{path}.type")
    for number, battery in enumerate(plan.batteries):
        path = f"$.batteries[{number}]"
        _existing_at(known, battery, path)
        if battery.type in site.storage:
            holds = site.storage[battery.type].holds
            known.same(f"{path}.type", "what a battery holds", POWER, holds)
        for key, by_demand in (
            ("levelled_mean_w", battery.levelled),
            ("level_surplus_w", battery.level_surplus),
        ):
            known.keys("demand for power", by_demand, power_demands, f"{path}.{key}")
            for demand, classes in by_demand.items():
                known.keys("class", classes, CLASSES, f"{path}.{key}.{demand}")
        known.keys("class", battery.burst_part, CLASSES, f"{path}.burst_part_j")
        known.keys("class", battery.release, CLASSES, f"{path}.release_mean_w")
        for kind, released in battery.release.items():
            known.keys("shape", released, known.shapes, f"{path}.release_mean_w.{kind}")


def _pressures(known: _Known, plan: Plan) -> None:
    site = known.site
    stores = {store.name for store in plan.stores}
    at = ((b.route, b.start, b.store, b.fluid) for b in plan.boosters)
    known.once("boosters", "booster", at)
    for number, use in enumerate(plan.boosters):
        path = f"$.boosters[{number}]"
        known.name("booster", use.booster, site.boosters, f"{path}.booster")
        known.name("fluid", use.fluid, site.fluids, f"{path}.fluid")
        known.name("place", use.start, site.places, f"{path}.start")
        known.name("route", use.route, ["", *site.routes], f"{path}.route")
        known.name("store", use.store, ["", *stores], f"{path}.store")
    known.once("pressures", "node", ((p.node, p.fluid) for p in plan.pressures))
    for number, row in enumerate(plan.pressures):
        known.name("place", row.node, site.places, f"$.pressures[{number}].node")
        known.name("fluid", row.fluid, site.fluids, f"$.pressures[{number}].fluid")


def _machines(known: _Known, plan: Plan) -> None:
    known.once("machines", "machine", (m.name for m in plan.machines))
    batteries = [b.name for b in plan.batteries]
    for number, machine in enumerate(plan.machines):
        path = f"$.machines[{number}]"
        known.name("place", machine.place, known.site.places, f"{path}.place")
        if known.name("type of machine", machine.type, known.site.machines, f"{path}.type"):
            expected = f"{machine.type}@{machine.place}"
            known.same(f"{path}.name", "the name", machine.name, expected)
        known.keys("shape", machine.following, known.shapes, f"{path}.following")
        known.keys("battery", machine.burst, batteries, f"{path}.burst")
        stores = [store.name for store in plan.stores]
        known.keys("store", machine.overflow, stores, f"{path}.overflow_kg_s")
        known.keys("fluid", machine.buffer_vessel, known.site.fluids, f"{path}.receiver_kg")


def _destinations(site: Network, plan: Plan) -> set[str]:
    types = site.machines
    flares = [m for m in plan.machines if m.type in types and types[m.type].flare]
    burns = {f"burn:{m.name}>{b.name}" for m in plan.machines for b in plan.batteries}
    return burns | {f"store:{s.name}" for s in plan.stores} | {f"flare:{m.name}" for m in flares}


def _sources(known: _Known, plan: Plan) -> None:
    known.once("sources", "source", (s.name for s in plan.sources))
    destinations = _destinations(known.site, plan)
    site = known.site  # on the mean basis nothing is drawn out of chambers
    sources = site.sources if plan.basis == "firm" else site.own_sources
    uses = {use.name for use in plan.sources}
    for number, source in enumerate(plan.sources):
        path = f"$.sources[{number}]"
        if known.name("source", source.name, sources, f"{path}.name"):
            whole = site.sources[source.name].part_of or source.name
            known.name("source in the plan", whole, uses, f"{path}.name")
        known.keys("destination", source.collect, destinations, f"{path}.collect_kg_s")
        known.keys("shape", source.direct, known.shapes, f"{path}.direct_mean_kg_s")


def _runs(known: _Known, plan: Plan) -> None:
    site = known.site
    carried: Mapping[str, Collection[str]] = {"collect": site.places, "supply": known.shapes}
    for number, run in enumerate(plan.runs):
        path = f"$.runs[{number}]"
        known.name("route", run.route, site.routes, f"{path}.route")
        known.name("build", run.build, site.pipes, f"{path}.build")
        known.name("fluid", run.fluid, site.fluids, f"{path}.fluid")
        for place, flow in enumerate(run.flows):
            here = f"{path}.flows[{place}]"
            if known.name("layer", flow.layer, carried, f"{here}.layer"):
                kind = "place" if flow.layer == "collect" else "shape"
                known.name(kind, flow.carries, carried[flow.layer], f"{here}.carries")
            known.name("place", flow.start, site.places, f"{here}.start")
            known.name("place", flow.end, site.places, f"{here}.end")


def _lines(known: _Known, plan: Plan) -> None:
    known.once("lines", "line", (line.name for line in plan.lines))
    for number, line in enumerate(plan.lines):
        path = f"$.lines[{number}]"
        known.name("line", line.name, known.site.power_lines, f"{path}.name")
        for place, (start, end, kind, shape, _) in enumerate(line.flows):
            here = f"{path}.flows[{place}]"
            known.name("place", start, known.site.places, f"{here}.start")
            known.name("place", end, known.site.places, f"{here}.end")
            known.name("class", kind, CLASSES, f"{here}.class")
            known.name("shape", shape, known.shapes, f"{here}.shape")


def _recoveries(known: _Known, plan: Plan) -> None:
    known.once("recoveries", "recovery", (use.route for use in plan.recoveries))
    for number, use in enumerate(plan.recoveries):
        path = f"$.recoveries[{number}]"
        known.name("route", use.route, known.site.routes, f"{path}.route")
        known.name("build", use.build, known.site.pipes, f"{path}.build")
        known.keys("shape", use.flow, known.shapes, f"{path}.flow_kg_s")
        known.keys("shape", use.power, known.shapes, f"{path}.power_w")


def _demands_and_materials(known: _Known, plan: Plan) -> None:
    site = known.site
    known.once("demands", "demand", (d.name for d in plan.demands))
    for number, demand in enumerate(plan.demands):
        path = f"$.demands[{number}]"
        if known.name("demand", demand.name, site.demands, f"{path}.name"):
            record = site.demands[demand.name]
            known.same(f"{path}.wants", "what it wants", demand.wants, record.wants)
            known.same(path, "its mean", demand.mean, record.mean)
    known.once("materials", "material", (m.name for m in plan.materials))
    for number, material in enumerate(plan.materials):
        path = f"$.materials[{number}]"
        if known.name("material", material.name, site.materials, f"{path}.name"):
            stock = site.materials[material.name].stock
            known.same(f"{path}.stock_kg", "its stock", material.stock, stock)
    known.keys("fluid", plan.emissions.by_fluid, site.fluids, "$.emissions.by_fluid_kg_s")
    known.keys("fluid", plan.emissions.vented, site.fluids, "$.emissions.vented_kg_s")


def _heat(known: _Known, plan: Plan) -> None:
    if plan.heat is None:
        return
    site = known.site
    for number, flow in enumerate(plan.heat.flows):
        path = f"$.heat.flows[{number}]"
        known.name("route", flow.route, site.routes, f"{path}.route")
        known.name("build", flow.build, site.pipes, f"{path}.build")
        known.name("fluid", flow.fluid, site.fluids, f"{path}.fluid")
        known.name("place", flow.start, site.places, f"{path}.start")
    known.once("heat.coolers", "cooler", (cooler.route for cooler in plan.heat.coolers))
    for number, cooler in enumerate(plan.heat.coolers):
        path = f"$.heat.coolers[{number}]"
        known.name("route", cooler.route, site.routes, f"{path}.route")
        known.name("build", cooler.build, site.pipes, f"{path}.build")
    limits = ((limit.subject, limit.what) for limit in plan.heat.limits)
    known.once("heat.limits", "limit", limits)


def _set_points(known: _Known, plan: Plan) -> None:
    points = plan.set_points
    if points is None:
        return
    stores = [store.name for store in plan.stores]
    parts = tuple(f"{battery.name} " for battery in plan.batteries)
    machines = [machine.name for machine in plan.machines]
    known.once("set_points.stores", "store", (hold.store for hold in points.stores))
    for number, hold in enumerate(points.stores):
        names = [*stores, hold.store] if hold.store.startswith(parts) else stores
        known.name("store", hold.store, names, f"$.set_points.stores[{number}].store")
    for number, rule in enumerate(points.rules):
        names = [*stores, rule.store] if rule.store.startswith(parts) else stores
        known.name("store", rule.store, names, f"$.set_points.reserve_rules[{number}].store")
    known.once("set_points.cycled", "machine", (levels.machine for levels in points.cycled))
    for number, levels in enumerate(points.cycled):
        path = f"$.set_points.cycled[{number}].machine"
        known.name("machine", levels.machine, machines, path)
    for number, name in enumerate(points.start_order):
        known.name("machine", name, machines, f"$.set_points.start_order[{number}]")
    known.once("set_points.chambers", "chamber", (hold.source for hold in points.chambers))
    for number, chamber in enumerate(points.chambers):
        path = f"$.set_points.chambers[{number}].source"
        known.name("source", chamber.source, known.site.sources, path)


def _heat_sinks(known: _Known, plan: Plan) -> None:
    known.once("baths", "heat sink", (use.name for use in plan.heat_sinks))
    for number, use in enumerate(plan.heat_sinks):
        path = f"$.baths[{number}]"
        known.name("heat sink", use.name, known.site.heat_sinks, f"{path}.name")
        known.name("source", use.source, known.site.sources, f"{path}.source")
