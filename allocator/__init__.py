"""Plans an isolated site fed by sources that come and go, and proves the plan.

The names below are the public face. Each is imported when it is first used, so that
``import allocator`` costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import os

    from allocator.base.errors import AllocatorError, PlanFileError, SiteFileError
    from allocator.base.quantities import format_quantity, parse_quantity
    from allocator.cycles import curve_of
    from allocator.engine import NoPlanError, Planned, plan_site
    from allocator.engine import simulate_plan as simulate
    from allocator.engine import write_plan_files as write_plan
    from allocator.network.cautions import cautions_for
    from allocator.network.reading import check_site, read_site
    from allocator.plans.file import plan_schema, read_plan
    from allocator.plans.records import Plan
    from allocator.report.summary import summary
    from allocator.search import Outcome, Progress, Settings
    from allocator.search.outcome import Reporter
    from allocator.simulation import Outages, SimulationSettings, Trace, write_simulation
    from allocator.site.records import Site
    from allocator.site.schema import site_schema
    from allocator.studies.heat_sinks_result import heat_sinks
    from allocator.studies.sources_result import sources
    from allocator.verify import AuditReport, audit

__version__ = "0.1.0"

_HOMES = {
    "AllocatorError": "base.errors",
    "AuditReport": "verify",
    "NoPlanError": "engine",
    "Outages": "simulation",
    "Outcome": "search.outcome",
    "Plan": "plans.records",
    "PlanFileError": "base.errors",
    "Planned": "engine",
    "Progress": "search.outcome",
    "Settings": "solver.settings",
    "SimulationSettings": "simulation",
    "Site": "site.records",
    "SiteFileError": "base.errors",
    "Trace": "simulation",
    "audit": "verify",
    "heat_sinks": "studies.heat_sinks_result",
    "cautions_for": "network.cautions",
    "check_site": "network.reading",
    "curve_of": "cycles",
    "format_quantity": "base.quantities",
    "parse_quantity": "base.quantities",
    "plan_schema": "plans.file",
    "plan_site": "engine",
    "read_plan": "plans.file",
    "read_site": "network.reading",
    "simulate": "engine:simulate_plan",
    "site_schema": "site.schema",
    "sources": "studies.sources_result",
    "summary": "report.summary",
    "write_plan": "engine:write_plan_files",
    "write_simulation": "simulation",
}
"""Where each public name lives: a module, or ``module:name`` when it has another name there."""

__all__ = [
    "AllocatorError",
    "AuditReport",
    "NoPlanError",
    "Outages",
    "Outcome",
    "Plan",
    "PlanFileError",
    "Planned",
    "Progress",
    "Settings",
    "SimulationSettings",
    "Site",
    "SiteFileError",
    "Trace",
    "__version__",
    "audit",
    "cautions_for",
    "check_site",
    "curve_of",
    "format_quantity",
    "heat_sinks",
    "parse_quantity",
    "plan",
    "plan_schema",
    "plan_site",
    "read_plan",
    "read_site",
    "simulate",
    "site_schema",
    "sources",
    "summary",
    "write_plan",
    "write_simulation",
]


def plan(
    site: Site | str | os.PathLike[str], *, report: Reporter | None = None, **settings: Any
) -> Plan:
    """Plan a site and audit the plan.

    Args:
        site: the site, or the path of its file.
        report: called with lines of progress.
        settings: fields of :class:`Settings`: ``basis``, ``time_limit`` in s, ``gap``, ``seed``,
            ``threads``, ``solver``, ``node_limit``, ``effort``, ``start``.

    Returns:
        The plan; ``verified`` is true when the audit accepts it.

    Raises:
        SiteFileError: the file has faults.
        NoPlanError: no plan exists, or none was found in the time.
        TypeError, ValueError: a setting that does not exist, or a value that it cannot take.
    """
    from allocator import engine
    from allocator import search as planning

    return engine.plan_site(site, planning.Settings(**settings), report).plan


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'allocator' has no attribute {name!r}")
    module, _, inside = home.partition(":")
    return getattr(import_module(f"allocator.{module}"), inside or name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
