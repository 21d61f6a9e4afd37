"""The plan: what is decided and what is promised, as frozen records.

Planning makes it, proof checks it, reporting shows it; none of them knows the other.
All numbers are SI. Each field says its key in the plan file and what it is. Names of compound
things: a store site is ``type@place``; a machine group is ``type@place``; a destination of the
collect layer is ``store:type@place``, ``burn:type@place>battery@place`` (burnt directly, the
power going to that battery) or ``flare:type@place``. The shape of a supply flow is ``flat`` or the
name of the demand whose profile it follows (of several demands with one profile, the first by file
order names it).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from allocator.base.json_kinds import JsonRows, JsonText
from allocator.base.json_records import (
    JsonKey,
    JsonObject,
    fact,
    fact_in_keys,
    keys_of,
    record,
    record_kind,
)
from allocator.base.old_names import old_attributes
from allocator.base.shown import Facts, Shown, frame_of, part_of, watts
from allocator.base.status import Status
from allocator.plans.assets import (
    BatteryUse,
    BoosterUse,
    LineUse,
    MachineUse,
    NodePressure,
    PipeFlow,
    RecoveryUse,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.plans.heat import CoolerHeat, Drain, FlowHeat, Heat, HeatLimit, HeatSinkUse
from allocator.plans.operation import (
    NOTHING,
    ChamberHold,
    ReserveRule,
    Robustness,
    RunLevels,
    SetPoints,
    StoreHold,
)
from allocator.plans.outages import OutageOperation
from allocator.plans.results import (
    DEMAND,
    GOALS,
    STATUS,
    STATUSES,
    Ceiling,
    ClockWorth,
    DemandUse,
    Emissions,
    GoalResult,
    MaterialUse,
    Power,
    Price,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FLAT",
    "FORMAT",
    "GOALS",
    "NOTHING",
    "RULES",
    "STATUSES",
    "BatteryUse",
    "BoosterUse",
    "Ceiling",
    "ChamberHold",
    "ClockWorth",
    "CoolerHeat",
    "DemandUse",
    "Drain",
    "Emissions",
    "FlowHeat",
    "GoalResult",
    "Heat",
    "HeatLimit",
    "HeatSinkUse",
    "LineUse",
    "MachineUse",
    "MaterialUse",
    "NodePressure",
    "OutageOperation",
    "PipeFlow",
    "Plan",
    "Power",
    "Price",
    "RecoveryUse",
    "ReserveRule",
    "Robustness",
    "Run",
    "RunLevels",
    "SetPoints",
    "SourceUse",
    "StoreHold",
    "StoreUse",
]

FORMAT = "allocator.plan/1"
RULES = 6
"""Number of the rules that plans are made and audited by. Raise it with a change of rules by which

