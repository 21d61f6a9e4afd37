"""A site file -> a site whose network is known, or all that is wrong with both."""

from __future__ import annotations

from os import PathLike

from allocator.base.errors import SiteFileError
from allocator.network.deriving import derived, keep_network
from allocator.site.reading import Report, read_file
from allocator.site.records import Site
from allocator.site.table import Values


def read_site(path: str | PathLike[str]) -> Site:
    """The site of a file. Raises :class:`~allocator.base.errors.SiteFileError` with every fault."""
    report = check_site(path)
    if report.site is None:
        raise SiteFileError(report.faults)
    return report.site


def check_site(path: str | PathLike[str]) -> Report:
    """Reads and checks a site file; never raises for what the file holds.

    See :func:`allocator.site.reading.read_file`.
    """
    return read_file(path, _check_physics)


def _check_physics(site: Site, values: Values) -> None:
    """Derives the network, which is kept with the site; notes what is wrong or odd about it."""
    network, notes = derived(site)
    for fault in notes.faults:
        section: dict[str, Values] = values.get(fault.section, {})
        section[fault.name].fault_here(fault.key, fault.error.problem, fault.error.remedy)
    for remark in notes.remarks:
        section = values.get(remark.section, {})
        section[remark.name].warn("", remark.problem, remark.remedy)
    if not notes.faults:
        keep_network(site, network)
