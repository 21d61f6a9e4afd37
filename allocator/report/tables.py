"""The plan as tables: one pandas frame a question, units in the column names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from allocator.base.spreadsheet_cells import inert
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.bill import bill_of_materials
from allocator.report.heat import busiest_flows
from allocator.report.loads import corridor_of, line_peak, run_peak, runs_of_kind
from allocator.report.words import destination_key, plain
from allocator.site.records import POWER

Row = Mapping[str, object]


def sources_used(site: Network, plan: Plan) -> pd.DataFrame:
    """What is tapped and where it goes: a row a destination (rate while the source is on, kg/s)

    and a row a shape that a steady source feeds straight into the supply (mean kg/s)."""
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
            rows.append({**whence, "goes_to": destination_key(to), "rate_while_on_kg_per_s": rate})
        for shape, mean in use.direct.items():
            rows.append({**whence, "goes_to": f"supply:{shape}", "mean_kg_per_s": mean})
        if not use.collect and not use.direct:
            rows.append(whence)
    columns = "source place fluid new_tap goes_to rate_while_on_kg_per_s mean_kg_per_s"
    return frame(columns, rows)


def store_sizes(site: Network, plan: Plan) -> pd.DataFrame:
    """Stores and batteries: a row each; kg for fluids, J for power."""
    rows: list[Row] = []
    for use in plan.stores:
        rows.append(
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
        )
    for battery in plan.batteries:
        rows.append(
            {
                "store": battery.name,
                "type": battery.type,
                "place": battery.place,
                "holds": POWER,
                "size_j": battery.size,
                "new_j": battery.new_size,
                "new_units": battery.units,
            }
        )
    columns = (
        "store type place holds size_kg new_kg size_j new_j new_units"
        " promised_kg_per_s steady_inflow_kg_per_s"
    )
    return frame(columns, rows)


def runs(site: Network, plan: Plan) -> pd.DataFrame:
    """Pipes and power lines: a row each, with the busiest moment against the capacity."""
    rows: list[Row] = []
    for run in runs_of_kind(site, plan, "pipe"):
        route, capacity = site.routes[run.route], site.capacity(run.route, run.build, run.fluid)
        peak = run_peak(site, run)
        rows.append(
            {
                "kind": "pipe",
                "name": corridor_of(route),
                "start": site.ground(route.start),
                "end": site.ground(route.end),
                "build": run.build,
                "carries": run.fluid,
                "new": run.new,
                "length_m": route.length,
                "planned_inlet_temperature_k": route.stream.inlet if route.stream else None,
                "planned_end_temperature_k": route.stream.outlet if route.stream else None,
                "peak_kg_per_s": peak,
                "capacity_kg_per_s": capacity,
                "used_share": peak / capacity,
                **_heat_of_run(plan, run),
            }
        )
    for use in plan.lines:
        line = site.power_lines[use.name]
        sent = line_peak(site, use)
        rows.append(
            {
                "kind": "line",
                "name": use.name,
                "start": line.start,
                "end": line.end,
                "carries": POWER,
                "new": use.new,
                "length_m": line.length,
                "peak_w": sent,
                "capacity_w": line.capacity,
                "used_share": sent / line.capacity,
            }
        )
    columns = (
        "kind name start end build carries new length_m"
        " planned_inlet_temperature_k planned_end_temperature_k"
        " peak_kg_per_s capacity_kg_per_s peak_w capacity_w used_share"
        " heat_loss_w surface_temperature_k end_temperature_k"
    )
    return frame(columns, rows)


def _heat_of_run(plan: Plan, run: Run) -> Row:
    """Heat of a run in the busiest state: the hotter end where it flows both ways."""
    mine = [f for f in busiest_flows(plan) if (f.route, f.fluid) == (run.route, run.fluid)]
    if not mine:
        return {}
    hottest = max(mine, key=lambda f: f.inlet)
    return {
        "heat_loss_w": sum(f.loss for f in mine),
        "surface_temperature_k": hottest.surface,
        "end_temperature_k": hottest.outlet,
    }


def coolers(site: Network, plan: Plan) -> pd.DataFrame:
    """Coolers: units, between which temperatures, and their duty at the busiest moment."""
    rows: list[Row] = []
    duties = {c.route: c for c in (plan.heat.coolers if plan.heat else ())}
    promised = {use.route: sum(use.power.values()) for use in plan.recoveries}
    for run in runs_of_kind(site, plan, "cooler"):
        route, stream = site.routes[run.route], site.routes[run.route].stream
        assert stream is not None
        duty = duties.get(run.route)
        row: dict[str, object] = {
            "cooler": stream.corridor,
            "units": run.build,
            "place": site.ground(route.start),
            "fluid": run.fluid,
            "new": run.new,
            "hottest_inlet_temperature_k": stream.inlet,
            "set_point_k": site.coolers[stream.corridor].set_point,
            "peak_kg_per_s": run_peak(site, run),
            "capacity_kg_per_s": site.capacity(run.route, run.build, run.fluid),
        }
        cooler = site.coolers[stream.corridor]
        if cooler.coolant is not None:
            row["coolant_comes_k"] = cooler.coolant
            if duty is not None and cooler.coolant_capacity is not None:
                units = count_of_units(run.build)
                row["coolant_loop_w_per_k"] = units * cooler.coolant_capacity
                warmed = duty.duty / (units * cooler.coolant_capacity)
                row["coolant_leaves_k"] = cooler.coolant + warmed
        if duty is not None:
            row |= {
                "duty_w": duty.duty,
                "power_w": duty.power,
                "mean_duty_w": duty.mean_duty,
                "recovered_mean_w": duty.recovered,
                "recovered_promised_w": promised.get(run.route, 0.0),
            }
        rows.append(row)
    columns = (
        "cooler units place fluid new hottest_inlet_temperature_k set_point_k peak_kg_per_s"
        " capacity_kg_per_s duty_w power_w mean_duty_w recovered_mean_w recovered_promised_w"
        " coolant_comes_k coolant_leaves_k coolant_loop_w_per_k"
    )
    return frame(columns, rows)


def count_of_units(build: str) -> int:
    """Units in a build of a cooler: the number that its name ends in."""
    return int(build.rstrip("'").rpartition(" x ")[2])


def heat_limits(plan: Plan) -> pd.DataFrame:
    """Limits of temperature (K) and heat (W): what the plan comes to, and the margin."""
    limits = plan.heat.limits if plan.heat else ()
    rows: list[Row] = [
        {
            "subject": limit.subject,
            "limit": limit.what,
            "unit": limit.unit,
            "value": limit.value,
            "most": limit.most,
            "margin": limit.most - limit.value,
        }
        for limit in limits
    ]
    return frame("subject limit unit value most margin", rows)


def baths(plan: Plan) -> pd.DataFrame:
    """Baths: the set that keeps every limit; ``keeps``: whether it does.

    ``cools_its_gas``: the plan leads its source's gas through it.
    """
    rows: list[Row] = [
        {
            "bath": use.name,
            "source": use.source,
            "recovery": use.recovery,
            "cooler": use.cooler,
            "keeps": use.keeps,
            "hottest_k": use.high,
            "gas_leaves_at_k": use.outlet,
            "margin_k": use.margin,
            "least_cooling_w": use.cooling,
            "mass_kg": use.mass,
            "cools_its_gas": use.used,
            "gas_leaves_at_most_k": use.guaranteed,
        }
        for use in plan.baths
    ]
    columns = (
        "bath source recovery cooler keeps hottest_k gas_leaves_at_k margin_k least_cooling_w"
        " mass_kg cools_its_gas gas_leaves_at_most_k"
    )
    return frame(columns, rows)


def machine_counts(site: Network, plan: Plan) -> pd.DataFrame:
    """Machines by type and place: how many stand, how many are new, and how they are worked."""
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
            "receivers_for": "; ".join(f"{kg:.9g} kg {name}" for name, kg in use.receiver.items()),
            "power_out_each_w": site.machines[use.type].power_out,
        }
        for use in plan.machines
    ]
    columns = (
        "type place count new standing turning flat_load_units following_load_units"
        " cycled_load_units burst_units receivers_for power_out_each_w"
    )
    return frame(columns, rows)


def bill(site: Network, plan: Plan) -> pd.DataFrame:
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
    return frame("item where quantity unit length_m material kg money", rows)


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV: nine significant figures, empty where a fact is absent, ``\\n`` line ends.

    Text that a spreadsheet would run as a formula is led by an apostrophe.
    """
    # a frame of text: pandas would turn a column of whole numbers and gaps into floats
    guarded = pd.DataFrame(
        {_guarded(name): [_guarded(cell) for cell in cells] for name, cells in table.items()},
        dtype=object,
    )
    text: str = guarded.to_csv(index=False, lineterminator="\n")
    return text


def frame(columns: str, rows: Sequence[Row]) -> pd.DataFrame:
    """Rows under columns (names with spaces between); what a row lacks is None."""
    # Object columns keep whole numbers whole beside absent ones; what is absent stays None.
    names = columns.split()
    cells = [[row.get(name) for name in names] for row in rows]
    return pd.DataFrame(cells, columns=names, dtype=object)


def _guarded(cell: object) -> object:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return f"{cell:.9g}"
    return inert(cell) if isinstance(cell, str) else cell
