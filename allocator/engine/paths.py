"""A path works wherever a site or a plan does: both are read here."""

from __future__ import annotations

import os

from allocator.network.reading import read_site
from allocator.plans.file import read_plan
from allocator.plans.records import Plan
from allocator.site.records import Site

SiteOrPath = Site | str | os.PathLike[str]
"""A site, or the path of its file."""
PlanOrPath = Plan | str | os.PathLike[str]
"""A plan, or the path of its ``plan.json`` or of the folder that holds it."""


def site_of(site: SiteOrPath) -> Site:
    """The site itself, or the one that is read from a path. Raises SiteFileError."""
    return site if isinstance(site, Site) else read_site(site)


def plan_of(plan: PlanOrPath) -> Plan:
    """The plan itself, or the one that is read from a path. Raises PlanFileError."""
    return plan if isinstance(plan, Plan) else read_plan(plan)


def path_of(site: SiteOrPath) -> str | os.PathLike[str] | None:
    """The path of a site's file, where that is how it was named."""
    return None if isinstance(site, Site) else site
