"""A changed site planned again, with as little changed of a former plan as that allows."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import replace

from allocator.base.errors import Fault, PlanFileError
from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.engine.planning import plan_site
from allocator.engine.result import PlanResult
from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.search.outcome import Reporter
from allocator.site.records import Site


def replan(
    site: SiteOrPath,
    former: PlanOrPath,
    *,
    keep_weight: float = 0.1,
    settings: Settings | None = None,
    report: Reporter | None = None,
    executor: Executor | None = None,
) -> PlanResult:
    """Plan a site again after it changed, keeping as much of a former plan as that allows.

    First comes the most that can be served, as in any plan, which gives its bound. Then changes are
    weighed against it: a change is the mass of material in things that only one of both plans
    builds. Cost, emissions and material come after.

    Parameters
    ----------
    site
        The site as it is now, with what is built so far; or the path of its file.
    former
        The plan so far, its result, or its path.
    keep_weight
        Share of what the former plan serves that may be given up to keep all of it: with 0.1, a
        change of a tenth of its material must serve 1 % more. 0: nothing is given up.
    settings
        As of :func:`allocator.plan`.
    report
        Called with each line of progress.
    executor
        Runs the starts of the search; by default one after the other.

    Returns
    -------
    PlanResult
        The new plan; ``changes`` has what it changes.

    Raises
    ------
    SiteFileError, PlanFileError
        The site or the plan has faults, or the plan is of another site.
    NoPlanError
        No plan exists, or none was found in the time.
    ValueError
        A setting that cannot be.

    Examples
    --------
    >>> import allocator as al
    >>> former = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> again = al.replan("networks/first.yaml", former, settings=al.Settings(node_limit=1000))
    >>> len(again.changes)
    0
    """
    site, former = site_of(site), plan_of(former)
    return replan_site(site, former, settings or Settings(), keep_weight, report, executor)


def replan_site(
    site: Site,
    former: Plan,
    settings: Settings,
    keep_weight: float,
    report: Reporter | None = None,
    executor: Executor | None = None,
    file: str = "plan",
) -> PlanResult:
    """The same as :func:`replan`; ``file``: what the former plan's file is called in a fault.

    Raises:
        PlanFileError: the plan is of another site.
        NoPlanError: no plan exists, or none was found in the time.
        ValueError: a setting that cannot be.
    """
    if former.site_name != site.name:
        problem = f"the former plan is for {former.site_name!r}, and the site is {site.name!r}"
        remedy = "name a plan of an older state of this site"
        raise PlanFileError([Fault(file, 0, 0, "$.site", problem, remedy)])
    kept = replace(settings, start=former, keep=former, keep_weight=keep_weight)
    return plan_site(site, kept, report, executor)
