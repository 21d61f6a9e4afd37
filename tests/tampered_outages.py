"""Single tamperings with the operation of a plan while machine units are out of order."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from handmade_moor import MOOR, MOOR_OUT_PLAN
from tampering import Tampering, change, edit

from allocator.plans.records import FLAT, Plan, Robustness

(OUTAGE,) = MOOR_OUT_PLAN.outages
(SETS,) = OUTAGE.machines
(TOWN,) = OUTAGE.demands


def moor(rule: str, plan: Plan) -> Tampering:
    return Tampering(rule, plan, MOOR)


def operated(**changes: Any) -> Plan:
    return change(MOOR_OUT_PLAN, outages=(replace(OUTAGE, **changes),))


def machines(**changes: Any) -> Plan:
    return operated(machines=(replace(SETS, **changes),))


KILN = edit(MOOR_OUT_PLAN, "sources", "kiln", tapped=True, new=True, direct={FLAT: 0.0001})

TAMPERED: dict[str, Tampering] = {
    "no operation for a unit that may be out": moor("machines_out", change(KILN, outages=())),
    "an operation stated twice": moor("machines_out", change(KILN, outages=(OUTAGE, OUTAGE))),
    "an operation of outages that nothing asks for": moor(
        "machines_out", change(MOOR_OUT_PLAN, robustness=None)
    ),
    "one unit more said to be withstood": moor(
        "machines_out", change(MOOR_OUT_PLAN, robustness=Robustness(machines=2))
    ),
    "an operation without the unit that is out": moor("outage_design", machines(count=5)),
    "another unit bought for an outage": moor("outage_design", machines(new=6)),
    "more units turn than are left": moor("machine_units", machines(running=5)),
    "more load than the units that turn": moor("running_load", machines(flat_load=4.1)),
    "less load than what is served": moor("power_balance_flat", machines(flat_load=3.2)),
    "more burnt than is released": moor("supply_balance", machines(flat_load=3.4)),
    "a store that releases more than it promises": moor(
        "outage_draw", operated(draws={"holder@mill": {FLAT: 0.0034}})
    ),
    "another shape than the store promises": moor(
        "unknown_name", operated(draws={"holder@mill": {"tide": 0.0001}})
    ),
    "a source that gives more straight into supply": moor(
        "outage_draw", replace(KILN, outages=(replace(OUTAGE, direct={"kiln": {FLAT: 0.0002}}),))
    ),
    "less served than promised": moor(
        "outage_promise", operated(demands=(replace(TOWN, clean_share=0.65),))
    ),
    "emitting power for clean": moor(
        "outage_promise",
        operated(demands=(replace(TOWN, clean_share=0.65, emitting_share=0.01),)),
    ),
    "a demand left out of an outage": moor("outage_promise", operated(demands=())),
    "a store that is not there": moor("outage_design", operated(draws={"tub@mill": {FLAT: 0.0}})),
}
