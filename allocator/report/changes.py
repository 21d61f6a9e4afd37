"""What a plan has differently from a former one, as tables and text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from allocator.base.labels import LABELS, labelled
from allocator.base.quantities import format_quantity
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.plans.differences import KEPT, Difference, differences
from allocator.plans.records import Plan
from allocator.report.bill import BillLine

ROUNDING = 1e-6
"""Share below which two figures are the same."""
FATES = (KEPT, "changed", "moved", "new", "lost")

_THINGS = (
    labelled("kind"),
    Column("what", "what"),
    labelled("where"),
    Column("fate", "change", "text", "Kept, changed, moved, new or lost."),
    Column("before", "in the former plan"),
    Column("after", "in the new plan"),
)
_FIGURES = (
    Column("figure", "figure"),
    labelled("unit"),
    Column("before", "former plan", "number"),
    Column("after", "new plan", "number"),
    Column("change", "difference", "number"),
)

_COSTS = (
    Column("item", "item"),
    labelled("where"),
    Column("more_mass", "more material", "mass", "Material that it takes more than before."),
    Column("more_cost", "more cost", "money", "What it costs more than before."),
)


def changes_table(before: Plan, after: Plan) -> Table:
    """A row a thing that is not the same in both plans."""
    rows = tuple(_cells(row) for row in differences(before, after) if row.fate != KEPT)
    return Table("changes", "What is built differently", _THINGS, rows)


def both_figures(before: Plan, after: Plan) -> Table:
    """Power, emissions, cost and materials of both plans."""
    return Table("figures", "Figures of both plans", _FIGURES, tuple(_figures(before, after)))


def costs_of_changes(
    before: Sequence[BillLine], after: Sequence[BillLine], currency: str = ""
) -> Table:
    """What each thing that is bought differently takes in either plan: material and money."""
    sums: dict[tuple[str, str], list[list[float]]] = {}
    for number, lines in enumerate((before, after)):
        for line in lines:
            mass, money = sums.setdefault((line.item, line.where), [[0.0, 0.0], [0.0, 0.0]])
            mass[number] += line.kg or 0.0
            money[number] += line.counted
    more = {thing: (_more(*mass), _more(*money)) for thing, (mass, money) in sums.items()}
    rows = tuple((*thing, *cost) for thing, cost in more.items() if any(cost))
    columns = (*_COSTS[:3], replace(_COSTS[3], currency=currency))
    return Table("costs", "What each change costs", columns, rows)


def changes_lines(before: Plan, after: Plan) -> list[str]:
    """How many things are kept, the figures of both plans, then what differs, as lines of text."""
    met = Counter(row.fate for row in differences(before, after))
    counts = ", ".join(f"{met[fate]} {fate}" for fate in FATES if met[fate]) or "nothing built"
    same = ["", "The same is built in both."]
    return [
        f"Things: {counts}.",
        *section_of(both_figures(before, after)),
        *(section_of(changes_table(before, after)) or same),
    ]


def _cells(row: Difference) -> tuple[object, ...]:
    was = f" {row.was}" if row.fate == "moved" else ""
    before = f"{_amount(row, row.before)}{' at' if was else ''}{was}"
    if row.fate == "changed" and row.was:
        before = row.was
    return row.kind, row.what, row.where, row.fate, before, _amount(row, row.after)


def _amount(row: Difference, value: float) -> str:
    """An amount in words, empty where there is none."""
    if value == 0:
        return ""
    if row.dimension:
        return format_quantity(value, row.dimension)
    units = row.kind == "generator"
    return f"{value:.0f} unit{'s' if value > 1 else ''}" if units else row.what


def _figures(before: Plan, after: Plan) -> list[tuple[object, ...]]:
    """Rows of figures in the units of people: kW, g/s, tonnes."""
    firm = before.basis == after.basis == "firm"
    names = ("firm_clean", "firm_total") if firm else ("mean_clean",)
    found: list[tuple[str, str, float, float]] = [
        (
            LABELS[name].head,
            "kW",
            getattr(before.power, name) / 1e3,
            getattr(after.power, name) / 1e3,
        )
        for name in names
    ]
    counted = before.emissions.counted, after.emissions.counted
    found.append((LABELS["counted"].head, "g/s", 1e3 * counted[0], 1e3 * counted[1]))
    found.append((LABELS["money"].head, "", before.money, after.money))
    used = [{use.name: use.used for use in plan.materials} for plan in (before, after)]
    for name in dict.fromkeys((*used[0], *used[1])):
        old, new = (one.get(name, 0.0) / 1e3 for one in used)
        found.append((f"{name}, to build", "t", old, new))
    return [(name, unit, old, new, _more(old, new)) for name, unit, old, new in found]


def _more(old: float, new: float) -> float:
    """How much more the new value is; 0 for what is rounding."""
    return 0.0 if abs(new - old) <= ROUNDING * max(abs(old), abs(new)) else new - old
