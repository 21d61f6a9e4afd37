"""A plan audited, and a plan of a file as a result."""

from __future__ import annotations

import os
from pathlib import Path

from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.engine.plan_folder import site_file_of
from allocator.engine.result import PlanResult
from allocator.verify import AuditReport
from allocator.verify import audit as audit_plan


def audit(site: SiteOrPath, plan: PlanOrPath) -> AuditReport:
    """Check every claim of a plan against its site, without a solver.

    Parameters
    ----------
    site, plan
        The site and the plan (a result has one), or the paths of their files.

    Returns
    -------
    AuditReport
        ``accepted`` is true where no rule is broken; ``breaches`` says which are, by how much.

    Raises
    ------
    SiteFileError
        The site file has faults.
    PlanFileError
        The plan file has faults, or the plan is for another site or of another version's rules.

    Examples
    --------
    >>> import allocator as al
    >>> from dataclasses import replace
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> al.audit("networks/first.yaml", plan).accepted
    True
    >>> al.audit("networks/first.yaml", replace(plan, money=0.0)).rules
    ('money_reported',)
    """
    return audit_plan(site_of(site), plan_of(plan))


def read_result(site: SiteOrPath, plan: PlanOrPath | None = None) -> PlanResult:
    """A plan that was made before as a result, with its tables: read and audited.

    Parameters
    ----------
    site, plan
        The site and the plan, or the paths of their files. One path alone is that of a plan's
        folder whose ``run.json`` names the site file, as the command's does.

    Returns
    -------
    PlanResult
        Without ``outcome`` and ``simulation``, which no plan file holds.

    Raises
    ------
    SiteFileError, PlanFileError
        As :func:`audit`.
    ValueError
        A folder alone that names no site file.

    Examples
    --------
    >>> import allocator as al, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     al.plan("networks/first.yaml", node_limit=1000).save(folder)
    ...     result = al.read_result("networks/first.yaml", folder)
    >>> result.audit.accepted, round(result.bound)
    (True, 13374)
    """
    if plan is None:
        site, plan = _site_of_folder(site), _path_of_folder(site)
    site, plan = site_of(site), plan_of(plan)
    return PlanResult(site, plan, audit_plan(site, plan))


def _path_of_folder(folder: SiteOrPath) -> str | os.PathLike[str]:
    if isinstance(folder, str | os.PathLike):
        return folder
    raise TypeError("read_result: give a site and a plan, or the folder of a plan alone")


def _site_of_folder(folder: SiteOrPath) -> Path:
    """The site file that the folder of a plan names."""
    path = Path(_path_of_folder(folder))
    file = site_file_of(path if path.is_dir() else path.parent)
    if file is None:
        raise ValueError(
            f"{path}: no run.json there names a site file; give both, "
            "al.read_result(site, plan), or save with site_file="
        )
    return file
