"""The network that is planned on, derived from a site: capacities by bore, places by temperature.

A :class:`~allocator.site.records.Site` says what its file says, however it came to be. Whoever
plans, audits, simulates or reports calls :func:`network_of` first, so that a site read from a file
and one built or changed in Python have the same answer.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from allocator.base.errors import Fault, SiteFileError
from allocator.network.records import Network, undivided
from allocator.site.records import Site

if TYPE_CHECKING:
    from allocator.network.faults import Notes


S = TypeVar("S", bound=Site)


def network_of(site: Site) -> Network:
    """The network of a site, with capacities by bore and streams by temperature where asked for.

    A network is returned as it is. It is kept with its site; ``dataclasses.replace`` of a site
    drops it.

    Raises:
        SiteFileError: the site makes no sense, or a property that the physics needs is not known
            or not possible.
    """
    if isinstance(site, Network):
        return site
    if isinstance(site.derived, Network):
        return site.derived
    from allocator.site.by_hand import faults_of_site
    from allocator.site.plain_numbers import with_plain_numbers

    given, site = site, with_plain_numbers(site)
    if faults := faults_of_site(site):
        raise SiteFileError(faults)
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
    keep_network(given, network)
    return network


def derived(site: Site) -> tuple[Network, Notes]:
    """The network of a site, and what is wrong or odd; with faults it is of no use."""
    # Imported here, for most sites need no physics and are read in a moment.
    from allocator.network.faults import Notes

    notes, network = Notes(), undivided(site)
    if not _needs_physics(site):
        return network, notes
    from allocator.network.by_bore import with_capacities
    from allocator.network.expansion import with_streams
    from allocator.network.pressure_remarks import remarks_on_pressures
    from allocator.network.pressures import with_pressures

    network = with_capacities(network, notes)
    if not notes.faults:
        network = with_streams(network, notes)
    if not notes.faults:
        network = with_pressures(network)
        notes.remarks.extend(remarks_on_pressures(network))
    return network, notes


def keep_network(site: Site, network: Network) -> None:
    """Keeps the network that was derived from a site with it: the same at every call."""
    object.__setattr__(site, "derived", network)


def studied(site: S, **changes: Any) -> S:
    """A site or network with other records, for a study; a network is then that of no file."""
    if not isinstance(site, Network):
        return replace(site, **changes)
    return replace(site, **changes, studied=True)


def _has_pressures(site: Site) -> bool:
    """Whether some pipe has a bore, and something is given at a pressure that is known."""
    return any(pipe.bore is not None for pipe in site.pipes.values()) and (
        any(source.pressure is not None for source in site.sources.values())
        or any(store.pressure or store.max_pressure for store in site.storage.values())
        or any(machine.outlet_pressure for machine in site.machines.values())
    )


def _needs_physics(site: Site) -> bool:
    return (
        bool(site.coolers)
        or any(build.by_bore for build in site.pipes.values())
        or _has_pressures(site)
        or any(source.temperature is not None for source in site.sources.values())
    )
