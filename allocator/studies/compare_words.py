"""What emitting supply buys and costs beside clean supply alone, in a sentence."""

from __future__ import annotations

from collections.abc import Sequence

from allocator.base.status import Status
from allocator.plans.records import Plan
from allocator.report.words import GOAL_WORDS, STATUS_WORDS, money, percent, quantity
from allocator.studies.comparison import Compared, bought, open_goals

YEAR = 31_557_600.0
SERVED = 1e-5
"""Share of the demand that is lost to rounding."""
UNSETTLED = 0.01
"""Clean supply alone cannot be worse than beside emitting supply; by this share it is search."""


MOST_TOLD = 3
"""Goals of a row that are told as not settled: a cell has room for no more."""
FULL = "cheapest at full service"


def unsettled(plan: Plan | None) -> str:
    """Why the search of a plan stopped, and the gaps of goals that it left open; else empty."""
    left = () if plan is None else open_goals(plan)
    if not left:
        return ""
    told = [
        f"{GOAL_WORDS[goal.name.partition(' to priority ')[0]]} "
        + ("gap unknown" if goal.gap is None else f"gap {percent(goal.gap)}")
        for goal in left[:MOST_TOLD]
    ]
    return f"{STATUS_WORDS.get(left[0].status, left[0].status)}: {'; '.join(told)}"


def emissions_gap(plan: Plan | None) -> float | None:
    """Share of counted emission that may be saved; 1 where nothing is proven; None: no goal."""
    found = [goal for goal in (plan.goals if plan else ()) if goal.name == "emissions"]
    return (1.0 if found[0].gap is None else found[0].gap) if found else None


def said(rows: Sequence[Compared], currency: str = "") -> str:
    """What the emitting share buys and costs, and what full service is where none serves all."""
    told = [_bought(rows, currency)]
    full = next((row.figures for row in rows if row.name == FULL and row.figures), None)
    if full is not None and full.demand_mean > 0 and full.served_share < 1.0 - SERVED:
        told.append(
            f"No plan that was found serves all of the demand: '{FULL}' is the cheapest found "
            f"of those that serve most, {percent(full.served_share)}."
        )
    return " ".join(filter(None, told))


def _bought(rows: Sequence[Compared], currency: str) -> str:
    """What the emitting share buys and costs, in a sentence; empty where that is not known."""
    figures = {row.name: row.figures for row in rows}
    clean, backed = figures.get("clean only"), figures.get("clean first")
    if clean is None or backed is None:
        return ""
    step = bought(clean, backed)
    served = percent(clean.served_share)
    if clean.firm_clean < backed.firm_clean * (1 - UNSETTLED):
        return (
            f"The search for clean supply alone reached {served} of the demand in its time, "
            f"though 'clean first' serves {percent(backed.firm_clean / backed.demand_mean)} clean: "
            "allow more time before comparing the two."
        )
    if backed.firm_clean < clean.firm_clean * (1 - UNSETTLED):
        return (
            f"The search for 'clean first' reached {percent(backed.firm_clean / clean.demand_mean)}"
            f" of the demand served clean in its time, though clean supply alone serves {served}: "
            "allow more time before comparing the two."
        )
    name = "clean first"
    if step is None:
        # clean first had no time for the rest, or has clean power in its way: another mix may not
        others = [row for row in rows if row.figures and bought(clean, row.figures)]
        if others:
            best = max(others, key=lambda row: row.figures.firm_total if row.figures else 0.0)
            assert best.figures is not None
            name, backed = best.name, best.figures
            step = bought(clean, backed)
    if step is None:
        open_ended = (
            ""
            if backed.status in (Status.OPTIMAL, Status.WITHIN_GAP)
            else " that was found in the time"
        )
        return (
            f"Clean supply alone serves {served} of the demand; emitting supply adds no firm power"
            f"{open_ended}."
        )
    costs = [f"{quantity(step.counted, 'emission_rate')} of counted emission"]
    less = clean.firm_clean - backed.firm_clean
    if name != "clean first" and less > 0:
        costs.append(f"{quantity(less, 'power')} of clean power")
    costs += [
        f"{quantity(abs(kg), 'mass')} {'more' if kg > 0 else 'less'} '{material}'"
        for material, kg in step.materials.items()
        if abs(kg) > 1e-6 * max(1.0, backed.materials[material])
    ]
    if abs(step.money) >= 1:
        costs.append(
            f"{money(abs(step.money), currency)} {'more' if step.money > 0 else 'less'} cost"
        )
    fuel = [f"{quantity(rate * YEAR, 'mass')} a year from '{n}'" for n, rate in step.fuel.items()]
    by = "emitting supply" if name == "clean first" else f"emitting supply as in '{name}'"
    told = (
        f"Clean supply alone serves {served} of the demand. The next {percent(step.share)} "
        f"({quantity(step.power, 'power')}), by {by}, takes {_listed(costs)}"
    )
    told += f"; it burns {_listed(fuel)} more." if fuel else "."
    return told


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
