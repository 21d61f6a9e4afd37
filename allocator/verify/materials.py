"""Rules of materials: what everything new takes, added in exact fractions, within the stock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction

from allocator.verify.case import Case
from allocator.verify.report import LIMIT, Findings

REPORTED = 1e-9
"""A reported use of material may differ from the recomputed one by this share."""

LEAST_MASS = 1e-6
"""kg: a milligram of material is of no interest."""

Quantity = tuple[Mapping[str, float], Fraction]


def material_use(case: Case) -> dict[str, Fraction]:
    """kg of each material that is new in the plan, exactly as the numbers of the file say."""
    used = dict.fromkeys(case.site.materials, Fraction(0))
    for materials, amount in _new_things(case):
        for material, mass in materials.items():
            used[material] = used.get(material, Fraction(0)) + Fraction(mass) * amount
    return used


def _new_things(case: Case) -> Iterator[Quantity]:
    site, plan = case.site, case.plan
    for source in plan.sources:
        if source.new:
            yield site.sources[source.name].connection_materials, Fraction(1)
    for run in plan.runs:
        if run.new:
            for layer in site.pipes[run.build].layers:
                yield {layer.material: layer.mass}, Fraction(site.routes[run.route].length)
    for store in case.holders:
        kind = site.storage[store.type]
        if store.new_size > 0:
            yield kind.materials, Fraction(store.new_size)
            if not site.built.storage.get((store.type, store.place), 0.0):
                yield kind.base_materials, Fraction(1)
    for machine in plan.machines:
        yield site.machines[machine.type].materials, Fraction(machine.new)
    for booster in plan.boosters:
        if booster.new:
            yield site.boosters[booster.booster].materials, Fraction(1)
    for line in plan.lines:
        if line.new:
            yield (
                site.power_lines[line.name].materials,
                Fraction(site.power_lines[line.name].length),
            )


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
