"""Figures that several pictures share: means of sources, worth of a flow in watts, run flows."""

from __future__ import annotations

from dataclasses import dataclass, field

from allocator.cycles import pattern_of
from allocator.network.records import Network
from allocator.plans.records import Plan, Run
from allocator.report.capacities import Carried, capacities
from allocator.report.ways import Way, ways_of

LAYERS = ("collect", "supply", "mean")


@dataclass(frozen=True)
class PageFigures:
    """A site and a plan with what pictures look up. ``duty``: source -> share of time on."""

    site: Network
    plan: Plan
    ways: tuple[Way, ...]
    duty: dict[str, float]
    means: dict[tuple[str, str], float] = field(default_factory=dict)
    capacities: Carried = field(default_factory=dict)

    def mean_rate(self, way: Way) -> float:
        """Mean of a way, kg/s: rates of the collect layer count while their source is on."""
        if way.layer != "collect" or self.plan.basis == "mean":
            return way.rate
        return way.rate * self.duty[way.giver.partition(":")[2]]

    def run_rate(self, run: Run, layer: str) -> float:
        """kg/s in a run: with all sources on, promised on average, or both layers on average."""
        if layer == "mean":
            return self.means.get((run.route, run.fluid), 0.0)
        return sum(flow.rate for flow in run.flows if flow.layer == layer)

    def worth(self, fluid: str) -> float:
        """Lower heating value, J/kg; 0 for a fluid that does not burn."""
        return self.site.fluids[fluid].heating_value or 0.0


def figures_of(site: Network, plan: Plan) -> PageFigures:
    """The figures of a plan."""
    duty = {name: pattern_of(source.stages).duty for name, source in site.sources.items()}
    ways, most = ways_of(site, plan), capacities(site, plan)
    found = PageFigures(site, plan, ways, duty, capacities=most)
    for way in found.ways:
        for route in way.routes:
            key = (route, way.fluid)
            found.means[key] = found.means.get(key, 0.0) + found.mean_rate(way)
    return found
