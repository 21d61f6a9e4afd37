"""Pipes, power lines, coolers, boosters and pressures of a plan as tables."""

from __future__ import annotations

from collections.abc import Iterable

from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.capacities import capacities
from allocator.report.heat_tables import busiest_flows
from allocator.report.loads import corridor_of, line_peak, run_peak, runs_of_kind
from allocator.report.pressures import booster_ends, booster_into, pressure_ends
from allocator.report.tables import Row, gauged, table_of
from allocator.site.records import POWER

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
    labelled(
        *("capacity", "mass_rate", "By velocity, or as stated, or by pressure: the least."),
        file_key="capacity_kg_per_s",
    ),
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
    most = capacities(site, plan)
    for run in runs_of_kind(site, plan, "pipe"):
        route, capacity = site.routes[run.route], most[run.route, run.fluid]
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
            if duty is not None and cooler.loop_capacity is not None:
                units = count_of_units(run.build)
                row["coolant_loop_w_per_k"] = units * cooler.loop_capacity
                warmed = duty.duty / (units * cooler.loop_capacity)
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


_PRESSURES = (
    labelled("place"),
    labelled("fluid"),
    Column("arrives", "arrives at", "pressure", "Whatever flows."),
    Column("leaves", "leaves at", "pressure", "Into pipes and machines, behind a regulator."),
    Column("needs", "needed", "pressure", "By what is used there; else the ambient pressure."),
    labelled("margin", "pressure"),
    Column("shut_in", "shut in", "pressure", "Highest, with nothing flowing."),
    Column("rating", "rating", "pressure", "Lowest of what is attached."),
)


def pressures(site: Network, plan: Plan) -> Table:
    """Pressures at each place along lines, with their margins."""
    rows: list[Row] = [
        {
            "place": end.place,
            "fluid": end.at.fluid,
            "arrives_pa": end.at.high,
            "leaves_pa": end.at.low,
            "needs_pa": end.needs,
            "margin_pa": end.margin,
            "shut_in_pa": end.at.shut_in or None,
            "rating_pa": end.rating,
        }
        for end in pressure_ends(site, plan)
    ]
    columns = gauged(_PRESSURES, site.ambient.pressure)
    return table_of("pressures", "Pressures along lines", columns, rows)


_BOOSTERS = (
    Column("booster", "booster"),
    labelled("place"),
    labelled("fluid"),
    labelled("into"),
    labelled("new", "flag"),
    labelled("peak", "mass_rate", "The most that it moves.", name="flow", file_key="flow_kg_per_s"),
    labelled("power_at_peak", "power", name="power"),
    Column("inlet", "inlet", "pressure", "Least, at its planned flow."),
    Column("outlet", "outlet", "pressure", "With its full ratio or head above that inlet."),
    Column("outlet_shut_in", "outlet shut in", "pressure", "What is behind it must bear that."),
)


def boosters(site: Network, plan: Plan) -> Table:
    """Blowers, compressors and pumps with their duty and the pressures on both sides."""
    rows: list[Row] = []
    for use in plan.boosters:
        ends = booster_ends(site, plan, use)
        rows.append(
            {
                "booster": use.booster,
                "place": site.ground(use.start),
                "fluid": use.fluid,
                "into": booster_into(site, use),
                "new": use.new,
                "flow_kg_per_s": use.flow,
                "power_w": use.power,
                "inlet_pa": ends.inlet or None,
                "outlet_pa": ends.outlet or None,
                "outlet_shut_in_pa": ends.outlet_shut_in or None,
            }
        )
    columns = gauged(_BOOSTERS, site.ambient.pressure)
    return table_of("boosters", "Boosters", columns, rows)
