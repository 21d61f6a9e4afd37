"""Single tamperings with set-points: reserves, run levels, the order of starting."""

from __future__ import annotations

import dataclasses
from typing import Any

from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from tampering import JUST_OVER, Tampering, change, cove

from allocator.plans.records import ChamberHold, Plan, RunLevels, SetPoints, StoreHold
from allocator.site.records import Chamber

POINTS = SetPoints(
    stores=(
        StoreHold("holder@works", "kg", 246.3),  # its worst window takes 246.24 kg
        StoreHold("tank@works", "kg", 350.0),
        StoreHold("cells@works levelling", "J", 41e6),
    ),
    cycled=(RunLevels("oil_set@works", 0.0, 2.5e6),),
    start_order=("set@works", "oil_set@works"),
)
NORTH = COVE.sources["north"]
CHAMBERED = dataclasses.replace(
    COVE,
    fluids={
        **COVE.fluids,
        "gas": dataclasses.replace(COVE.fluids["gas"], constants={"molar_mass": 0.026}),
    },
    sources={
        **COVE.sources,
        "north": dataclasses.replace(
            NORTH,
            pressure=1.5e5,
            pump=dataclasses.replace(NORTH.pump, chamber=Chamber(40.0, 1.1e5)),
        ),
    },
)
COVE_HELD = change(COVE_PLAN, set_points=POINTS)


def held(**changes: Any) -> Plan:
    """The plan with parts of its set-points changed."""
    return change(COVE_PLAN, set_points=dataclasses.replace(POINTS, **changes))


def kept(which: int, **changes: Any) -> Plan:
    """The plan with one of its reserves changed."""
    stores = list(POINTS.stores)
    stores[which] = dataclasses.replace(stores[which], **changes)
    return held(stores=tuple(stores))


TAMPERED: dict[str, Tampering] = {
    "a reserve that is too low": cove("reserve_need", kept(0, reserve=246.2), "holder@works"),
    "a reserve below the part that levels": cove("reserve_need", kept(2, reserve=40e6)),
    "a reserve that does not fit": cove("reserve_most", kept(1, reserve=350.0 * JUST_OVER)),
    "a reserve in joules of oil": cove("set_points", kept(1, unit="J")),
    "a reserve of no store": cove("unknown_name", kept(1, store="sea")),
    "a store without a reserve": cove("set_points", held(stores=POINTS.stores[1:])),
    "run levels beyond the swing part": cove(
        "run_levels", held(cycled=(RunLevels("oil_set@works", 0.0, 2.6e6),))
    ),
    "a run that is too short": cove(
        "run_levels", held(cycled=(RunLevels("oil_set@works", 1e6, 1.1e6),))
    ),
    "a chamber drawn too low": Tampering(
        "chamber_hold", held(chambers=(ChamberHold("north", 1.1e5 / JUST_OVER),)), CHAMBERED
    ),
    "a chamber above the mouth": Tampering(
        "chamber_hold", held(chambers=(ChamberHold("north", 1.5e5 * JUST_OVER),)), CHAMBERED
    ),
    "a chamber of a source without": cove("set_points", held(chambers=(ChamberHold("bog", 1e5),))),
    "run levels of what turns for ever": cove(
        "set_points", held(cycled=(*POINTS.cycled, RunLevels("set@works", 0.0, 1.0)))
    ),
    "no run levels": cove("set_points", held(cycled=())),
    "emitting before clean": cove("start_order", held(start_order=("oil_set@works", "set@works"))),
    "a group that never starts": cove("start_order", held(start_order=("set@works",))),
    "set-points without a promise": cove(
        "set_points", change(COVE_MEAN_PLAN, set_points=SetPoints()), "set-points"
    ),
}
