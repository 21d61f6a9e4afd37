"""The comparison of supply mixes for people and for programs: tables, a sentence, CSV, JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict

from allocator.base.status import Status
from allocator.report.text import paragraph, section, table, width
from allocator.report.words import STATUS_WORDS, gap, money, percent, quantity
from allocator.site.records import POWER, Site
from allocator.studies.comparison import Compared, bought
from allocator.studies.figures import Figures

Made = Sequence[tuple[Compared, Figures]]
Cells = Callable[[Compared, Figures], Iterable[tuple[str, str]]]

FORMAT = "allocator.comparison/1"
YEAR = 31_557_600.0
UNSETTLED = 0.01
"""Clean supply alone cannot be worse than beside emitting supply; by this share it is search."""


def comparison_text(site: Site, rows: Sequence[Compared]) -> str:
    """The comparison on a terminal: what each mix promises, takes, lets go and costs."""
    made = [(row, row.figures) for row in rows if row.figures is not None]
    lines = [f"{site.name}: supply mixes side by side, each a full plan", "-" * width()]
    lines += said(rows)
    lines += section("Promised at all times", _promised(made))
    grids: tuple[tuple[str, str, Cells], ...] = (
        ("Power by machine, of what is promised, mean", "machine", _powers),
        ("Machines, new and standing", "machine", _counts),
        ("Stores", "store", lambda _, f: _stores(site, f)),
        ("Released and used again, mean", "", _products),
        ("Fuel bought, mean", "source", lambda _, f: _each(f.bought, "emission_rate")),
        ("Materials used", "material", lambda _, f: _materials(site, f)),
        ("Money, heat, proof", "", _rest),
    )
    for title, head, cells in grids:
        lines += section(title, _grid(made, head, cells))
    lines += section("No plan", [line for row in rows if row.plan is None for line in _why(row)])
    return "\n".join(lines) + "\n"


def said(rows: Sequence[Compared]) -> list[str]:
    """What the emitting share buys and costs, in a sentence."""
    figures = {row.name: row.figures for row in rows}
    clean, backed = figures.get("clean only"), figures.get("clean first")
    if clean is None or backed is None:
        return []
    step = bought(clean, backed)
    served = percent(clean.served_share)
    if clean.firm_clean < backed.firm_clean * (1 - UNSETTLED):
        return paragraph(
            f"The search for clean supply alone came to {served} of the demand in its time, "
            f"though 'clean first' serves {percent(backed.firm_clean / backed.demand_mean)} clean: "
            "allow more time before comparing the two.",
            indent=0,
        )
    if backed.firm_clean < clean.firm_clean * (1 - UNSETTLED):
        return paragraph(
            f"The search for 'clean first' came to {percent(backed.firm_clean / clean.demand_mean)}"
            f" of the demand served clean in its time, though clean supply alone serves {served}: "
            "allow more time before comparing the two.",
            indent=0,
        )
    name = "clean first"
    if step is None and backed.status not in (Status.OPTIMAL, Status.WITHIN_GAP):
        # the search for clean first had no time for the rest; another mix may show what there is
        others = [row for row in rows if row.figures and bought(clean, row.figures)]
        if others:
            best = max(others, key=lambda row: row.figures.firm_total if row.figures else 0.0)
            assert best.figures is not None
            name, backed = best.name, best.figures
            step = bought(clean, backed)
    if step is None:
        open_ended = (
            ""
            if backed.status in (Status.OPTIMAL, Status.WITHIN_GAP)
            else " that was found in the time"
        )
        return paragraph(
            f"Clean supply alone serves {served} of the demand; emitting supply adds nothing"
            f"{open_ended}.",
            indent=0,
        )
    costs = [f"{quantity(step.counted, 'emission_rate')} of counted emission"]
    less = clean.firm_clean - backed.firm_clean
    if name != "clean first" and less > 0:
        costs.append(f"{quantity(less, 'power')} of clean power")
    costs += [
        f"{quantity(abs(kg), 'mass')} {'more' if kg > 0 else 'less'} '{material}'"
        for material, kg in step.materials.items()
        if abs(kg) > 1e-6 * max(1.0, backed.materials[material])
    ]
    if abs(step.money) >= 1:
        costs.append(f"{money(abs(step.money))} {'more' if step.money > 0 else 'less'} money")
    fuel = [f"{quantity(rate * YEAR, 'mass')} a year from '{n}'" for n, rate in step.fuel.items()]
    by = "emitting supply" if name == "clean first" else f"emitting supply as in '{name}'"
    told = (
        f"Clean supply alone serves {served} of the demand. The next {percent(step.share)} "
        f"({quantity(step.power, 'power')}), by {by}, cost {_listed(costs)}"
    )
    told += f"; they burn {_listed(fuel)} more." if fuel else "."
    return paragraph(told, indent=0)


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _promised(made: Made) -> list[str]:
    cells = [
        (
            row.name,
            quantity(f.firm_clean, "power"),
            quantity(f.firm_total - f.firm_clean, "power"),
            percent(f.served_share),
            quantity(f.mean_clean, "power"),
            quantity(f.mean_total - f.mean_clean, "power"),
            quantity(f.counted, "emission_rate"),
            gap(f.gap),
            STATUS_WORDS.get(f.status, f.status),
        )
        for row, f in made
    ]
    heads = (
        "mix",
        "clean",
        "emitting",
        "served",
        "mean clean",
        "emitting",
        "counted",
        "gap",
        "search",
    )
    return table(heads, cells, right=(1, 2, 3, 4, 5, 6, 7)) if cells else []


def _grid(made: Made, head: str, cells: Cells) -> list[str]:
    """A row a name, a column a mix; a name that no mix has is not listed."""
    columns = [dict(cells(row, f)) for row, f in made]
    names = list(dict.fromkeys(name for column in columns for name in column))
    rows = [(name, *(column.get(name, "") for column in columns)) for name in names]
    heads = (head, *(row.name for row, _ in made))
    return table(heads, rows, right=range(1, len(heads))) if rows else []


def _each(values: Mapping[str, float], dimension: str) -> Iterator[tuple[str, str]]:
    for name, value in values.items():
        yield name, quantity(value, dimension)


def _powers(row: Compared, f: Figures) -> Iterable[tuple[str, str]]:
    del row
    return _each(f.power, "power")


def _counts(row: Compared, f: Figures) -> Iterator[tuple[str, str]]:
    del row
    for name, count in f.machines.items():
        yield name, str(count)


def _stores(site: Site, f: Figures) -> Iterator[tuple[str, str]]:
    for name, size in f.stores.items():
        kind = site.storage[name.rpartition("@")[0]]
        yield name, quantity(size, "energy" if kind.holds == POWER else "mass")


def _products(row: Compared, f: Figures) -> Iterator[tuple[str, str]]:
    del row
    yield "counted, weighted", quantity(f.counted, "emission_rate")
    if f.biogenic > 0:
        yield "biogenic, a memo", quantity(f.biogenic, "emission_rate")
    for name, product in f.products.items():
        released = product.given - product.used
        if released > 1e-9 * product.given:
            yield f"{name} let go", quantity(released, "emission_rate")
        if product.used > 1e-9 * product.given:
            yield f"{name} used again", quantity(product.used, "emission_rate")


def _materials(site: Site, f: Figures) -> Iterator[tuple[str, str]]:
    for name, kg in f.materials.items():
        stock = site.materials[name].stock
        share = f" ({percent(kg / stock)})" if stock else ""
        yield name, f"{quantity(kg, 'mass')}{share}"


def _rest(row: Compared, f: Figures) -> Iterator[tuple[str, str]]:
    yield "money in all", money(f.money)
    if f.heat > 0:
        yield "heat given, mean", quantity(f.heat, "power")
    if row.hours_short is not None:
        yield "hours a year short of its promise, worst draw", f"{row.hours_short:.3g} h"
    yield "audit", "accepted" if f.verified else "REJECTED"


def _why(row: Compared) -> Iterable[str]:
    return paragraph(f"{row.name}: {row.reason}", bullet="* ")


def comparison_csv(site: Site, rows: Sequence[Compared]) -> str:
    """A line a mix: SI units in the column names, empty where a fact is absent."""
    import pandas as pd

    from allocator.report.tables import csv_text

    lines = [_facts(site, row) for row in rows]
    columns = list(dict.fromkeys(name for line in lines for name in line))
    cells = [[line.get(name) for name in columns] for line in lines]
    return csv_text(pd.DataFrame(cells, columns=columns, dtype=object))


def _facts(site: Site, row: Compared) -> dict[str, object]:
    facts: dict[str, object] = {"mix": row.name}
    f = row.figures
    if f is None:
        return {**facts, "status": row.reason}
    facts |= {
        "status": f.status,
        "audited": f.verified,
        "firm_clean_w": f.firm_clean,
        "firm_emitting_w": f.firm_total - f.firm_clean,
        "mean_clean_w": f.mean_clean,
        "mean_emitting_w": f.mean_total - f.mean_clean,
        "served_share": f.served_share,
        "first_goal_gap": f.gap,
        "counted_kg_per_s": f.counted,
        "biogenic_kg_per_s": f.biogenic,
        "money": f.money,
        "heat_w": f.heat,
        "hours_short_per_year": row.hours_short,
    }
    for name, power in f.power.items():
        facts[f"power[{name}]_w"] = power
    for name, count in f.machines.items():
        facts[f"machines[{name}]"] = count
    for name, size in f.stores.items():
        kind = site.storage[name.rpartition("@")[0]]
        facts[f"store[{name}]_{'j' if kind.holds == POWER else 'kg'}"] = size
    for name, product in f.products.items():
        facts[f"given[{name}]_kg_per_s"] = product.given
        facts[f"used_again[{name}]_kg_per_s"] = product.used
    for name, rate in f.bought.items():
        facts[f"bought[{name}]_kg_per_s"] = rate
    for name, kg in f.materials.items():
        facts[f"material[{name}]_kg"] = kg
    return facts


def comparison_json(site: Site, rows: Sequence[Compared]) -> str:
    """The rows as JSON, SI units, ending in a new line."""
    data = {
        "format": FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "said": " ".join(said(rows)),
        "mixes": [
            {
                "mix": row.name,
                "about": row.about,
                "reason": row.reason,
                "hours_short_per_year": row.hours_short,
                "figures": None if row.figures is None else asdict(row.figures),
            }
            for row in rows
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
