"""The network that is planned on, derived from a site: capacities by bore, places by temperature.

A :class:`~allocator.site.records.Site` says what its file says, however it came to be. Whoever
plans, audits, simulates or reports calls :func:`network_of` first, so that a site read from a file
and one built or changed in Python have the same answer.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from allocator.base.errors import Fault, SiteFileError
from allocator.site.records import Site

if TYPE_CHECKING:
    from allocator.network.faults import Notes


def network_of(site: Site) -> Site:
    """The site with capacities by bore and streams by temperature, where anything asks for them.

    A network, or a site that needs none of both, is returned as it is. The network is kept with
    its site; ``dataclasses.replace`` of a site drops it.

    Raises:
        SiteFileError: a property that the physics needs is not known or not possible.
    """
    if site.plain is not None or not _needs_physics(site):
        return site
    if site.network is None:
        network, notes = derived(site)
        if notes.faults:
            raise SiteFileError(
                Fault(
                    f"site {site.name!r}",
                    0,
                    0,
                    f"{f.section}.{f.name}",
                    f.error.problem,
                    f.error.remedy,
                )
                for f in notes.faults
            )
        keep_network(site, network)
        return network
    return site.network


def derived(site: Site) -> tuple[Site, Notes]:
    """The network of a site, and what is wrong or odd; with faults it is of no use."""
    # Imported here, for most sites need no physics and are read in a moment.
    from allocator.network.by_bore import with_capacities
    from allocator.network.expansion import with_streams
    from allocator.network.faults import Notes

    notes = Notes()
    if site.plain is not None or not _needs_physics(site):
        return site, notes
    network = with_capacities(site, notes)
    if not notes.faults:
        network = with_streams(network, notes)
    return replace(network, plain=site), notes


def keep_network(site: Site, network: Site) -> None:
    """Keeps the network that was derived from a site with it: the same at every call."""
    if network is not site:
        object.__setattr__(site, "network", network)


def _needs_physics(site: Site) -> bool:
    return (
        bool(site.coolers)
        or any(build.by_bore for build in site.builds.values())
        or any(source.temperature is not None for source in site.sources.values())
    )
