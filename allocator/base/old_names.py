"""Names that the package had before: what each is now, and where it still is for a while."""

from __future__ import annotations

from typing import NamedTuple


class OldName(NamedTuple):
    """``home``: module and name within ``allocator``. ``instead``: what to write now."""

    home: str
    instead: str


OLD_NAMES = {
    "Planned": OldName("engine.result:PlanResult", "PlanResult"),
    "baths_table": OldName("studies.sink_rows:heat_sinks_table", "heat_sinks"),
    "plan_site": OldName("engine.planning:plan_site", "plan"),
    "sources_table": OldName("studies.source_worth:source_rows", "sources"),
    "summary": OldName("report.summary:summary", "PlanResult.summary"),
    "write_plan": OldName("engine.plan_folder:write_plan_files", "PlanResult.save"),
    "write_simulation": OldName("simulation.files:write_simulation", "Trace.save"),
}
