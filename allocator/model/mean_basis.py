"""The mean basis of a site: every source steady at its mean flow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.cycles import curve_of
from allocator.cycles.chambers import pumped
from allocator.network.records import Network, Outflow
from allocator.site.chambers import held
from allocator.site.records import Demand, MachineType


def mean_site(site: Network) -> Network:
    """The mean-basis equivalent of a site: every source steady at its mean flow."""
    sources = site.own_sources
    duty = {name: curve_of(source.stages).duty for name, source in sources.items()}
    most = {
        name: pumped(source.stages, source.flow, source.pump.rate, held(site, source))
        for name, source in sources.items()
        if source.pump is not None and source.pump.rate is not None and source.through_chamber()
    }
    return mean_equivalent(site, duty, most)


def with_all_heat(site: Network) -> Network:
    """The site with the heat of whatever passes a cooler counted, at its hottest."""
    routes = {
        name: route
        if route.recovery is None
        else replace(route, recovery=replace(route.recovery, always=True))
        for name, route in site.routes.items()
    }
    return replace(site, routes=routes)


def mean_equivalent(
    site: Network, duty: Mapping[str, float], pumped: Mapping[str, float] | None = None
) -> Network:
    """The site as if a store of any size stood everywhere.

    ``duty``: source -> share of the time that it is on; ``pumped``: most mean kg/s through the
    pump of each source that has a chamber. Every source flows for ever at its mean
    rate, every demand is constant, machines run at any load at full-load efficiency, and
    stores are left out as they would have nothing to do. Raises ``KeyError`` for a source
    without duty.
    """
    return replace(
        site,
        sources={
            name: _steady(source, duty[name], (pumped or {}).get(name))
            for name, source in site.own_sources.items()
        },
        storage={},
        machines={name: _flexible(machine) for name, machine in site.machines.items()},
        demands={name: _constant(demand) for name, demand in site.demands.items()},
        built=replace(site.built, storage={}),
    )


def _steady(source: Outflow, duty: float, pumped: float | None) -> Outflow:
    pump = source.pump
    if pump is not None:
        rate = None if pump.rate is None else pump.rate * duty if pumped is None else pumped
        pump = replace(pump, rate=rate, chamber=None)
    return replace(source, flow=source.flow * duty, stages=(), next_start=None, pump=pump)


def _flexible(machine: MachineType) -> MachineType:
    return replace(
        machine, no_load=0.0, min_load=0.0, min_up_time=0.0, min_down_time=0.0, min_burst_time=0.0
    )


def _constant(demand: Demand) -> Demand:
    return replace(demand, profile=None)
