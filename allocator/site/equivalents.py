"""Sites that stand in for a site: the same with every coming and going levelled out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.site.records import Demand, MachineType, Site, Source


def mean_equivalent(
    site: Site, duty: Mapping[str, float], pumped: Mapping[str, float] | None = None
) -> Site:
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
        stores={},
        machines={name: _flexible(machine) for name, machine in site.machines.items()},
        demands={name: _constant(demand) for name, demand in site.demands.items()},
        built=replace(site.built, stores={}),
    )


def _steady(source: Source, duty: float, pumped: float | None) -> Source:
    pump = source.pump
    if pump is not None:
        rate = None if pump.rate is None else pump.rate * duty if pumped is None else pumped
        pump = replace(pump, rate=rate, chamber=None)
    return replace(source, flow=source.flow * duty, stages=(), next_spell=None, pump=pump)


def _flexible(machine: MachineType) -> MachineType:
    return replace(
        machine, no_load_share=0.0, least_load=0.0, least_run=0.0, least_rest=0.0, least_burst=0.0
    )


def _constant(demand: Demand) -> Demand:
    return replace(demand, profile=None)
