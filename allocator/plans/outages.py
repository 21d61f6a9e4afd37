"""How a plan is run with machine units out of order: one operation a scenario, same design."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from allocator.base.json_kinds import JsonNamed, JsonRows
from allocator.base.json_records import fact, record
from allocator.plans.assets import (
    BY_NAME,
    UNITS,
    LineUse,
    MachineUse,
    RecoveryUse,
    Run,
)
from allocator.plans.results import DEMAND, DemandUse

if TYPE_CHECKING:
    from allocator.plans.records import Plan


@record
class OutageOperation:
    """Operation while certain units are out of order: the supply layer alone differs."""

    out: Mapping[str, int] = fact("out", "Units out of order, by machine group.", JsonNamed(UNITS))
    machines: tuple[MachineUse, ...] = fact("machines", "Machines that are left, with their duty.")
    draws: Mapping[str, Mapping[str, float]] = fact(
        "draw_mean_kg_s",
        "What each store releases, by shape; never more than its firm output.",
        JsonNamed(BY_NAME),
        default_factory=dict,
    )
    direct: Mapping[str, Mapping[str, float]] = fact(
        "direct_mean_kg_s",
        "What steady sources feed straight into the supply layer, by shape; never more than in"
        " normal operation.",
        JsonNamed(BY_NAME),
        default_factory=dict,
    )
    runs: tuple[Run, ...] = fact(
        "runs", "Pipes and coolers with flow of the supply layer.", default=()
    )
    lines: tuple[LineUse, ...] = fact("lines", "Power lines, with what they carry.", default=())
    recoveries: tuple[RecoveryUse, ...] = fact(
        "recoveries", "Firm power out of recovered heat.", default=()
    )
    demands: tuple[DemandUse, ...] = fact(
        "demands",
        "Demands served; in all no less than in normal operation.",
        JsonRows(DEMAND),
        default=(),
    )


def plan_during(plan: Plan, outage: OutageOperation) -> Plan:
    """The plan as it is run during an outage: same design and collect layer, fewer units."""
    flows = {(run.route, run.fluid): run.flows for run in outage.runs}
    lines = {line.name: line for line in outage.lines}
    return replace(
        plan,
        sources=tuple(replace(s, direct=outage.direct.get(s.name, {})) for s in plan.sources),
        stores=tuple(replace(s, draw=outage.draws.get(s.name, {})) for s in plan.stores),
        runs=tuple(
            replace(
                run,
                flows=(
                    *(flow for flow in run.flows if flow.layer == "collect"),
                    *flows.get((run.route, run.fluid), ()),
                ),
            )
            for run in plan.runs
        ),
        lines=tuple(lines.get(line.name, replace(line, flows=())) for line in plan.lines),
        machines=outage.machines,
        recoveries=outage.recoveries,
        demands=outage.demands,
    )
