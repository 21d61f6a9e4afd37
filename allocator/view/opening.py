"""What ``allocator view`` is given: a plan's folder or a site file, read and checked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from allocator.base.errors import Fault, PlanFileError, SiteFileError
from allocator.engine.plan_folder import site_file_of
from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.plans.file import read_plan
from allocator.plans.records import Plan
from allocator.site.reading import Report
from allocator.site.records import Site
from allocator.verify.names import check_names, damage
from allocator.verify.report import Findings

PLAN_FILE = "plan.json"


@dataclass(frozen=True, slots=True)
class Opened:
    """What is looked at: a site, its plan or None, and the folder for accepted plans.

    ``report``: the site file as it was read, with its warnings. ``stamp``: of the file then.
    """

    site: Site
    plan: Plan | None
    folder: Path
    site_file: Path
    stamp: tuple[int, int]
    report: Report

    @property
    def stale(self) -> bool:
        """Whether the site file was changed since it was read."""
        return stamp_of(self.site_file) != self.stamp


def stamp_of(path: Path) -> tuple[int, int]:
    """When a file was changed last, and its size; zeros where there is none."""
    try:
        facts = path.stat()
    except OSError:
        return (0, 0)
    return (facts.st_mtime_ns, facts.st_size)


def opened(given: Path, site_file: Path | None = None) -> Opened:
    """Read the folder of a plan with its site file, or a site file alone.

    Raises:
        PlanFileError: no plan in the folder, no site file known for it, or a site file that was
            changed since the plan was made.
        SiteFileError: the site file has faults.
    """
    if not given.is_dir():
        if site_file is not None:
            problem = "is no folder of a plan, and --site is for one"
            raise _fault(given, problem, "name a folder, or leave --site out")
        if not given.exists():
            problem = "there is no such folder or file"
            raise _fault(given, problem, "name the folder that 'allocator plan ... -o DIR' wrote")
        if given.suffix == ".json":
            problem = "is a file, and 'view' needs the folder that it is in"
            raise _fault(given, problem, f"name {given.parent}")
        return _read(given, given.with_name(f"{given.stem}_plans"), None)
    if not (given / PLAN_FILE).exists():
        problem = f"is not the folder of a plan: it has no {PLAN_FILE}"
        raise _fault(given, problem, "name the folder that 'allocator plan ... -o DIR' wrote")
    plan = read_plan(given)
    found = site_file or site_file_of(given)
    if found is None:
        problem = "does not say which site file it was made from"
        raise _fault(given, problem, "name it with --site FILE")
    if not found.exists():
        problem = f"was made from {found}, which is not there"
        raise _fault(given, problem, "name the site file with --site FILE")
    return _read(found, given, plan)


def _read(site_file: Path, folder: Path, plan: Plan | None) -> Opened:
    stamp = stamp_of(site_file)
    report = check_site(site_file)
    site = report.site
    if site is None:
        raise SiteFileError(report.faults)
    if plan is not None:
        if (plan.site_name, plan.site_sha256) != (site.name, site.sha256):
            problem = f"is for another site or an older file of {plan.site_name!r} than {site_file}"
            remedy = (
                "name the site file that was planned with --site, or plan this one again: "
                f"allocator replan {site_file} {folder} -o NEW"
            )
            raise _fault(folder / PLAN_FILE, f"the plan {problem}", remedy)
        findings = Findings()
        check_names(network_of(site), plan, findings)
        if faults := damage(findings.report(), str(folder / PLAN_FILE)):
            raise PlanFileError(faults)
    return Opened(site, plan, folder, site_file, stamp, report)


def _fault(path: Path, problem: str, remedy: str) -> PlanFileError:
    return PlanFileError([Fault(str(path), 0, 0, "", problem, remedy)])
