"""The parts of a plan as tables: SI values, a column a fact, a head that explains itself."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.bill import bill_of_materials
from allocator.report.heat import busiest_flows
from allocator.report.loads import corridor_of, line_peak, run_peak, runs_of_kind
from allocator.report.pressures import booster_into, pressure_ends
from allocator.report.words import destination_key, plain
from allocator.site.records import POWER

Row = Mapping[str, object]
"""Values by the keys of their columns; what a row lacks is None."""


def table_of(name: str, title: str, columns: tuple[Column, ...], rows: Iterable[Row]) -> Table:
    """A table of rows that name their values by the keys of columns."""
    keys = [column.key for column in columns]
    return Table(name, title, columns, tuple(tuple(row.get(key) for key in keys) for row in rows))


def _flow(name: str, head: str, about: str = "") -> Column:
    """A column of kg/s, with the key that files have had for it."""
    return Column(name, head, "mass_rate", about, f"{name}_kg_per_s")


_SOURCES = (
    labelled("source"),
    labelled("place"),
    labelled("fluid"),
    Column("new_tap", "new", "flag", "Connected by this plan, not before it."),
    labelled("goes_to"),
    labelled(
        "rate_while_on",
        "mass_rate",
        file_key="rate_while_on_kg_per_s",
    ),
    labelled(
        "mean",
        "mass_rate",
        "Mean flow of a steady source into the supply.",
        file_key="mean_kg_per_s",
    ),
)


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
            rows.append({**whence, "goes_to": destination_key(to), "rate_while_on_kg_per_s": rate})
        for shape, mean in use.direct.items():
            rows.append({**whence, "goes_to": f"supply:{shape}", "mean_kg_per_s": mean})
        if not use.collect and not use.direct:
            rows.append(whence)
    return table_of("sources_used", "Connected sources", _SOURCES, rows)


_STORES = (
    Column("store", "store"),
    labelled("type"),
    labelled("place"),
    labelled("holds"),
    labelled("size", "mass"),
    labelled("new_size", "mass", name="new"),
    labelled("size", "energy"),
    labelled("new_size", "energy", name="new"),
    Column("new_units", "new units", "count", "Where the store comes in whole units."),
    labelled("promised", "mass_rate", file_key="promised_kg_per_s"),
    _flow("steady_inflow", "steady inflow", "From steady sources."),
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
        for use in plan.stores
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


_NAME = Column("name", "name")
_ENDS = (labelled("start"), labelled("end"))
_NEW = labelled("new", "flag", "Laid by this plan; otherwise existing.")
_LENGTH = labelled("length", "length")
_USED = labelled("used_share", "share")
_PIPE_ENDS = (
    Column("planned_inlet_temperature", "inlet at most", "temperature", "Planned upper bound."),
    Column("planned_end_temperature", "end at most", "temperature", "Planned upper bound."),
)
_PIPE_LOAD = (
    labelled("peak", "mass_rate", file_key="peak_kg_per_s"),
    labelled("capacity", "mass_rate", file_key="capacity_kg_per_s"),
)
_PIPE_HEAT = (
    labelled("heat_loss", "power", "In the busiest state."),
    labelled("surface_temperature", "temperature", "Hottest, in the busiest state."),
    labelled("end_temperature", "temperature", "In the busiest state."),
)
_LINE_LOAD = (
    labelled("peak_power", "power", "The most that is sent at any time.", name="peak"),
    labelled("capacity", "power"),
)
_BUILD = (labelled("build"), labelled("carries"))
_PIPES = (_NAME, *_ENDS, *_BUILD, _NEW, _LENGTH, *_PIPE_ENDS, *_PIPE_LOAD, _USED, *_PIPE_HEAT)
_LINES = (_NAME, *_ENDS, _NEW, _LENGTH, *_LINE_LOAD, _USED)
_RUNS = (
    labelled("kind"),
    *(_NAME, *_ENDS, *_BUILD, _NEW, _LENGTH, *_PIPE_ENDS),
    *(*_PIPE_LOAD, *_LINE_LOAD, _USED, *_PIPE_HEAT),
)


def pipes(site: Network, plan: Plan) -> Table:
    """Pipes, with the most that each carries against its capacity, and its heat."""
    return table_of("pipes", "Pipes", _PIPES, _pipe_rows(site, plan))


def power_lines(site: Network, plan: Plan) -> Table:
    """Power lines, with the most that each carries against its capacity."""
    return table_of("power_lines", "Power lines", _LINES, _line_rows(site, plan))


def runs(site: Network, plan: Plan) -> Table:
    """Pipes and power lines in one table."""
    rows = [*_pipe_rows(site, plan), *_line_rows(site, plan)]
    return table_of("runs", "Pipes and power lines", _RUNS, rows)


def _pipe_rows(site: Network, plan: Plan) -> Iterable[Row]:
    for run in runs_of_kind(site, plan, "pipe"):
        route, capacity = site.routes[run.route], site.capacity(run.route, run.build, run.fluid)
        peak = run_peak(site, run)
        yield {
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


def _line_rows(site: Network, plan: Plan) -> Iterable[Row]:
    for use in plan.lines:
        line = site.power_lines[use.name]
        sent = line_peak(site, use)
        yield {
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


_COOLERS = (
    Column("cooler", "cooler"),
    Column("units", "units"),
    labelled("place"),
    labelled("fluid"),
    labelled("new", "flag"),
    Column("hottest_inlet_temperature", "inlet at most", "temperature"),
    labelled("set_point", "temperature"),
    labelled("peak", "mass_rate", file_key="peak_kg_per_s"),
    labelled("capacity", "mass_rate", file_key="capacity_kg_per_s"),
    Column("duty", "duty", "power", "Heat taken away in the busiest state."),
    Column("power", "power taken", "power", "By its pumps and fans, in the busiest state."),
    Column("mean_duty", "mean duty", "power"),
    Column("recovered_mean", "mean power recovered", "power"),
    Column("recovered_promised", "firm power recovered", "power"),
    Column("coolant_comes", "coolant in", "temperature"),
    Column("coolant_leaves", "coolant out", "temperature"),
    Column("coolant_loop", "coolant loop", "conductance", "Mass rate times specific heat."),
)


def coolers(site: Network, plan: Plan) -> Table:
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
    return table_of("coolers", "Coolers", _COOLERS, rows)


def count_of_units(build: str) -> int:
    """Units in a build of a cooler: the number that its name ends in."""
    return int(build.rstrip("'").rpartition(" x ")[2])


_HEAT = (
    Column("subject", "where"),
    Column("limit", "what"),
    labelled("unit", "text", "K or W, of the three values."),
    Column("value", "value", "number", "What the plan reaches."),
    Column("most", "limit", "number"),
    labelled("margin", "number"),
)


def heat_limits(plan: Plan) -> Table:
    """Limits of temperature (K) and heat (W): what the plan reaches, and the margin."""
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
    return table_of("heat_limits", "Limits of temperature and heat", _HEAT, rows)


_PRESSURES = (
    Column("place", "place"),
    Column("fluid", "fluid"),
    Column("arrives", "arrives at", "pressure", "Absolute, whatever flows."),
    Column("leaves", "leaves at", "pressure", "Into pipes and machines, behind a regulator."),
    Column("needs", "needed", "pressure", "By what is used there; else the ambient pressure."),
    Column("margin", "margin", "pressure"),
    Column("shut_in", "shut in", "pressure", "Highest, with nothing flowing."),
    Column("rating", "rating", "pressure", "Lowest of what is attached."),
)


def pressures(site: Network, plan: Plan) -> Table:
    """Pressures at each place along lines, with their margins."""
    keys = [column.key for column in _PRESSURES]
    rows: list[Row] = [
        dict(
            zip(
                keys,
                (
                    end.place,
                    end.at.fluid,
                    end.at.high,
                    end.at.low,
                    end.needs,
                    end.margin,
                    end.at.shut_in,
                    end.rating,
                ),
                strict=True,
            )
        )
        for end in pressure_ends(site, plan)
    ]
    return table_of("pressures", "Pressures along lines", _PRESSURES, rows)


_BOOSTERS = (
    Column("booster", "booster"),
    Column("place", "place"),
    Column("fluid", "fluid"),
    Column("into", "into", "text", "The route into whose pipe it blows, or the store."),
    Column("new", "new", "flag"),
    _flow("flow", "flow", "The most that it moves."),
    Column("power", "power", "power", "Drawn at that flow."),
)


def boosters(site: Network, plan: Plan) -> Table:
    """Blowers, compressors and pumps with their duty."""
    rows: list[Row] = [
        {
            "booster": use.booster,
            "place": site.ground(use.start),
            "fluid": use.fluid,
            "into": booster_into(site, use),
            "new": use.new,
            "flow_kg_per_s": use.flow,
            "power_w": use.power,
        }
        for use in plan.boosters
    ]
    return table_of("boosters", "Boosters", _BOOSTERS, rows)


_SINKS = (
    labelled("bath"),
    labelled("source"),
    labelled("recovery", "flag"),
    Column("cooler", "cooler", "flag", "With the cooler that could be added."),
    labelled("keeps", "flag"),
    labelled("peak_temperature", "temperature", name="hottest"),
    labelled("gas_leaves_at", "temperature"),
    labelled("margin", "temperature_difference", "Below what it bears."),
    Column("least_cooling", "cooling at least", "power"),
    labelled("mass", "mass"),
    Column("cools_its_gas", "cools its gas", "flag", "The plan leads the gas through it."),
    labelled("gas_leaves_at_most", "temperature"),
)


def heat_sinks(plan: Plan) -> Table:
    """Heat sinks: the set that keeps every limit, and whether it does."""
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
        for use in plan.heat_sinks
    ]
    return table_of("baths", "Heat sinks", _SINKS, rows)


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
    Column("goal", "goal"),
    Column("sense", "sought", "text", "max or min."),
    labelled("unit", "text", "Of value and bound, SI."),
    Column("value", "value", "number"),
    Column("bound", "bound", "number", "Limit under any control."),
    labelled("gap", "share"),
    labelled("status"),
    Column("bound_kind", "bound by", "text", "certified, or the solver's."),
)


def goals(plan: Plan) -> Table:
    """Goals in order: value, bound, gap, and why the search for each stopped."""
    rows: list[Row] = [
        {
            "goal": goal.name,
            "sense": goal.sense,
            "unit": goal.unit,
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
    Column("quantity", "quantity", "number"),
    labelled("unit"),
    labelled("length", "length"),
    labelled("material"),
    Column("kg", "mass, kg", "number", "Of the material."),
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
