"""The site and the plan that a command names, read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from allocator.commands.terminal import tell

if TYPE_CHECKING:
    from allocator.plan import Plan
    from allocator.site.reading import Report
    from allocator.site.records import Site


def site_of(path: str) -> Site:
    """The network of a site file, its oddities told on stderr. Raises SiteFileError."""
    from allocator.errors import SiteFileError
    from allocator.site.network import network_of
    from allocator.site.reading import check_site

    found = check_site(path)
    warn(found)
    if found.site is None:
        raise SiteFileError(found.faults)
    return network_of(found.site)


def warn(found: Report) -> None:
    """Tell the oddities of a site file."""
    for warning in found.warnings:
        tell(f"warning: {warning}")


def plan_path(path: str) -> Path:
    """The plan file that is meant: a file, or the one within a plan's folder."""
    given = Path(path)
    return given / "plan.json" if given.is_dir() else given


def plan_of(path: str) -> Plan:
    """The plan of a file or folder. Raises PlanFileError.

    Warns where its folder holds files of different runs.
    """
    from allocator.folders import mixed_files
    from allocator.plan_file import read_plan

    file = plan_path(path)
    plan = read_plan(file)
    if mixed := mixed_files(file.parent):
        tell(
            f"warning: {file.parent}: changed since they were written, or of different runs: "
            f"{', '.join(mixed)}"
        )
    return plan
