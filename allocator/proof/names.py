"""Rules: every name of a plan is known, stands once, and says what the site says."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from allocator.plan import FLAT, BatteryUse, Plan, StoreUse
from allocator.proof.case import CLASSES, shapes_of
from allocator.proof.report import Findings
from allocator.site.records import POWER, Site


@dataclass(frozen=True)
class _Known:
    """Names that a plan may use."""

    site: Site
    findings: Findings
    shapes: Collection[str]

    def name(self, kind: str, name: str, known: Collection[str], subject: str) -> bool:
        return self.findings.holds(
            "unknown_name", subject, name in known, f"there is no {kind} {name!r}"
        )

    def names(self, kind: str, names: Iterable[str], known: Collection[str], subject: str) -> None:
        for name in names:
            self.name(kind, name, known, subject)

    def same(self, subject: str, what: str, given: object, expected: object) -> None:
        self.findings.holds(
            "differs_from_site",
            subject,
            given == expected,
            f"{what} is given as {given!r}, the site says {expected!r}",
        )

    def once(self, kind: str, names: Iterable[object]) -> None:
        seen: set[object] = set()
        for name in names:
            self.findings.holds(
                "listed_twice", f"{kind} {name!r}", name not in seen, "is listed more than once"
            )
            seen.add(name)


def check_names(site: Site, plan: Plan, findings: Findings) -> None:
    """Rules ``unknown_name``, ``listed_twice`` and ``differs_from_site``."""
    shapes = (FLAT, *shapes_of(site)[1]) if plan.basis == "firm" else (FLAT,)
    known = _Known(site, findings, shapes)
    _stores(known, plan)
    _machines(known, plan)
    _sources(known, plan)
    _runs(known, plan)
    _lines(known, plan)
    _recoveries(known, plan)
    _demands_and_materials(known, plan)


def _standing_at(known: _Known, kind: str, use: StoreUse | BatteryUse) -> None:
    subject = f"{kind} {use.name!r}"
    known.name("place", use.place, known.site.places, subject)
    if known.name("type of store", use.type, known.site.stores, subject):
        known.same(subject, "the name", use.name, f"{use.type}@{use.place}")


def _stores(known: _Known, plan: Plan) -> None:
    site = known.site
    known.once("store", (s.name for s in plan.stores))
    known.once("battery", (b.name for b in plan.batteries))
    power_demands = [d.name for d in site.demands.values() if d.wants == POWER]
    for store in plan.stores:
        _standing_at(known, "store", store)
        known.names("shape", store.draw, known.shapes, f"store {store.name!r}")
        if store.type in site.stores:
            holds = site.stores[store.type].holds
            known.same(f"store {store.name!r}", "what it holds", store.holds, holds)
            known.name("fluid", holds, site.fluids, f"store {store.name!r}")
    for battery in plan.batteries:
        subject = f"battery {battery.name!r}"
        _standing_at(known, "battery", battery)
        if battery.type in site.stores:
            holds = site.stores[battery.type].holds
            known.same(subject, "what a battery holds", POWER, holds)
        known.names("demand for power", battery.levelled, power_demands, subject)
        for classes in (battery.burst_part, battery.release, *battery.levelled.values()):
            known.names("class", classes, CLASSES, subject)
        for released in battery.release.values():
            known.names("shape", released, known.shapes, subject)


def _machines(known: _Known, plan: Plan) -> None:
    known.once("machine", (m.name for m in plan.machines))
    batteries = [b.name for b in plan.batteries]
    for machine in plan.machines:
        subject = f"machine {machine.name!r}"
        known.name("place", machine.place, known.site.places, subject)
        if known.name("type of machine", machine.type, known.site.machines, subject):
            known.same(subject, "the name", machine.name, f"{machine.type}@{machine.place}")
        known.names("shape", machine.following, known.shapes, subject)
        known.names("battery", machine.burst, batteries, subject)
        known.names("fluid", machine.receiver, known.site.fluids, subject)


def _destinations(plan: Plan) -> set[str]:
    burns = {f"burn:{m.name}>{b.name}" for m in plan.machines for b in plan.batteries}
    return burns | {f"store:{s.name}" for s in plan.stores}


def _sources(known: _Known, plan: Plan) -> None:
    known.once("source", (s.name for s in plan.sources))
    destinations = _destinations(plan)
    for source in plan.sources:
        subject = f"source {source.name!r}"
        known.name("source", source.name, known.site.sources, subject)
        known.names("destination", source.collect, destinations, subject)
        known.names("shape", source.direct, known.shapes, subject)


def _runs(known: _Known, plan: Plan) -> None:
    site = known.site
    carried: Mapping[str, Collection[str]] = {"collect": site.places, "supply": known.shapes}
    for run in plan.runs:
        subject = f"run {run.route!r} of {run.fluid!r}"
        known.name("route", run.route, site.routes, subject)
        known.name("build", run.build, site.builds, subject)
        known.name("fluid", run.fluid, site.fluids, subject)
        for flow in run.flows:
            if known.name("layer", flow.layer, carried, subject):
                kind = "place" if flow.layer == "collect" else "shape"
                known.name(kind, flow.carries, carried[flow.layer], subject)
            known.names("place", (flow.start, flow.end), site.places, subject)


def _lines(known: _Known, plan: Plan) -> None:
    known.once("line", (line.name for line in plan.lines))
    for line in plan.lines:
        subject = f"line {line.name!r}"
        known.name("line", line.name, known.site.lines, subject)
        for start, end, kind, shape, _ in line.flows:
            known.names("place", (start, end), known.site.places, subject)
            known.name("class", kind, CLASSES, subject)
            known.name("shape", shape, known.shapes, subject)


def _recoveries(known: _Known, plan: Plan) -> None:
    known.once("recovery", (use.route for use in plan.recoveries))
    for use in plan.recoveries:
        subject = f"recovery {use.route!r}"
        known.name("route", use.route, known.site.routes, subject)
        known.names("shape", (*use.flow, *use.power), known.shapes, subject)


def _demands_and_materials(known: _Known, plan: Plan) -> None:
    site = known.site
    known.once("demand", (d.name for d in plan.demands))
    for demand in plan.demands:
        subject = f"demand {demand.name!r}"
        if known.name("demand", demand.name, site.demands, subject):
            known.same(subject, "what it wants", demand.wants, site.demands[demand.name].wants)
            known.same(subject, "its mean", demand.mean, site.demands[demand.name].mean)
    known.once("material", (m.name for m in plan.materials))
    for material in plan.materials:
        subject = f"material {material.name!r}"
        if known.name("material", material.name, site.materials, subject):
            known.same(subject, "its stock", material.stock, site.materials[material.name].stock)
    known.names("fluid", plan.emissions.by_fluid, site.fluids, "emissions")
