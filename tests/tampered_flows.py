"""Single tamperings with flows, machines, bursts and the promises of stores."""

from __future__ import annotations

import dataclasses

from handmade_cove import COVE_MEAN_PLAN, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from tampering import (
    HOLDER,
    JUST_OVER,
    OIL,
    SET,
    SPLIT,
    Tampering,
    cove,
    drop,
    edit,
    ridge,
)

from allocator.plans.records import (
    FLAT,
    PipeFlow,
)
from allocator.site.records import RecordedFlow, Site


def ridge_set(**changes: float) -> Site:
    """The ridge with another kind of set; its puff is on for an hour at a time."""
    kind = dataclasses.replace(RIDGE.machines["set"], **changes)  # type: ignore[arg-type]
    return dataclasses.replace(RIDGE, machines={**RIDGE.machines, "set": kind})


def ridge_measured(length: float) -> Site:
    """The ridge whose puff is known by a record of one of its periods."""
    record = RecordedFlow(4 * 3600.0, (0.0, length), (0.01, 0.0), 4 * 3600.0)
    puff = dataclasses.replace(RIDGE.sources["puff"], series=record)
    return dataclasses.replace(RIDGE, sources={**RIDGE.sources, "puff": puff})


TAMPERED: dict[str, Tampering] = {
    "a record whose bursts are burnt directly": Tampering(
        "burn_series", RIDGE_PLAN, ridge_measured(3600.0)
    ),
    "a record that brings less than is counted on": Tampering(
        "series_inflow", RIDGE_PLAN, ridge_measured(3600.0 / JUST_OVER)
    ),
    # flows
    "more than a source gives": ridge(
        "source_flow",
        edit(RIDGE_PLAN, "sources", "slow", collect={"store:holder@pit": 0.012 * JUST_OVER}),
    ),
    "more than a steady source gives at the peak": cove(
        "source_flow", edit(COVE_PLAN, "sources", "kiln", direct={FLAT: 0.0003, "town": 0.00014})
    ),
    "more than the pump moves": cove(
        "pump_rate",
        edit(COVE_PLAN, "sources", "north", collect={"store:holder@works": 0.018 * JUST_OVER}),
    ),
    "a source that comes and goes feeds directly": cove(
        "direct_steady", edit(COVE_PLAN, "sources", "north", direct={FLAT: 0.001})
    ),
    "a collect flow that ends nowhere": cove(
        "collect_balance",
        edit(
            COVE_PLAN,
            "runs",
            "lane",
            flows=(PipeFlow("well", "works", "collect", "works", 0.016 * (1 - 2e-6)),),
        ),
    ),
    "a collect flow bound for another place": cove(
        "collect_balance",
        edit(
            COVE_PLAN, "runs", "lane", flows=(PipeFlow("well", "works", "collect", "yard", 0.016),)
        ),
    ),
    "gas sent into an oil tank": cove(
        "collect_fluid",
        edit(COVE_PLAN, "sources", "north", collect={"store:tank@works": 0.016}),
    ),
    "a run whose flows go elsewhere": cove(
        "pipe_ends",
        edit(COVE_PLAN, "runs", "quay", flows=(PipeFlow("well", "works", "supply", FLAT, 0.0003),)),
    ),
    "a flow against the one way": cove(
        "pipe_direction",
        edit(COVE_PLAN, "runs", "quay", flows=(PipeFlow("works", "yard", "supply", FLAT, 0.0003),)),
    ),
    "more than a pipe carries": ridge(
        "pipe_capacity",
        edit(
            RIDGE_PLAN,
            "runs",
            "track",
            flows=(
                *RIDGE_PLAN.runs[0].flows,
                PipeFlow("pit", "hub", "supply", "town", 0.0005 / 1.5 * JUST_OVER),
            ),
        ),
    ),
    "fuel from nowhere": cove(
        "supply_balance", edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0019, "town": 0.0012})
    ),
    "following fuel from the flat part": cove(
        "supply_balance", edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0036})
    ),
    "more by-product served than is given": cove(
        "supply_balance",
        edit(COVE_PLAN, "machines", SET, flat_load=0.05, following={"town": 0.1}),
        "hot_water (town)",
    ),
    "more hydrogen served than is split": cove(
        "supply_balance", edit(COVE_PLAN, "machines", SPLIT, flat_load=0.4), "hydrogen (flat)"
    ),
    "a supply flow that starts nowhere": cove(
        "supply_balance", edit(COVE_PLAN, "sources", "kiln", direct={}), "gas (flat) at 'yard'"
    ),
    # machines
    "a load above what runs at the peak": cove(
        "running_load", edit(COVE_PLAN, "machines", SET, flat_load=0.45)
    ),
    "a load below the least": cove(
        "min_load", edit(COVE_PLAN, "machines", SET, count=2, new=2, running=2)
    ),
    "more units at work than stand": ridge(
        "machine_units", edit(RIDGE_PLAN, "machines", "set@hub", count=2, new=2)
    ),
    "more than one unit run on and off": cove(
        "cycled_unit", edit(COVE_PLAN, "machines", OIL, cycled=1.01)
    ),
    "on and off without a battery": cove(
        "cycled_battery", drop(COVE_PLAN, "batteries", "cells@works")
    ),
    "on and off with too little kept for it": cove(
        "swing_reserve", edit(COVE_PLAN, "batteries", "cells@works", swing_part=2.3e6)
    ),
    "on and off with too small a receiver": cove(
        "receiver", edit(COVE_PLAN, "machines", OIL, buffer_vessel={"oil": 0.66})
    ),
    "on and off with no receiver": cove(
        "receiver", edit(COVE_PLAN, "machines", OIL, buffer_vessel={})
    ),
    "a converter that follows": cove(
        "converter_steady", edit(COVE_PLAN, "machines", SPLIT, following={"town": 0.1})
    ),
    "more mean load than machines": cove(
        "machine_units", edit(COVE_MEAN_PLAN, "machines", SET, flat_load=2.01)
    ),
    "on and off on the mean basis": cove(
        "mean_basis_load", edit(COVE_MEAN_PLAN, "machines", SET, cycled=0.1)
    ),
    # bursts
    "fewer units than burn the bursts": ridge(
        "burn_units", edit(RIDGE_PLAN, "machines", "set@hub", burst={"bank@hub": 1.9})
    ),
    "bursts for a battery that is not built": ridge(
        "burn_battery", edit(RIDGE_PLAN, "batteries", "bank@hub", size=0.0)
    ),
    "bursts that the units which turn have no room for": ridge(
        "machine_units",
        edit(RIDGE_PLAN, "machines", "set@hub", count=2, new=2, running=2, flat_load=0.3),
    ),
    "bursts in a machine that must rest": Tampering(
        "burn_rest", RIDGE_PLAN, ridge_set(min_down_time=60.0)
    ),
    "bursts shorter than the machine may run": Tampering(
        "burn_run", RIDGE_PLAN, ridge_set(min_burst_time=3600.0 * JUST_OVER)
    ),
    "bursts for a battery at another bus": ridge(
        "burn_bus",
        edit(RIDGE_PLAN, "sources", "puff", collect={"burn:set@hub>cells@town": 0.008}),
    ),
    "bursts in machines that take no one fluid": cove(
        "burn_one_fluid", edit(COVE_PLAN, "machines", SPLIT, burst={"cells@works": 0.5})
    ),
    # promises of stores
    "a store filled too fast": cove(
        "store_fill_rate", edit(COVE_PLAN, "stores", HOLDER, inflow=0.0011)
    ),
    "a store emptied too fast": cove(
        "store_release_rate",
        edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0028, "town": 0.0012}),
    ),
    "more promised than ever comes": cove(
        "store_long_run", edit(COVE_PLAN, "stores", "tank@works", draw={FLAT: 0.0005})
    ),
    "more promised than the quiet spell allows": cove(
        "store_cut", edit(COVE_PLAN, "stores", "tank@works", draw={FLAT: 350 / 856800 * JUST_OVER})
    ),
    "a smaller store behind a store": ridge(
        "store_cut", edit(RIDGE_PLAN, "stores", "ball@hub", size=5.18, new_size=5.18)
    ),
}
