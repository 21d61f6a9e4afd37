"""Baths beside sources in a plan: what is enough to keep their limits, and with which margin."""

from __future__ import annotations

from allocator.base.text import table
from allocator.network.records import Network, Sink
from allocator.plans.records import HeatSinkUse, Plan
from allocator.report.loads import runs_of_kind
from allocator.report.words import quantity
from allocator.thermal.sink_temperatures import HeatSinkStudy


def heat_sinks_beside(site: Network, plan: Plan) -> list[str]:
    """Each bath: the smallest set that keeps every limit, and whether it must be cooled."""
    rows = [
        (
            use.name,
            use.source,
            enough(use),
            quantity(use.high, "temperature"),
            "-" if use.outlet is None else quantity(use.outlet, "temperature"),
            f"{use.margin:.3g} K",
            cooling(site, use),
        )
        for use in plan.heat_sinks
    ]
    heads = ("heat sink", "beside", "enough", "peak", "gas leaves at", "margin", "active cooling")
    return table(heads, rows, right=(3, 4, 5)) if rows else []


def sinks_used(site: Network, plan: Plan) -> list[str]:
    """Heat sinks that a plan leads gas through: of what mass, how hot it leaves at most, steam."""
    told = {use.name: use for use in plan.heat_sinks}
    rows = []
    for run in runs_of_kind(site, plan, "sink"):
        sink, route = site.pipes[run.build].sink, site.routes[run.route]
        assert sink is not None
        assert route.stream is not None
        use = told.get(sink.heat_sink)
        pump = site.sources[site.heat_sinks[sink.heat_sink].source].pump
        bears = None if pump is None else pump.max_inlet_temperature
        rows.append(
            (
                sink.heat_sink,
                "-" if use is None else use.source,
                quantity(sink.mass, "mass"),
                "recovery" if sink.recovery else "losses alone",
                quantity(route.stream.inlet, "temperature"),
                quantity(sink.outlet, "temperature"),
                "-" if bears is None else quantity(bears, "temperature"),
                _steam(site, sink),
            )
        )
    heads = (
        "heat sink",
        "beside",
        "mass",
        "by",
        "gas comes at",
        "leaves at most",
        "pump bears",
        "steam a day",
    )
    return table(heads, rows, right=range(4, 8)) if rows else []


def _steam(site: Network, sink: Sink) -> str:
    """What boils off a heat sink a day at full flow, to be made up."""
    state = HeatSinkStudy.of(site, site.heat_sinks[sink.heat_sink]).state(sink.mass, sink.recovery)
    return quantity(state.steam * 86_400, "mass") if state.steam else "none"


def enough(use: HeatSinkUse) -> str:
    """The smallest set that keeps every limit, in words."""
    if not use.keeps:
        return "NOTHING AT HAND"
    return " + ".join(["recovery"] * use.recovery + ["cooler"] * use.cooler) or "losses alone"


def cooling(site: Network, use: HeatSinkUse) -> str:
    """Whether a bath must be cooled at all, in words."""
    if not use.keeps:
        return "see 'allocator heat-sinks'"
    cooler = site.heat_sinks[use.name].cooler
    if not use.cooler or use.cooling is None or cooler is None:
        return "not needed"
    return f"needed: {quantity(use.cooling, 'power')} of {quantity(cooler.duty, 'power')}"
