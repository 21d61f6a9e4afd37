"""What the storekeeper hands out and the buyer orders: the bill with totals, and the stock list."""

from __future__ import annotations

import math
from dataclasses import replace

from allocator.base.column_units import unit_of
from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import bill_of_materials
from allocator.report.handover.cut_list import SPARES, cut_list
from allocator.report.tables import bill, table_of

_MORE = (
    Column("kind", "kind", "text", "A total adds up the rows above it."),
    Column("amount", "amount", "number", "Rounded up.", towards=1),
    Column("amount_unit", "of"),
)
_DIMENSIONS = {"J": "energy", "kg": "mass"}
_STOCK = (
    labelled("material"),
    Column("to_build", "to build", "mass", "What the plan uses.", towards=1),
    Column("spares", "spares of pipe", "mass", towards=1),
    Column("off_cuts", "off-cuts of pipe", "mass", "Out of pipe that comes in lengths.", towards=1),
    Column("to_issue", "to issue", "mass", "All three together.", towards=1),
    labelled("stock", "mass"),
    Column("left", "left in stock", "mass", towards=-1),
    Column("short", "to buy", "mass", "What the stock does not cover.", towards=1),
)


def bill_with_totals(site: Network, plan: Plan) -> Table:
    """The bill of materials, amounts in units that fit, a total a material and one of money.

    The totals are in the files alone: whoever adds up the table of a result counts nothing twice.
    """
    lines = bill_of_materials(site, plan)
    plain = bill(site, plan)
    rows = [
        {**record, "kind": "item", **_amount(line.quantity, line.unit)}
        for record, line in zip(plain.records(), lines, strict=True)
    ]
    for use in plan.materials:
        mine = [line for line in lines if line.material == use.name]
        if mine:
            rows.append(
                {
                    "item": "total",
                    "material": use.name,
                    "kg": math.fsum(line.kg or 0.0 for line in mine),
                    "money": math.fsum(line.money for line in mine),
                    "kind": "material total",
                }
            )
    if lines:
        money = math.fsum(line.money for line in lines)
        rows.append({"item": "total", "money": money, "kind": "total"})
    files = [replace(c, files_only=c.name in ("quantity", "unit")) for c in plain.columns]
    return table_of(plain.name, plain.title, (*files, *_MORE), rows)


def _amount(quantity: float, unit: str) -> dict[str, object]:
    """A quantity in a unit that fits: ``250`` and ``kWh of store``."""
    si, _, of_what = unit.partition(" ")
    if si not in _DIMENSIONS:
        return {"amount": quantity, "amount_unit": unit}
    fitting = unit_of(Column("amount", "amount", _DIMENSIONS[si]), [quantity])
    return {"amount": quantity / fitting.size, "amount_unit": f"{fitting.name} {of_what}".strip()}


def stock_table(site: Network, plan: Plan, spares: float = SPARES) -> Table:
    """A row a material: what the plan, spares and off-cuts take out of stock, and what is short."""
    totals = {line.material: line for line in cut_list(site, plan, spares) if line.kind == "total"}
    rows = []
    for use in plan.materials:
        total = totals.get(use.name)
        spare = 0.0 if total is None else total.cut_mass - total.mass
        off_cuts = 0.0 if total is None else total.off_cut_mass
        needed = use.used + spare + off_cuts
        price = site.materials[use.name].price
        rows.append(
            {
                "material": use.name,
                "to_build_kg": use.used,
                "spares_kg": spare,
                "off_cuts_kg": off_cuts,
                "to_issue_kg": needed,
                "stock_kg": use.stock,
                "left_kg": None if use.stock is None else max(0.0, use.stock - needed),
                "short_kg": None if use.stock is None else max(0.0, needed - use.stock),
                "price_per_kg": price,
                "money": price * needed,
            }
        )
    columns = (
        *_STOCK,
        Column("price", "price", "money_per_mass", currency=site.currency),
        labelled("money", "money", "For what is to be issued.", currency=site.currency),
    )
    return table_of("stock_list", "Stock list", columns, rows)
