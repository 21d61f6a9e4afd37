"""Labels: what a quantity is called wherever a person sees it, and a sentence on what it is.

Text, page, worksheets and tables in Python take a term from here when more than one of them shows
the quantity. Keys are mostly names of columns; the keys of files do not depend on the labels.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from allocator.base.table import Column


class Term(NamedTuple):
    """The term for people, and what it means where the term alone does not say it."""

    head: str
    about: str = ""


LABELS: Mapping[str, Term] = MappingProxyType(
    {
        # the result of a plan
        "firm_clean": Term("firm clean power", "At all times, without counted emission."),
        "firm_total": Term("firm power", "At all times, from any supply."),
        "firm_emitting": Term("firm emitting power", "At all times, with counted emission."),
        "mean_clean": Term("mean clean power", "Average over time; upper estimate, not firm."),
        "bound": Term(
            "proven limit",
            "No firm plan can have more; of a later goal, with the goals before it as planned.",
        ),
        "gap": Term("gap", "Distance of value and proven limit, of the larger one."),
        "demand_power": Term("power demanded", "Mean over time."),
        "fluid_served": Term("fluid served", "Mean over time."),
        "served_share": Term("served", "Share of the demand."),
        "counted": Term("counted emission", "Weighted."),
        "biogenic": Term("biogenic emission", "For information; not counted."),
        "money": Term("cost"),
        "goal": Term("goal"),
        "mix": Term("mix"),
        "status": Term("end of search", "Why the search stopped."),
        "audited": Term("audit accepted"),
        "promise_kept": Term("firm output kept"),
        "hours_short_per_year": Term("hours short a year", "Of the firm output, worst draw."),
        # what a plan connects and builds
        "source": Term("source"),
        "place": Term("place"),
        "fluid": Term("fluid"),
        "type": Term("type"),
        "machine": Term("generator"),
        "state": Term("state", "Of the flow: all sources on, or the mean."),
        "goes_to": Term("feeds", "A store, a machine and its battery, or the supply."),
        "rate_while_on": Term("flow when on", "Flow while the source is on."),
        "mean": Term("mean flow", "Mean over time."),
        "mean_power": Term("mean power", "Mean over time."),
        "firm_flow": Term("firm flow", "At all times."),
        "duty_share": Term("time on", "Share of the time for which the source is on."),
        "longest_quiet": Term("longest outage", "The longest time without flow."),
        "next_start": Term("next spell in"),
        "holds": Term("holds"),
        "size": Term("size"),
        "promised": Term("firm output", "What it gives at all times."),
        "storage": Term("storage"),
        "purpose": Term("firm output / purpose"),
        "levelling": Term("for levelling"),
        "bursts": Term("for bursts"),
        "swing": Term("for machine runs"),
        "steady_inflow": Term("steady inflow", "From steady sources."),
        "store_limit": Term("storage that can be built", "The largest, or less if better."),
        "power_out_each": Term("rated power", "Of one unit."),
        "power_in_each": Term("power taken, each", "Of one unit."),
        "takes_each": Term("takes, each", "One unit at full load."),
        "duty": Term("duty", "How the units run, and at which mean load."),
        "unit_limit": Term("unit limit"),
        "out_of_order": Term("out of order", "Machine units that are out."),
        "runs_otherwise": Term("runs otherwise", "Machine group, store or source."),
        "normal_operation": Term("normal operation"),
        "operation_in_outage": Term("in the outage"),
        "new": Term("new", "Built by this plan; otherwise existing."),
        "new_size": Term("new size", "What this plan adds."),
        "standing": Term("existing"),
        "count": Term("units"),
        # pipes
        "build": Term("build"),
        "builds": Term("builds allowed"),
        "layers": Term("layers"),
        "carries": Term("carries"),
        "collect_flow": Term("flow with all sources on"),
        "supply_flow": Term("firm supply, mean"),
        "into": Term("into", "The route into whose pipe it blows, or the store."),
        "start": Term("from"),
        "end": Term("to"),
        "length": Term("length"),
        "status_of_thing": Term("status", "New, or existing."),
        "power_at_peak": Term("power at peak flow"),
        "peak": Term("peak flow", "The most at any time."),
        "peak_power": Term("peak power", "The most at any time."),
        "capacity": Term("capacity"),
        "used_share": Term("share of capacity", "Peak as a share of the capacity."),
        # materials
        "material": Term("material"),
        "mass": Term("mass"),
        "used": Term("used"),
        "stock": Term("stock", "Unlimited where there is no limit."),
        "stock_share": Term("share of stock"),
        "where": Term("where"),
        "unit": Term("unit"),
        "kind": Term("kind"),
        # heat
        "heat_loss": Term("heat loss"),
        "temperature": Term("temperature"),
        "inlet_temperature": Term("inlet temperature"),
        "end_temperature": Term("end temperature"),
        "surface_temperature": Term("surface"),
        "set_point": Term("set-point", "To which it cools."),
        "bath": Term("heat sink"),
        "gas_leaves_at": Term("gas out", "Hottest, in the settled cycle."),
        "gas_leaves_at_most": Term("gas out, guaranteed", "Whatever the phase."),
        "peak_temperature": Term("hottest"),
        "keeps": Term("keeps all limits"),
        "recovery": Term("with recovery", "With power from its heat."),
        "pump_limit": Term("limit of its pump", "The hottest that the pump bears."),
        "heat_lost": Term("heat lost"),
        "heat_recovered": Term("heat recovered"),
        "steam": Term("steam", "Boiled off, mean over time."),
        # limits
        "limit": Term("limit"),
        "margin": Term("margin", "Below the limit."),
        "sufficient": Term("sufficient change", "Of this limit alone."),
        "value": Term("value"),
        "now": Term("now"),
        "marginal_value": Term("marginal value", "Of one unit more, unit counts fixed."),
        "larger_limit": Term("planned again with"),
        "gain": Term("gain", "When planned again with the larger limit."),
        # studies and the search
        "knee": Term("knee", "How many times less one more unit gains from here on."),
        "end_of_frontier": Term("end"),
        "changes": Term("changes", "What differs from the point before."),
        "rank": Term("rank correlation"),
        "low_third": Term("mean, lowest third"),
        "high_third": Term("mean, highest third"),
        "search_time": Term("time since the search began"),
        "draws": Term("draws", "Of the phases of all cycles."),
        "days": Term("days a draw"),
        "worst_power": Term("lowest power at any time"),
        "foresight": Term("limit under any control, mean power"),
    }
)
"""Labels by key; the keys are what code says, and no file holds them."""


def head(key: str) -> str:
    """The term for people of a quantity. Raises KeyError where there is no such key."""
    return LABELS[key].head


def labelled(
    key: str,
    kind: str = "text",
    about: str = "",
    *,
    name: str = "",
    file_key: str = "",
    currency: str = "",
) -> Column:
    """A column with the head of a label, and its sentence unless the table has its own.

    ``name``: the column's, where it is not the key.
    """
    label = LABELS[key]
    return Column(name or key, label.head, kind, about or label.about, file_key, currency)
