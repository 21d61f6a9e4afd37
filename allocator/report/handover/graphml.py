"""The plan as GraphML: places are nodes, runs and power lines are edges along their flow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.loads import corridor_of, line_peak, run_ends, run_peak, runs_of_kind
from allocator.report.passing import built_stores
from allocator.report.words import count
from allocator.site.records import POWER

if TYPE_CHECKING:
    import networkx


def plan_graph(site: Network, plan: Plan) -> networkx.MultiDiGraph[Any]:
    """Nodes carry ``x``, ``y``, ``elevation`` in m and what is there; edges what they carry."""
    import networkx

    graph: networkx.MultiDiGraph[Any] = networkx.MultiDiGraph()
    for place in site.places.values():
        if place.part_of:
            continue
        tapped = [
            use.name
            for use in plan.sources
            if use.tapped
            and not use.from_chamber
            and site.ground(site.sources[use.name].place) == place.name
        ]
        stores = [u.type for u in built_stores(plan) if site.ground(u.place) == place.name]
        stores += [u.type for u in plan.batteries if u.place == place.name]
        machines = [
            f"{count(u.count)} {u.type}"
            for u in plan.machines
            if u.count > 0 and site.ground(u.place) == place.name
        ]
        graph.add_node(
            _plain(place.name),
            x=place.x,
            y=place.y,
            elevation=place.elevation,
            tapped=_plain("; ".join(tapped)),
            stores=_plain("; ".join(stores)),
            machines=_plain("; ".join(machines)),
        )
    for run in runs_of_kind(site, plan, "pipe"):
        start, end = (site.ground(place) for place in run_ends(site, run))
        graph.add_edge(
            _plain(start),
            _plain(end),
            kind="run",
            name=_plain(corridor_of(site.routes[run.route])),
            build=_plain(run.build),
            carries=_plain(run.fluid),
            new=run.new,
            length_m=site.routes[run.route].length,
            peak_kg_per_s=run_peak(site, run),
            peak_w=0.0,
        )
    for use in plan.lines:
        line = site.power_lines[use.name]
        graph.add_edge(
            _plain(line.start),
            _plain(line.end),
            kind="line",
            name=_plain(use.name),
            build="",
            carries=POWER,
            new=use.new,
            length_m=line.length,
            peak_kg_per_s=0.0,
            peak_w=line_peak(site, use),
        )
    return graph


def plan_graphml(site: Network, plan: Plan) -> str:
    """The graph as GraphML text."""
    import networkx

    return "\n".join(networkx.generate_graphml(plan_graph(site, plan))) + "\n"


def _plain(text: str) -> str:
    """Text without what XML cannot hold."""
    return "".join(c if c.isprintable() else " " for c in text)
