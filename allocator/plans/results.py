"""What a plan reaches: goals with bounds, power, demands, materials, emissions, prices."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from allocator.base.json_kinds import JsonText, Maybe, Number
from allocator.base.json_records import JsonKey, fact, fact_in_keys, record, record_kind
from allocator.base.status import Status
from allocator.site.records import POWER

STATUSES = (
    Status.BOUND_REFUTED,
    Status.INTERRUPTED,
    Status.TIME_LIMIT,
    Status.NODE_LIMIT,
    Status.WITHIN_GAP,
    Status.YIELDED,
    Status.OPTIMAL,
    Status.NOT_SOUGHT,
)
"""Why the search of a goal stopped, from what proves least to what proves most; and of a goal by

which no better plan was sought, whose value is told all the same."""
STATUS = JsonText(STATUSES)
GOALS = {
    "clean_power": ("W", "max"),
    "served_power": ("W", "max"),
    "served_fluid": ("kg/s", "max"),
    "emissions": ("kg/s", "min"),
    "scarce_material": ("kg", "min"),
    "money": ("money", "min"),
}
"""Unit and sense of each goal."""
_GOAL_UNIT = JsonText(tuple(dict.fromkeys(unit for unit, _ in GOALS.values())))
_PRICED = (
    "mass",
    "power",
    "energy",
    "mass_rate",
    "pressure",
    "emission_rate",
    "share",
    "money",
    "number",
)
"""Dimensions of the limits that may have a price."""
_BOUND_KIND = Maybe(JsonText(("certified", "solver")))


@record
class GoalResult:
    """A goal's outcome."""

    name: str = fact("name", "The goal.")
    unit: str = fact("unit", "Unit of value and bound.", _GOAL_UNIT)
    sense: str = fact("sense", "Whether more or less of it is better.", JsonText(("max", "min")))
    value: float = fact("value", "What the plan reaches.")
    bound: float | None = fact(
        "bound",
        "Proven limit of all plans with the goals before it as planned; null where nothing is "
        "proven.",
    )
    gap: float | None = fact(
        "gap", "Distance of value and bound as a share of the larger; null without a bound."
    )
    status: Status = fact(
        "status",
        "Why its search stopped. Of `yielded`, `bound_refuted` and `not_sought` see below the "
        "table.",
        STATUS,
    )
    bound_kind: str | None = fact(
        "bound_kind",
        "`certified`: a linear program's, rounded outward; `solver`: by branching; none without "
        "a bound or from older versions.",
        _BOUND_KIND,
        optional=True,
        default=None,
    )


@record
class Ceiling:
    """What no plan can pass under any control."""

    clean: float | None = fact("clean_w", "Clean power; null where it was not computed.")
    total: float | None = fact("total_w", "Power in all; null where it was not computed.")
    clean_kind: str | None = fact(
        "clean_kind",
        "Kind of the bound on clean power, as of goals.",
        _BOUND_KIND,
        optional=True,
        default=None,
    )
    total_kind: str | None = fact(
        "total_kind",
        "Kind of the bound on power in all, as of goals.",
        _BOUND_KIND,
        optional=True,
        default=None,
    )


@record
class Power:
    """Firm and mean power."""

    firm_clean: float = fact("firm_clean_w", "Clean power at all times.")
    mean_clean: float = fact("mean_clean_w", "Upper estimate of clean power on average.")
    firm_total: float = fact("firm_total_w", "Power in all at all times.")
    mean_total: float = fact("mean_total_w", "Upper estimate of power in all on average.")
    demand_mean: float = fact("demand_mean_w", "Mean of all demands for power.")
    served_share: float = fact("served_share", "Share of these demands that is served.")


