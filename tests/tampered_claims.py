"""Single tamperings with batteries, power, totals and goals."""

from __future__ import annotations

import dataclasses

from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from handmade_ridge import RIDGE_PLAN
from tampering import (
    BURN,
    JUST_OVER,
    OIL,
    SET,
    Tampering,
    add,
    change,
    cove,
    drop,
    edit,
    limited,
    ridge,
)

from allocator.plans.records import (
    FLAT,
    Ceiling,
    GoalResult,
)

TAMPERED: dict[str, Tampering] = {
    # batteries
    "parts larger than the battery": cove(
        "battery_parts", edit(COVE_PLAN, "batteries", "cells@works", level_part=69.6e6)
    ),
    "too small a part that levels": cove(
        "level_part", edit(COVE_PLAN, "batteries", "cells@works", level_part=40.92e6)
    ),
    "levelling from another bus": ridge(
        "level_bus",
        edit(RIDGE_PLAN, "batteries", "bank@hub", levelled={"town": {"clean": 1.0}}),
    ),
    "generation for what is not levelled": ridge(
        "level_surplus",
        edit(RIDGE_PLAN, "batteries", "bank@hub", level_surplus={"town": {"emitting": 1.0}}),
    ),
    "too small a part behind bursts": ridge(
        "burst_cut", edit(RIDGE_PLAN, "batteries", "bank@hub", burst_part={"clean": 53e6})
    ),
    "more released than bursts bring": ridge(
        "burst_long_run",
        edit(
            RIDGE_PLAN,
            "batteries",
            "bank@hub",
            release={"clean": {FLAT: 2600.0, "town": 1500.0}},
        ),
    ),
    "bursts of the other class": ridge(
        "burst_long_run",
        edit(
            RIDGE_PLAN,
            "batteries",
            "bank@hub",
            release={"clean": {FLAT: 1900.0, "town": 1500.0}, "emitting": {FLAT: 100.0}},
        ),
    ),
    "a battery charged too fast": ridge(
        "battery_fill_rate",
        change(
            edit(RIDGE_PLAN, "sources", "puff", collect={BURN: 0.0085}),
        ),
    ),
    # levelling takes 2 kW (1.5 - 1.0263) = 947 W of it, and the set that is off 1,260 W
    "a battery too slow for what is run on and off": Tampering(
        "battery_release_rate",
        COVE_PLAN,
        dataclasses.replace(
            COVE,
            storage={
                **COVE.storage,
                "cells": dataclasses.replace(COVE.storage["cells"], release_rate=2.2e3),
            },
        ),
    ),
    "a battery emptied too fast": ridge(
        "battery_release_rate",
        edit(
            RIDGE_PLAN,
            "batteries",
            "bank@hub",
            release={"clean": {FLAT: 2000.0, "town": 2001.0}},
        ),
    ),
    # power
    "flat power from nowhere": cove(
        "power_balance_flat", edit(COVE_PLAN, "machines", OIL, cycled=0.25)
    ),
    "following power from nowhere": cove(
        "power_balance_following", edit(COVE_PLAN, "demands", "town", clean_share=0.576)
    ),
    "clean power from an emitting machine": cove(
        "power_balance_flat",
        edit(COVE_PLAN, "demands", "hall", clean_share=1.0, emitting_share=0.0),
        "clean power",
    ),
    "nothing left for the plant itself": cove(
        "own_load", edit(COVE_PLAN, "machines", SET, flat_load=0.3)
    ),
    "more levelled than served": cove(
        "levelled_over_share", edit(COVE_PLAN, "demands", "town", clean_share=0.19)
    ),
    "levelled for a demand that is not listed": cove(
        "levelled_over_share", drop(COVE_PLAN, "demands", "town")
    ),
    "a line over its capacity": ridge(
        "line_capacity",
        edit(
            RIDGE_PLAN,
            "lines",
            "feeder",
            flows=(*RIDGE_PLAN.lines[0].flows, ("town", "hub", "clean", FLAT, 1000.1)),
        ),
    ),
    "a line between other places": ridge(
        "line_ends",
        edit(RIDGE_PLAN, "lines", "feeder", flows=(("pit", "town", "clean", FLAT, 1.0),)),
    ),
    "a line without loss": ridge(
        "power_balance_following",
        edit(
            RIDGE_PLAN,
            "lines",
            "feeder",
            flows=(
                ("hub", "town", "clean", FLAT, 4e3),
                ("hub", "town", "clean", "town", 1.9e3),
            ),
        ),
    ),
    "more than all of a demand": cove(
        "served_share", edit(COVE_PLAN, "demands", "hall", emitting_share=0.51)
    ),
    "less than must be served": cove(
        "min_share", edit(COVE_PLAN, "demands", "hall", emitting_share=0.3)
    ),
    "an emitting share of a fluid": cove(
        "fluid_share", edit(COVE_PLAN, "demands", "burner", emitting_share=1e-9)
    ),
    # totals
    "more material than is in stock": Tampering(
        # by two parts in a billion, twice what is left to rounding
        "material_stock",
        edit(COVE_PLAN, "materials", "wool", stock=49.9999999),
        dataclasses.replace(
            COVE,
            materials={
                **COVE.materials,
                "wool": dataclasses.replace(COVE.materials["wool"], stock=49.9999999),
            },
        ),
        "material 'wool'",
    ),
    "material left out of the account": cove(
        "material_reported", edit(COVE_PLAN, "materials", "steel", used=860 * (1 - 2e-9))
    ),
    "a material that is not listed": cove(
        "material_reported", drop(COVE_PLAN, "materials", "copper")
    ),
    "a bought machine said to be free": cove(
        "machine_count", edit(COVE_PLAN, "machines", SET, new=0)
    ),
    "money left out of the account": cove("money_reported", change(COVE_PLAN, money=16216.0)),
    "more money than there is": Tampering(
        "money_limit", COVE_PLAN, limited(COVE, money=16216.9), "money"
    ),
    "more emissions than allowed": Tampering(
        "emission_cap", COVE_PLAN, limited(COVE, emission=0.0021 / JUST_OVER), "counted emission"
    ),
    "counted emissions left out": cove(
        "emission_reported", change(COVE_PLAN, "emissions", counted=0.00105)
    ),
    "biogenic emissions left out": cove(
        "emission_reported", change(COVE_PLAN, "emissions", biogenic=0.0)
    ),
    "emissions of a fluid left out": cove(
        "emission_reported", change(COVE_PLAN, "emissions", by_fluid={"breath": 0.00492})
    ),
    # goals and claims
    "a goal with a better value": cove(
        "goal_value", edit(COVE_PLAN, "goals", "served_power", value=7750.1, bound=7750.1)
    ),
    "an earlier priority with a better value": ridge(
        "goal_value",
        edit(RIDGE_PLAN, "goals", "clean_power to priority 1", value=5400.0, bound=5400.0),
    ),
    "a bound below what is reached": cove(
        "goal_bound", edit(COVE_PLAN, "goals", "clean_power", bound=6700.0, gap=50 / 6700)
    ),
    "a bound above what is reached": cove(
        "goal_bound", edit(COVE_PLAN, "goals", "emissions", bound=0.0022, gap=0.1 / 2.2)
    ),
    "a smaller gap than there is": cove(
        "goal_gap", edit(COVE_PLAN, "goals", "clean_power", gap=0.01)
    ),
    "a gap without a bound": cove("goal_gap", edit(COVE_PLAN, "goals", "money", gap=0.0)),
    "a goal that is not the site's": ridge(
        "goal_known",
        add(
            RIDGE_PLAN,
            "goals",
            GoalResult("emissions", "kg/s", "min", 0.0, None, None, "optimal"),
        ),
    ),
    "a priority that nobody has": ridge(
        "goal_known", edit(RIDGE_PLAN, "goals", "clean_power", name="clean_power to priority 7")
    ),
    "goals in another order": cove(
        "goal_order", change(COVE_PLAN, goals=(COVE_PLAN.goals[1], COVE_PLAN.goals[0]))
    ),
    "a goal in other units": cove("goal_unit", edit(COVE_PLAN, "goals", "served_power", unit="kW")),
    "more firm power than is served": cove(
        "power_reported", change(COVE_PLAN, "power", firm_clean=7000.0)
    ),
    "a demand left out": cove("not_told", drop(COVE_PLAN, "demands", "filling")),
    "a larger served share": cove("power_reported", change(COVE_PLAN, "power", served_share=0.9)),
    "a smaller demand": cove("power_reported", change(COVE_PLAN, "power", demand_mean=8e3)),
    "more mean power than is served": cove(
        "power_reported", change(COVE_MEAN_PLAN, "power", mean_total=12e3)
    ),
    "a promise above the ceiling": cove(
        "ceiling", change(COVE_PLAN, ceiling=Ceiling(6000.0, None))
    ),
    "a ceiling above all that is asked for": cove(
        "ceiling", change(COVE_PLAN, ceiling=Ceiling(8e3, 12e3 * (1 + 2e-6)))
    ),
    "a goal that is left out": cove("goal_told", drop(COVE_PLAN, "goals", "emissions")),
    "a goal to a priority that is left out": ridge(
        "goal_told", drop(RIDGE_PLAN, "goals", "clean_power to priority 1")
    ),
    "optimal beside a gap of 10 %": cove(
        "goal_status", edit(COVE_PLAN, "goals", "clean_power", status="optimal")
    ),
    "optimal without a bound": cove(
        "goal_status", edit(COVE_PLAN, "goals", "money", status="optimal")
    ),
    "a bound that was refuted": cove(
        "goal_status", edit(COVE_PLAN, "goals", "clean_power", status="bound_refuted")
    ),
    "a plan that is called optimal": cove("status", change(COVE_PLAN, status="optimal")),
    "a mean below the promise": cove(
        "mean_power", change(COVE_PLAN, "power", mean_clean=6750.0 * (1 - 1e-5))
    ),
    "a mean above what is asked for": cove(
        "mean_power", change(COVE_PLAN, "power", mean_total=12e3 * (1 + 2e-6))
    ),
    "more clean power than power, on the mean": cove(
        "mean_power", change(COVE_PLAN, "power", mean_clean=8e3)
    ),
    "a firm figure of a mean plan": cove(
        "power_reported", change(COVE_MEAN_PLAN, "power", firm_clean=11.3e3)
    ),
    "a caution that is left out": cove(
        "cautions", change(COVE_PLAN, cautions=COVE_PLAN.cautions[1:])
    ),
    "a caution in other words": cove(
        "cautions", change(COVE_PLAN, cautions=("All is safe.", *COVE_PLAN.cautions[1:]))
    ),
    "cautions in another order": cove(
        "cautions", change(COVE_PLAN, cautions=COVE_PLAN.cautions[::-1])
    ),
}
