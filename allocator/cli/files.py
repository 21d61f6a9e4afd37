"""The site and the plan that a command names, read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.terminal import tell

if TYPE_CHECKING:
    from allocator.network.records import Network
    from allocator.plans.records import Plan
    from allocator.site.reading import Report
    from allocator.site.records import Site


def site_of(path: str) -> Network:
    """The network of a site file, its warnings printed on stderr. Raises SiteFileError."""
    from allocator.base.errors import SiteFileError
    from allocator.network.deriving import network_of
    from allocator.network.reading import check_site

    found = check_site(path)
    warn(found)
    if found.site is None:
        raise SiteFileError(found.faults)
    return network_of(found.site)


def note_first_run(site: Site) -> None:
    """Tell somebody who is about to wait for a plan that the search has yet to be compiled."""
    from allocator.search.paths.warming import first_run_note
    from allocator.search.strategy.budgets import CANDIDATES

    if len(site.sources) >= CANDIDATES.sources and (note := first_run_note()):
        tell(f"note: {note}")


def warn(found: Report) -> None:
    """Print the warnings of a site file."""
    from allocator.base.errors import fault_lines

    for line in fault_lines(found.warnings, "warning"):
        tell(f"warning: {line}")


def plan_path(path: str) -> Path:
    """The plan file that is meant: a file, or the one within a plan's folder."""
    given = Path(path)
    return given / "plan.json" if given.is_dir() else given


def plan_of(path: str) -> Plan:
    """The plan of a file or folder. Raises PlanFileError.

    Warns where its folder holds files of different runs.
    """
    from allocator.base.folders import mixed_files
    from allocator.plans.file import read_plan

    file = plan_path(path)
    plan = read_plan(file)
    if mixed := mixed_files(file.parent):
        tell(
            f"warning: {file.parent}: changed since they were written, or of different runs: "
            f"{', '.join(mixed)}"
        )
    return plan


def plan_for(site: Site, path: str, *, older: bool = False) -> Plan:
    """The plan of a file or folder for a site, with names that the site knows.

    ``older``: allow one that was made by another version, where its names are known.

    Raises:
        PlanFileError: a damaged file, each fault with its place in it; another site; another
            version.
    """
    from allocator.base.errors import Fault, PlanFileError
    from allocator.network.deriving import network_of
    from allocator.plans.file import other_version
    from allocator.plans.records import RULES
    from allocator.verify.names import check_names, damage
    from allocator.verify.report import Findings

    plan, file = plan_of(path), str(plan_path(path))
    if plan.rules != RULES and not older:
        raise other_version(plan.rules, file)
    if (plan.site_name, plan.site_sha256) != (site.name, site.sha256):
        problem = f"the plan is for another site or an older file of {plan.site_name!r}"
        remedy = "name the site file that was planned, or plan this one"
        raise PlanFileError([Fault(file, 0, 0, "$.site", problem, remedy)])
    findings = Findings()
    check_names(network_of(site), plan, findings)
    faults = damage(findings.report(), file)
    if faults and plan.rules != RULES:
        raise other_version(plan.rules, file)
    if faults:
        raise PlanFileError(faults)
    return plan


@contextmanager
def told_of(path: str) -> Iterator[None]:
    """Faults of a plan within are told with the name of its file."""
    from allocator.base.errors import PlanFileError

    try:
        yield
    except PlanFileError as error:
        file = str(plan_path(path))
        raise PlanFileError(
            replace(fault, file=file) if fault.file == "plan" else fault for fault in error.faults
        ) from None