plans of before would be judged otherwise: those are told of as made by an older version.
"""
FLAT = "flat"
_SITE = JsonObject(
    "PlannedSite",
    "The site that the plan is for.",
    (
        JsonKey("name", JsonText(), "Name of the site."),
        JsonKey("sha256", JsonText(), "SHA-256 of the site file and the files that it names."),
    ),
    take=dict,
)


@record
class Plan(Shown):
    """A plan for a site.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> plan.verified, plan.basis, round(plan.power.firm_clean)
    (True, 'firm', 13374)
    """

    site_name: str = fact_in_keys(JsonKey("site", _SITE, "The site that it is for."))
    site_sha256: str
    basis: str = fact(
        "basis",
        "`firm`: its output holds at all times; `mean`: it counts with average flows.",
        JsonText(("firm", "mean")),
    )
    status: Status = fact("status", "Why the search stopped, of all its goals.", STATUS)
    goals: tuple[GoalResult, ...] = fact("goals", "Outcome of each goal, in order.")
    ceiling: Ceiling = fact("ceiling", "Limit of all plans under any control.")
    power: Power = fact("power", "Firm and mean power.")
    sources: tuple[SourceUse, ...] = fact("sources", "Sources, and chambers drawn from.")
    stores: tuple[StoreUse, ...] = fact("stores", "Stores of fluids.")
    batteries: tuple[BatteryUse, ...] = fact("batteries", "Stores of power.")
    runs: tuple[Run, ...] = fact("runs", "Pipes and coolers, with their flows.")
    lines: tuple[LineUse, ...] = fact("lines", "Power lines, with what they carry.")
    machines: tuple[MachineUse, ...] = fact("machines", "Machines, with their duty.")
    demands: tuple[DemandUse, ...] = fact("demands", "Demands served.", JsonRows(DEMAND))
    materials: tuple[MaterialUse, ...] = fact("materials", "Materials used by what is new.")
    emissions: Emissions = fact("emissions", "Mean release of what the plan runs.")
    money: float = fact("money", "Money that the plan costs in all.")
    limits: tuple[str, ...] = fact("limits", "What kept the plan from more, in words.", default=())
    cautions: tuple[str, ...] = fact("cautions", "What to mind, in words.", default=())
    verified: bool = fact(
        "verified", "Whether the audit accepted the plan.", default=False, after="status"
    )
    seed: int = fact("seed", "Seed of the search.", default=0)
    heat: Heat | None = fact(
        "heat",
        "True temperatures, where they matter.",
        record_kind(Heat),
        optional=True,
        default=None,
    )
    prices: tuple[Price, ...] = fact(
        "prices", "Marginal value of each limit.", optional=True, default=()
    )
    robustness: Robustness | None = fact(
        "withstands", "Losses that firm output holds against.", optional=True, default=None
    )
    outages: tuple[OutageOperation, ...] = fact(
        "machines_out",
        "How it is run with machine units out of order, where it must hold without them.",
        optional=True,
        default=(),
    )
    set_points: SetPoints | None = fact(
        "set_points",
        "Numbers to run the site by.",
        record_kind(SetPoints),
        optional=True,
        default=None,
    )
    recoveries: tuple[RecoveryUse, ...] = fact(
        "recoveries", "Firm power out of recovered heat.", optional=True, default=()
    )
    heat_sinks: tuple[HeatSinkUse, ...] = fact("baths", "Heat sinks.", optional=True, default=())
    boosters: tuple[BoosterUse, ...] = fact(
        "boosters", "Blowers, compressors and pumps.", optional=True, default=()
    )
    pressures: tuple[NodePressure, ...] = fact(
        "pressures",
        "Pressures at nodes, of fluids whose pressures along lines are computed.",
        optional=True,
        default=(),
    )
    mix: str = fact(
        "mix",
        "The supply mix whose goals and limits it was asked to keep; left out for the site's own.",
        optional=True,
        default="",
    )
    clocks: ClockWorth | None = fact(
        "clock_worth",
        "Gain from known clocks, where some are known.",
        record_kind(ClockWorth),
        optional=True,
        default=None,
    )
    rules: int = fact(
        "rules",
        "Number of the rules that the plan was made by; 1 where it is left out.",
        optional=True,
        default=RULES,
        after="",
    )

    if not TYPE_CHECKING:  # a type checker would take every name for one of the record
        __getattr__ = old_attributes({"baths": "heat_sinks", "withstands": "robustness"})

    def facts(self) -> Facts:
        """What the plan promises, in words."""
        firm = self.basis == "firm"
        clean = self.power.firm_clean if firm else self.power.mean_clean
        total = self.power.firm_total if firm else self.power.mean_total
        return [
            ("Plan", self.site_name),
            ("clean at all times" if firm else "clean on average", watts(clean)),
            ("in all", watts(total)),
            (
                "sources connected",
                str(sum(use.tapped and not use.from_chamber for use in self.sources)),
            ),
            ("machines", str(sum(use.count for use in self.machines))),
            ("search", self.status),
            ("verified", "yes" if self.verified else "NO"),
        ]

    def to_frame(self, part: str = "sources") -> pd.DataFrame:
        """A part of the plan as a pandas frame, a row a record, SI units in the column names.

        ``part``: ``sources``, ``stores``, ``batteries``, ``runs``, ``flows``, ``lines``,
        ``machines``, ``demands``, ``materials`` or ``goals``. Raises ValueError for another.
        """
        if part_of(part, (*_PARTS, "flows")) == "flows":
            frame = frame_of((flow for run in self.runs for flow in run.flows), _units(PipeFlow))
            names = [(run.route, run.fluid) for run in self.runs for _ in run.flows]
            frame.insert(0, "route", [route for route, _ in names])
            frame.insert(1, "fluid", [fluid for _, fluid in names])
            return frame
        frame = frame_of(getattr(self, part), _units(_PARTS[part]))
        return frame.drop(columns="flows", errors="ignore") if part == "runs" else frame


_PARTS = {
    "sources": SourceUse,
    "stores": StoreUse,
    "batteries": BatteryUse,
    "runs": Run,
    "lines": LineUse,
    "machines": MachineUse,
    "demands": DemandUse,
    "materials": MaterialUse,
    "goals": GoalResult,
}


def _units(cls: type) -> dict[str, str]:
    """Unit of each field, for columns: what its key has more than its name."""
    more = {key.field: key.name.removeprefix(key.field) for key in keys_of(cls)}
    return {
        name: unit.removeprefix("_mean").removeprefix("_").replace("kg_s", "kg_per_s")
        for name, unit in more.items()
        if unit
    }
