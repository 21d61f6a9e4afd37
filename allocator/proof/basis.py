"""The site as a plan's basis sees it: as it is (firm), or averaged over time (mean)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.site.records import Site


def averaged(site: Site, duty: Mapping[str, float]) -> Site:
    """The site on the mean basis: no time in it.

    Sources are steady at flow times duty (pumps likewise), demands are constant, machines need
    nothing at no load and have no least load, stores lose nothing.
    """
    sources = {}
    for name, source in site.sources.items():
        share = duty.get(name, 1.0)
        pump = source.pump
        if pump is not None and pump.rate is not None:
            pump = replace(pump, rate=pump.rate * share)
        sources[name] = replace(source, flow=source.flow * share, stages=(), pump=pump)
    return replace(
        site,
        sources=sources,
        demands={name: replace(d, profile=None) for name, d in site.demands.items()},
        machines={
            name: replace(m, no_load_share=0.0, least_load=0.0) for name, m in site.machines.items()
        },
        stores={
            name: replace(s, loss=0.0, charge_efficiency=1.0) for name, s in site.stores.items()
        },
    )
