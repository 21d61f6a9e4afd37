"""A plan audited, and a plan of a file as a result."""

from __future__ import annotations

from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.engine.result import PlanResult
from allocator.verify import AuditReport
from allocator.verify import audit as audit_plan


def audit(site: SiteOrPath, plan: PlanOrPath) -> AuditReport:
    """Check every claim of a plan against its site, without a solver.

    Parameters
    ----------
    site, plan
        The site and the plan, or the paths of their files.

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


def read_result(site: SiteOrPath, plan: PlanOrPath) -> PlanResult:
    """A plan that was made before as a result, with its tables: read and audited.

    Parameters
    ----------
    site, plan
        The site and the plan, or the paths of their files.

    Returns
    -------
    PlanResult
        Without ``outcome`` and ``simulation``, which no plan file holds.

    Raises
    ------
    SiteFileError, PlanFileError
        As :func:`audit`.

    Examples
    --------
    >>> import allocator as al, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     al.plan("networks/first.yaml", node_limit=1000).save(folder)
    ...     result = al.read_result("networks/first.yaml", folder)
    >>> result.audit.accepted, round(result.bound)
    (True, 13374)
    """
    site, plan = site_of(site), plan_of(plan)
    return PlanResult(site, plan, audit_plan(site, plan))
