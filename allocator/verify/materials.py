"""Rules of materials: what everything new takes, added in exact fractions, within the stock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import NamedTuple

from allocator.verify.case import Case
from allocator.verify.report import LIMIT, Findings

REPORTED = 1e-9
"""A reported use of material may differ from the recomputed one by this share."""

LEAST_MASS = 1e-6
"""kg: a milligram of material is of no interest."""


class AuditedThing(NamedTuple):
    """Something new: masses and price of one (a piece, or a metre or kg of it), how much, life."""

    materials: Mapping[str, float]
    price: float
    amount: Fraction
    life: float | None


def material_use(case: Case) -> dict[str, Fraction]:
    """kg of each material that is new in the plan, exactly as the numbers of the file say."""
    used = dict.fromkeys(case.site.materials, Fraction(0))
    for thing in new_things(case):
        for material, mass in thing.materials.items():
            used[material] = used.get(material, Fraction(0)) + Fraction(mass) * thing.amount
    return used


def new_things(case: Case) -> Iterator[AuditedThing]:
    """Everything that the plan builds."""
    site, plan = case.site, case.plan
    for use in plan.sources:
        if use.new:
            source = site.sources[use.name]
            taken = (source.connection_materials, source.connection_price)
            yield AuditedThing(*taken, Fraction(1), source.connection_life)
    for run in plan.runs:
        if run.new:
            build, route = site.pipes[run.build], site.routes[run.route]
            length = Fraction(route.length)
            yield AuditedThing({}, build.price, length * Fraction(route.ground_factor), build.life)
            for layer in build.layers:
                yield AuditedThing({layer.material: layer.mass}, 0.0, length, build.life)
    for store in case.holders:
        kind = site.storage[store.type]
        if store.new_size > 0:
            yield AuditedThing(kind.materials, kind.price, Fraction(store.new_size), kind.life)
            if not site.built.storage.get((store.type, store.place), 0.0):
                yield AuditedThing(kind.base_materials, kind.base_price, Fraction(1), kind.life)
    for machine in plan.machines:
        of = site.machines[machine.type]
        yield AuditedThing(of.materials, of.price, Fraction(machine.new), of.life)
    for booster in plan.boosters:
        if booster.new:
            mover = site.boosters[booster.booster]
            yield AuditedThing(mover.materials, mover.price, Fraction(1), mover.life)
    for line in plan.lines:
        if line.new:
            wire = site.power_lines[line.name]
            yield AuditedThing(wire.materials, wire.price, Fraction(wire.length), wire.life)


def check_materials(case: Case, findings: Findings) -> None:
    """Used <= stock (to :data:`LIMIT` of it); what the plan reports is what it uses."""
    reported = {m.name: m.used for m in case.plan.materials}
    for name, exact in material_use(case).items():
        subject = f"material {name!r}"
        used = float(exact)
        material = case.site.materials.get(name)
        if material is not None and material.stock is not None:
            findings.count("material_stock")
            if exact > Fraction(material.stock) * (1 + Fraction(LIMIT)):
                # told again in floats for the message; at least the smallest step too much
                excess = float(exact - Fraction(material.stock))
                findings.breach(
                    "material_stock",
                    subject,
                    excess,
                    "kg",
                    f"{used!r} kg are used, {material.stock!r} kg are in stock",
                )
        findings.equals(
            "material_reported",
            subject,
            reported.get(name, 0.0),
            used,
            "kg",
            "what is used",
            max(REPORTED * used, LEAST_MASS),
        )
