"""Temperatures on a terminal: coolers, every run's ends, limits with their margins."""

from __future__ import annotations

from allocator.base.text import paragraph, table
from allocator.network.records import Network
from allocator.plans.records import FlowHeat, Plan
from allocator.report.loads import corridor_of, run_peak, runs_of_kind
from allocator.report.words import percent, quantity


def busiest_flows(plan: Plan) -> list[FlowHeat]:
    """Flows of the busiest state, or of the only one that a plan by means has."""
    flows = plan.heat.flows if plan.heat else ()
    busiest = [f for f in flows if f.state == "busiest"]
    return busiest or list(flows)


def coolers_placed(site: Network, plan: Plan) -> list[str]:
    """Coolers: where, between which temperatures, their duty at the busiest, their power."""
    rows: list[tuple[str, ...]] = []
    duties = {c.route: c for c in (plan.heat.coolers if plan.heat else ())}
    promised = {use.route: sum(use.power.values()) for use in plan.recoveries}
    for run in runs_of_kind(site, plan, "cooler"):
        route, stream = site.routes[run.route], site.routes[run.route].stream
        assert stream is not None
        ends = (stream.inlet, site.coolers[stream.corridor].set_point)
        cools = " > ".join(quantity(kelvin, "temperature") for kelvin in ends)
        peak = run_peak(site, run)
        use = percent(peak / site.capacity(run.route, run.build, run.fluid))
        duty = duties.get(run.route)
        heat = quantity(duty.duty, "power") if duty else ""
        back = quantity(duty.recovered, "power") if duty and duty.recovered > 0 else ""
        rows.append(
            (
                run.build,
                site.ground(route.start),
                run.fluid,
                cools,
                quantity(peak, "mass_rate"),
                use,
                heat,
                quantity(peak * route.energy, "power"),
                back,
                quantity(firm, "power") if (firm := promised.get(run.route, 0.0)) > 0 else "",
            )
        )
    heads: tuple[str, ...] = (
        "cooler",
        "place",
        "fluid",
        "cools",
        "peak",
        "of capacity",
        "duty",
        "power taken",
        "mean power recovered",
        "firm power recovered",
    )
    if not any(row[-1] or row[-2] for row in rows):
        heads, rows = heads[:-2], [row[:-2] for row in rows]
    return table(heads, rows, right=(4, 5, 6, 7, 8, 9)[: len(heads) - 4]) if rows else []


def temperatures(site: Network, plan: Plan) -> list[str]:
    """Runs with their temperatures at both flanges, at their surface, and the heat they lose."""
    pipes = {(run.route, run.fluid) for run in runs_of_kind(site, plan, "pipe")}
    rows = []
    for flow in plan.heat.flows if plan.heat else ():
        if (flow.route, flow.fluid) not in pipes:
            continue
        rows.append(
            (
                corridor_of(site.routes[flow.route]),
                flow.fluid,
                flow.state,
                quantity(flow.inlet, "temperature"),
                quantity(flow.outlet, "temperature"),
                "-" if flow.surface is None else quantity(flow.surface, "temperature"),
                quantity(flow.loss, "power"),
            )
        )
    heads = ("route", "fluid", "when", "inlet", "end", "surface", "heat lost")
    return table(heads, rows, right=(3, 4, 5, 6)) if rows else []


def limits_of_heat(plan: Plan) -> list[str]:
    """Each limit with the value and the margin."""
    rows = []
    for limit in plan.heat.limits if plan.heat else ():
        dimension = "temperature" if limit.unit == "K" else "power"
        spare = limit.most - limit.value
        margin = f"{spare:.3g} K" if limit.unit == "K" else quantity(spare, "power")
        value, most = (quantity(x, dimension) for x in (limit.value, limit.most))
        rows.append((limit.subject, limit.what, value, most, margin))
    heads = ("where", "what", "value", "limit", "margin")
    return table(heads, rows, right=(2, 3, 4)) if rows else []


def heat_notes(plan: Plan) -> list[str]:
    """What should be known of wet gas."""
    lines: list[str] = []
    for note in plan.heat.notes if plan.heat else ():
        lines += paragraph(note, bullet="* ")
    return lines
