"""A site file -> a site whose network is known, or all that is wrong with both."""

from __future__ import annotations

from os import PathLike

from allocator.base.errors import SiteFileError
from allocator.network.deriving import derived, keep_network
from allocator.site.reading import Report, read_file
from allocator.site.records import Site
from allocator.site.table import Values


def read_site(path: str | PathLike[str]) -> Site:
    """Read a site file.

    Parameters
    ----------
    path
        Of the file; ``networks/README.md`` lists its keys.

    Returns
    -------
    Site
        What the file says, in SI.

    Raises
    ------
    SiteFileError
        With every fault of the file, each with its line, column and what to do.

    Examples
    --------
    >>> import allocator as al
    >>> site = al.read_site("networks/first.yaml")
    >>> site.sources["digester"].flow
    0.012
    """
    report = check_site(path)
    if report.site is None:
        raise SiteFileError(report.faults)
    return report.site


def check_site(path: str | PathLike[str], content: bytes | None = None) -> Report:
    """Read and check a site file; never raises for what the file holds.

    Parameters
    ----------
    path
        Of the file.
    content
        What to read in place of the file, which need not be there.

    Returns
    -------
    Report
        ``site`` (None where there are ``faults``), ``faults`` and ``warnings``, each with its
        line, column and what to do.

    Examples
    --------
    >>> import allocator as al
    >>> report = al.check_site("networks/first.yaml")
    >>> report.site.name, report.faults, report.warnings
    ('First site', (), ())
    """
    return read_file(path, _check_physics, content)


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