@record
class ClockWorth:
    """Gain from known clocks of sources: what the same assets give with other clocks."""

    free_clean: float = fact("free_clean_w", "Firm clean power with all clocks free.")
    free_total: float = fact("free_total_w", "Firm power in all with all clocks free.")
    storage: Mapping[str, float] = fact(
        "storage_kg",
        "Storage more that the firm output with known clocks would need with all clocks free.",
        default_factory=dict,
    )
    until: float | None = fact(
        "until_s",
        "Time from the start of the site file to the end of the survey; null: for ever.",
        default=None,
    )
    until_clean: float | None = fact(
        "until_clean_w", "Firm clean power until then; null: not found.", default=None
    )
    until_total: float | None = fact(
        "until_total_w", "Firm power in all until then; null: not found.", default=None
    )
    free_proven: bool = fact(
        "free_proven",
        "Whether no operation with all clocks free gives more; false: the gain is at most this.",
        optional=True,
        default=True,
    )


@record
class DemandUse:
    """Share of a demand's profile that is served at all times.

    Clean and emitting parts add up. ``mean``: W or kg/s, by what is wanted.
    """

    name: str = fact("name", "Demand of the site file.")
    wants: str = fact("wants", "`power`, or a fluid.")
    mean: float = fact_in_keys(
        JsonKey("mean_w", Maybe(Number()), "Mean of a demand for power, else null."),
        JsonKey("mean_kg_s", Maybe(Number()), "Mean of a demand for a fluid, else null."),
    )
    clean_share: float = fact("clean_share", "Share served with clean power, or of the fluid.")
    emitting_share: float = fact("emitting_share", "Share served with emitting power.")


def _demand(mean_w: float | None, mean_kg_s: float | None, **rest: Any) -> DemandUse:
    power = rest["wants"] == POWER
    mean, other = (mean_w, mean_kg_s) if power else (mean_kg_s, mean_w)
    if mean is None or other is not None:
        unit = "mean_w" if power else "mean_kg_s"
        raise ValueError(
            f"a demand for {rest['wants']} must give {unit}, and null for the other mean"
        )
    return DemandUse(mean=mean, **rest)


def _means(demand: DemandUse) -> dict[str, float | None]:
    power = demand.wants == POWER
    return {
        "mean_w": demand.mean if power else None,
        "mean_kg_s": None if power else demand.mean,
    }


DEMAND = record_kind(DemandUse, _demand, _means)


@record
class MaterialUse:
    """Material used by what is new."""

    name: str = fact("name", "Material of the site file.")
    used: float = fact("used_kg", "Mass used.")
    stock: float | None = fact("stock_kg", "Stock of the site; null where it has no limit.")


@record
class Emissions:
    """Mean release of what the plan runs."""

    counted: float = fact("counted_kg_s", "Counted emissions, weighted and summed.")
    biogenic: float = fact("biogenic_kg_s", "Biogenic releases, summed by mass.")
    by_fluid: Mapping[str, float] = fact(
        "by_fluid_kg_s", "Release of each fluid.", default_factory=dict
    )
    vented: Mapping[str, float] = fact(
        "vented_kg_s",
        "Most that is vented unburnt, mean, of each fluid with a weight for that.",
        optional=True,
        default_factory=dict,
    )


@record
class Price:
    """What more of a limit is worth to a plan."""

    kind: str = fact("kind", "Kind of limit, such as `stock`.")
    name: str = fact("name", "What the limit is of, such as a material.")
    value: float = fact("value_si", "The limit.")
    dimension: str = fact("dimension", "Dimension of the limit.", JsonText(_PRICED))
    goal: str = fact("goal", "The goal that gains.")
    unit: str = fact("unit", "Unit of the goal.", _GOAL_UNIT)
    rate: float = fact("rate_si", "Gain of the goal per unit of the limit, unit counts fixed.")
    step: float | None = fact(
        "step_si",
        "How much more of the limit the site was planned again with, unit counts free.",
        default=None,
    )
    gain: float | None = fact("gain_si", "Gain of the goal by that step.", default=None)
    proven: bool = fact("proven", "Whether no more can be gained by that step.", default=False)
