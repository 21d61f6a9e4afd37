"""Names that the package had before: what each is now, and where it still is for a while."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple


class OldName(NamedTuple):
    """``home``: module and name within ``allocator``. ``instead``: what to write now."""

    home: str
    instead: str


OLD_NAMES = {
    "Planned": OldName("engine.result:PlanResult", "PlanResult"),
    "baths_table": OldName("studies.sink_rows:heat_sinks_table", "heat_sinks"),
    "plan_site": OldName("engine.planning:plan_site", "plan"),
    "sources_table": OldName("studies.source_worth:source_rows", "sources"),
    "summary": OldName("report.summary:full_summary", "PlanResult.summary"),
    "write_plan": OldName("engine.plan_folder:write_plan_files", "PlanResult.save"),
    "write_simulation": OldName("simulation.files:write_simulation", "Trace.save"),
}


def old_attributes(names: Mapping[str, str]) -> Callable[[Any, str], Any]:
    """A ``__getattr__`` for a record whose fields were renamed: old name -> new name.

    An old name gives the field's value with a DeprecationWarning that says the new one.
    """

    def look_up(record: Any, name: str) -> Any:
        if name not in names:
            raise AttributeError(f"{type(record).__name__!r} object has no attribute {name!r}")
        told = f"{type(record).__name__}.{name} is now {names[name]!r}"
        warnings.warn(told, DeprecationWarning, stacklevel=2)
        return getattr(record, names[name])

    return look_up
