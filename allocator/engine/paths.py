"""A path works wherever a site or a plan does: both are read here."""

from __future__ import annotations

import os

from allocator.base.quantities import shown
from allocator.engine.result import PlanResult
from allocator.network.reading import read_site
from allocator.plans.file import read_plan
from allocator.plans.records import Plan
from allocator.site.plain_numbers import with_plain_numbers
from allocator.site.records import Site

SiteOrPath = Site | str | os.PathLike[str]
"""A site, or the path of its file."""
PlanOrPath = Plan | PlanResult | str | os.PathLike[str]
"""A plan, the result that has it, or the path of its ``plan.json`` or of the folder with it."""


def site_of(site: SiteOrPath) -> Site:
    """The site itself, or the one that is read from a path. Raises SiteFileError, TypeError."""
    if isinstance(site, Site):
        return with_plain_numbers(site)
    _check_path(site, "site", "an allocator.Site")
    return read_site(site)


def plan_of(plan: PlanOrPath) -> Plan:
    """The plan itself, or the one that is read from a path. Raises PlanFileError, TypeError."""
    if isinstance(plan, PlanResult):
        return plan.plan
    if isinstance(plan, Plan):
        return plan
    _check_path(plan, "plan", "an allocator.Plan or PlanResult")
    return read_plan(plan)


def path_of(site: SiteOrPath) -> str | os.PathLike[str] | None:
    """The path of a site's file, where that is how it was named."""
    return None if isinstance(site, Site) else site


def _check_path(value: object, name: str, record: str) -> None:
    if not isinstance(value, str | os.PathLike):
        raise TypeError(f"{name} must be {record}, or the path of its file; got {shown(value)}")
