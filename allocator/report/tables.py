"""The parts of a plan as tables: SI values, a column a fact, a head that explains itself."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import bill_of_materials
from allocator.report.passing import built_stores, destinations
from allocator.report.words import ROUNDED, destination_key, plain
from allocator.site.records import POWER

Row = Mapping[str, object]
"""Values by the keys of their columns; what a row lacks is None."""


def table_of(name: str, title: str, columns: tuple[Column, ...], rows: Iterable[Row]) -> Table:
    """A table of rows that name their values by the keys of columns."""
    keys = [column.key for column in columns]
    return Table(name, title, columns, tuple(tuple(row.get(key) for key in keys) for row in rows))


_SOURCES = (
    labelled("source"),
    labelled("place"),
    labelled("fluid"),
    Column("new_tap", "new", "flag", "Connected by this plan, not before it."),
    labelled("goes_to"),
    labelled("rate_while_on", "mass_rate", file_key="rate_while_on_kg_per_s"),
    labelled("mean", "mass_rate", "Of a steady source, into the supply.", file_key="mean_kg_per_s"),
)
_ON_AVERAGE = labelled(
    "mean",
    "mass_rate",
    "A plan at average flows knows means alone.",
    name="rate_while_on",
    file_key="rate_while_on_kg_per_s",
)


def gauged(columns: Iterable[Column], ambient: float) -> tuple[Column, ...]:
    """The columns; people see their absolute pressures over the ambient one, as gauges do."""
    return tuple(
        replace(one, ambient=ambient) if one.kind == "pressure" and one.name != "margin" else one
        for one in columns
    )


def with_column(table: Table, column: Column, values: Iterable[object]) -> Table:
    """A table with one more column, its last."""
    rows = tuple((*row, value) for row, value in zip(table.rows, values, strict=True))
    return replace(table, columns=(*table.columns, column), rows=rows)


def sources_used(site: Network, plan: Plan) -> Table:
    """Connected sources: a row a destination, and a row a shape of supply that one feeds."""
    rows: list[Row] = []
    for use in plan.sources:
        if not use.tapped:
            continue
        source = site.sources[use.name]
        whence: Row = {
            "source": use.name,
            "place": site.ground(source.place),
            "fluid": source.fluid,
            "new_tap": use.new,
        }
        for to, rate in use.collect.items():
            rows += [
                {**whence, "goes_to": destination_key(end), "rate_while_on_kg_per_s": rate * share}
                for end, share in destinations(site, plan, to).items()
            ]
        for shape, mean in use.direct.items():
            if mean > ROUNDED * sum([*use.collect.values(), *use.direct.values()]):
                rows.append({**whence, "goes_to": f"supply:{shape}", "mean_kg_per_s": mean})
        if not use.collect and not use.direct:
            rows.append(whence)
    columns = _SOURCES if plan.basis == "firm" else (*_SOURCES[:5], _ON_AVERAGE, *_SOURCES[6:])
    return table_of("sources_used", "Connected sources", columns, rows)


_STORES = (
    Column("store", "store"),
    labelled("type"),
    labelled("place"),
    labelled("holds"),
    replace(labelled("size", "mass"), towards=1),
    replace(labelled("new_size", "mass", name="new"), towards=1),
    replace(labelled("size", "energy"), towards=1),
    replace(labelled("new_size", "energy", name="new"), towards=1),
    Column("new_units", "new units", "count", "Where the store comes in whole units."),
    labelled("promised", "mass_rate", file_key="promised_kg_per_s"),
    labelled("steady_inflow", "mass_rate", file_key="steady_inflow_kg_per_s"),
)


def store_sizes(site: Network, plan: Plan) -> Table:
    """Stores and batteries: a row each; kg for fluids, J for power."""
    rows: list[Row] = [
        {
            "store": plain(use.name),
            "type": use.type,
            "place": site.ground(use.place),
            "holds": use.holds,
            "size_kg": use.size,
            "new_kg": use.new_size,
            "new_units": use.units,
            "promised_kg_per_s": sum(use.draw.values()),
            "steady_inflow_kg_per_s": use.inflow,
        }
        for use in built_stores(plan)
    ]
    rows += [
        {
            "store": battery.name,
            "type": battery.type,
            "place": battery.place,
            "holds": POWER,
            "size_j": battery.size,
            "new_j": battery.new_size,
            "new_units": battery.units,
        }
        for battery in plan.batteries
    ]
    return table_of("store_sizes", "Storage", _STORES, rows)


_MACHINES = (
    labelled("type"),
    labelled("place"),
    labelled("count", "count"),
    labelled("new", "count"),
    labelled("standing", "count"),
    Column("turning", "always running", "count"),
    Column("flat_load_units", "constant load", "number", "In units at full load."),
    Column("following_load_units", "load-following", "number", "Mean, in units at full load."),
    Column("cycled_load_units", "run on and off", "number", "Mean, in units at full load."),
    Column("burst_units", "run on bursts", "number", "Charging a battery, in units."),
    Column("receivers_for", "buffer vessels for"),
    labelled("power_out_each", "power"),
)


def machine_counts(site: Network, plan: Plan) -> Table:
    """Machines by type and place: how many are existing, how many are new, and their duty."""
    rows: list[Row] = [
        {
            "type": use.type,
            "place": site.ground(use.place),
            "count": use.count,
            "new": use.new,
            "standing": use.count - use.new,
            "turning": use.running,
            "flat_load_units": use.flat_load,
            "following_load_units": sum(use.following.values()),
            "cycled_load_units": use.cycled,
            "burst_units": sum(use.burst.values()),
            "receivers_for": "; ".join(
                f"{kg:.9g} kg {name}" for name, kg in use.buffer_vessel.items()
            ),
            "power_out_each_w": site.machines[use.type].power_out,
        }
        for use in plan.machines
    ]
    return table_of("machine_counts", "Machines", _MACHINES, rows)


_DEMANDS = (
    Column("demand", "demand"),
    labelled("place"),
    Column("wants", "wants"),
    Column("profile", "by profile", "flag", "It varies over time."),
    labelled("mean_power", "power", name="mean"),
    labelled("mean", "mass_rate", file_key="mean_kg_per_s"),
    labelled("served_share", "share"),
    Column("emitting_share", "by emitting supply", "share", "Share of the demand."),
)


def demands(site: Network, plan: Plan) -> Table:
    """Demands: how much of each is served, and how much of that with counted emissions."""
    rows: list[Row] = [
        {
            "demand": use.name,
            "place": site.demands[use.name].place or "site-wide",
            "profile": site.demands[use.name].profile is not None,
            "wants": use.wants,
            "mean_w" if use.wants == POWER else "mean_kg_per_s": use.mean,
            "served_share": use.clean_share + use.emitting_share,
            "emitting_share": use.emitting_share if use.wants == POWER else None,
        }
        for use in plan.demands
    ]
    return table_of("demands", "Demands", _DEMANDS, rows)


_MATERIALS = (
    labelled("material"),
    labelled("used", "mass"),
    labelled("stock", "mass"),
    labelled("stock_share", "share", name="used_share"),
)


def materials(plan: Plan) -> Table:
    """Materials: how much of each the plan uses, against its stock."""
    rows: list[Row] = [
        {
            "material": use.name,
            "used_kg": use.used,
            "stock_kg": math.inf if use.stock is None else use.stock,
            "used_share": use.used / use.stock if use.stock else None,
        }
        for use in plan.materials
    ]
    return table_of("materials", "Materials", _MATERIALS, rows)


_GOALS = (
    labelled("goal"),
    Column("sense", "sought", "text", "max or min."),
    labelled("unit", "text", "Of value and bound, SI."),
    labelled("value", "number"),
    labelled("bound", "number", "No plan is better, with the goals before it as planned."),
    labelled("gap", "share"),
    labelled("status"),
    Column("bound_kind", "bound by", "text", "certified, or the solver's."),
)


def goals(plan: Plan, currency: str = "") -> Table:
    """Goals in order: value, bound, gap, and why the search for each stopped."""
    rows: list[Row] = [
        {
            "goal": goal.name,
            "sense": goal.sense,
            "unit": currency if currency and goal.unit == "money" else goal.unit,
            "value": goal.value,
            "bound": goal.bound,
            "gap": goal.gap,
            "status": str(goal.status),
            "bound_kind": goal.bound_kind,
        }
        for goal in plan.goals
    ]
    return table_of("goals", "Goals, in order", _GOALS, rows)


_BILL = (
    Column("item", "item"),
    labelled("where"),
    Column("quantity", "quantity", "number", "Rounded up.", towards=1),
    labelled("unit"),
    replace(labelled("length", "length"), towards=1),
    labelled("material"),
    Column("kg", "mass, kg", "number", "Of the material, rounded up.", towards=1),
)


def bill(site: Network, plan: Plan) -> Table:
    """The bill of materials of :func:`allocator.report.bill.bill_of_materials`."""
    rows: list[Row] = [
        {
            "item": line.item,
            "where": line.where,
            "quantity": line.quantity,
            "unit": line.unit,
            "length_m": line.length,
            "material": line.material,
            "kg": line.kg,
            "money": line.money,
        }
        for line in bill_of_materials(site, plan)
    ]
    columns = (*_BILL, labelled("money", "money", currency=site.currency))
    return table_of("bill_of_materials", "Bill of materials", columns, rows)
