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
    """The site of a file, its oddities told on stderr. Raises SiteFileError."""
    from allocator.errors import SiteFileError
    from allocator.site.reading import check_site

    found = check_site(path)
    warn(found)
    if found.site is None:
        raise SiteFileError(found.faults)
    return found.site


def warn(found: Report) -> None:
    """Tell the oddities of a site file."""
    for warning in found.warnings:
        tell(f"warning: {warning}")


def plan_path(path: str) -> Path:
    """The plan file that is meant: a file, or the one within a plan's folder."""
    given = Path(path)
    return given / "plan.json" if given.is_dir() else given


def plan_of(path: str) -> Plan:
    """The plan of a file or folder. Raises PlanFileError."""
    from allocator.plan_file import read_plan

    return read_plan(plan_path(path))


def write_file(path: str, content: bytes) -> None:
    """Write a file whole or not at all. Raises OutputError."""
    from allocator.atomic import write_bytes
    from allocator.reporting.folder import OutputError

    try:
        write_bytes(path, content)
    except OSError as error:
        why = error.strerror or str(error)
        raise OutputError(f"cannot write {path}: {why}; the old file, if any, is kept") from error
