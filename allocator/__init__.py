"""Plans an isolated site fed by sources that come and go, and proves the plan.

The names below are the public face. Each is imported when it is first used, so that
``import allocator`` costs next to nothing. A path works wherever a site or a plan does.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from allocator.base.errors import (
        AllocatorError,
        PlanFileError,
        SiteFileError,
        StateFileError,
    )
    from allocator.base.quantities import format_quantity, parse_quantity
    from allocator.base.status import Status
    from allocator.cycles import curve_of
    from allocator.engine.auditing import audit, read_result
    from allocator.engine.planning import NoPlanError, plan
    from allocator.engine.replanning import replan
    from allocator.engine.result import PlanResult
    from allocator.engine.simulating import reserve_now, simulate
    from allocator.network.cautions import cautions_for
    from allocator.network.reading import check_site, read_site
    from allocator.plans.file import plan_schema, read_plan
    from allocator.plans.records import Plan
    from allocator.search.outcome import Outcome, Progress
    from allocator.simulation.operating import OutUnits, PresentState
    from allocator.simulation.trace import Outages, SimulationSettings, Trace
    from allocator.site.records import (
        Ambient,
        Built,
        BuiltBooster,
        BuiltCooler,
        BuiltHeatSink,
        BuiltPipe,
        Chamber,
        Cooler,
        Demand,
        Enclosure,
        Fluid,
        HeatSink,
        HeatSinkCooler,
        HeatSinkRecovery,
        Layer,
        Limits,
        Line,
        MachineType,
        MapOrigin,
        Material,
        Mix,
        PipeType,
        Place,
        Profile,
        Pump,
        Route,
        Site,
        Source,
        Spread,
        Stage,
        StoreType,
        WallArea,
        WallLayer,
    )
    from allocator.site.schema import site_schema
    from allocator.site.state import state_schema
    from allocator.solver.settings import Lift, Settings
    from allocator.studies.built_result import built
    from allocator.studies.carry_result import carry
    from allocator.studies.compare_result import compare
    from allocator.studies.diff_result import diff
    from allocator.studies.enclosure_result import enclosure
    from allocator.studies.frontier_result import frontier
    from allocator.studies.heat_sinks_result import heat_sinks
    from allocator.studies.insulate_result import insulate
    from allocator.studies.operate_result import operate
    from allocator.studies.running import Workers
    from allocator.studies.schedule_result import schedule
    from allocator.studies.scheduling import Crew
    from allocator.studies.sources_result import sources
    from allocator.studies.sweep_result import sweep
    from allocator.studies.why_result import why
    from allocator.verify.report import AuditReport
    from allocator.verify.tanks.present import SourceState

__version__ = "0.1.0"

_HOMES = {
    "AllocatorError": "base.errors",
    "Ambient": "site.records",
    "AuditReport": "verify.report",
    "Built": "site.records",
    "BuiltBooster": "site.records",
    "BuiltCooler": "site.records",
    "BuiltHeatSink": "site.records",
    "BuiltPipe": "site.records",
    "Chamber": "site.records",
    "Cooler": "site.records",
    "Crew": "studies.scheduling",
    "Demand": "site.records",
    "Enclosure": "site.records",
    "Fluid": "site.records",
    "HeatSink": "site.records",
    "HeatSinkCooler": "site.records",
    "HeatSinkRecovery": "site.records",
    "Layer": "site.records",
    "Lift": "solver.settings",
    "Limits": "site.records",
    "Line": "site.records",
    "MachineType": "site.records",
    "Material": "site.records",
    "Mix": "site.records",
    "MapOrigin": "site.records",
    "NoPlanError": "engine.planning",
    "OutUnits": "simulation.operating",
    "Outages": "simulation.trace",
    "Outcome": "search.outcome",
    "PipeType": "site.records",
    "Place": "site.records",
    "Plan": "plans.records",
    "PlanFileError": "base.errors",
    "PlanResult": "engine.result",
    "PresentState": "simulation.operating",
    "Profile": "site.records",
    "Progress": "search.outcome",
    "Pump": "site.records",
    "Route": "site.records",
    "Settings": "solver.settings",
    "SimulationSettings": "simulation.trace",
    "Site": "site.records",
    "SiteFileError": "base.errors",
    "Source": "site.records",
    "SourceState": "verify.tanks.present",
    "Spread": "site.records",
    "Stage": "site.records",
    "StateFileError": "base.errors",
    "Status": "base.status",
    "StoreType": "site.records",
    "Trace": "simulation.trace",
    "WallArea": "site.records",
    "WallLayer": "site.records",
    "Workers": "studies.running",
    "audit": "engine.auditing",
    "built": "studies.built_result",
    "carry": "studies.carry_result",
    "cautions_for": "network.cautions",
    "check_site": "network.reading",
    "compare": "studies.compare_result",
    "curve_of": "cycles",
    "diff": "studies.diff_result",
    "enclosure": "studies.enclosure_result",
    "format_quantity": "base.quantities",
    "frontier": "studies.frontier_result",
    "heat_sinks": "studies.heat_sinks_result",
    "insulate": "studies.insulate_result",
    "operate": "studies.operate_result",
    "parse_quantity": "base.quantities",
    "plan": "engine.planning",
    "plan_schema": "plans.file",
    "read_plan": "plans.file",
    "read_result": "engine.auditing",
    "read_site": "network.reading",
    "replan": "engine.replanning",
    "reserve_now": "engine.simulating",
    "schedule": "studies.schedule_result",
    "simulate": "engine.simulating",
    "site_schema": "site.schema",
    "sources": "studies.sources_result",
    "state_schema": "site.state",
    "sweep": "studies.sweep_result",
    "why": "studies.why_result",
}
"""The module in which each public name lives."""

__all__ = [
    "AllocatorError",
    "Ambient",
    "AuditReport",
    "Built",
    "BuiltBooster",
    "BuiltCooler",
    "BuiltHeatSink",
    "BuiltPipe",
    "Chamber",
    "Cooler",
    "Crew",
    "Demand",
    "Enclosure",
    "Fluid",
    "HeatSink",
    "HeatSinkCooler",
    "HeatSinkRecovery",
    "Layer",
    "Lift",
    "Limits",
    "Line",
    "MachineType",
    "MapOrigin",
    "Material",
    "Mix",
    "NoPlanError",
    "OutUnits",
    "Outages",
    "Outcome",
    "PipeType",
    "Place",
    "Plan",
    "PlanFileError",
    "PlanResult",
    "PresentState",
    "Profile",
    "Progress",
    "Pump",
    "Route",
    "Settings",
    "SimulationSettings",
    "Site",
    "SiteFileError",
    "Source",
    "SourceState",
    "Spread",
    "Stage",
    "StateFileError",
    "Status",
    "StoreType",
    "Trace",
    "WallArea",
    "WallLayer",
    "Workers",
    "__version__",
    "audit",
    "built",
    "carry",
    "cautions_for",
    "check_site",
    "compare",
    "curve_of",
    "diff",
    "enclosure",
    "format_quantity",
    "frontier",
    "heat_sinks",
    "insulate",
    "operate",
    "parse_quantity",
    "plan",
    "plan_schema",
    "read_plan",
    "read_result",
    "read_site",
    "replan",
    "reserve_now",
    "schedule",
    "simulate",
    "site_schema",
    "sources",
    "state_schema",
    "sweep",
    "why",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        found = getattr(import_module(f"allocator.{_HOMES[name]}"), name)
        globals()[name] = found  # asked for once
        return found
    from allocator.base.old_names import OLD_NAMES

    if name not in OLD_NAMES:
        raise AttributeError(f"module 'allocator' has no attribute {name!r}")
    import warnings

    home, instead = OLD_NAMES[name]
    words = f"allocator.{name} will go: use allocator.{instead}"
    warnings.warn(words, DeprecationWarning, stacklevel=2)
    module, _, inside = home.partition(":")
    return getattr(import_module(f"allocator.{module}"), inside)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
