"""The mean basis of a site: every source steady at its mean flow."""

from __future__ import annotations

from dataclasses import replace

from allocator.cycles import curve_of
from allocator.cycles.chambers import pumped
from allocator.site.chambers import held
from allocator.site.equivalents import mean_equivalent
from allocator.site.records import Site


def mean_site(site: Site) -> Site:
    """The mean-basis equivalent of a site: every source steady at its mean flow."""
    sources = site.own_sources
    duty = {name: curve_of(source.stages).duty for name, source in sources.items()}
    most = {
        name: pumped(source.stages, source.flow, source.pump.rate, held(site, source))
        for name, source in sources.items()
        if source.pump is not None and source.pump.rate is not None and source.through_chamber()
    }
    return mean_equivalent(site, duty, most)


def with_all_heat(site: Site) -> Site:
    """The site with the heat of whatever passes a cooler counted, at its hottest."""
    routes = {
        name: route
        if route.recovery is None
        else replace(route, recovery=replace(route.recovery, always=True))
        for name, route in site.routes.items()
    }
    return replace(site, routes=routes)
