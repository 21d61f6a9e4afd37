"""A moor made by hand: plans that withstand lost sources, and sources at their low end.

All stands at one place, so that only the store's promise matters. Gas makes 10 MJ of power a kg.
"""

from __future__ import annotations

from dataclasses import replace

from handmade_cove import HOUR, named

from allocator.network.cautions import cautions_for
from allocator.plans.records import (
    FLAT,
    Ceiling,
    DemandUse,
    Emissions,
    GoalResult,
    MachineUse,
    OutageOperation,
    Plan,
    Power,
    Robustness,
    SourceUse,
    StoreUse,
)
from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    MachineType,
    Place,
    Site,
    Source,
    Spread,
    Stage,
    StoreType,
)

MOOR = Site(
    name="Moor",
    sha256="3a" * 32,
    fluids=named(Fluid("gas", heating_value=20e6), Fluid("breath", emission="biogenic")),
    materials={},
    places=named(Place("mill")),
    sources=named(
        Source("one", "mill", "gas", flow=0.002, stages=(Stage(20 * HOUR, 24 * HOUR),)),
        Source("two", "mill", "gas", flow=0.002, stages=(Stage(20 * HOUR, 24 * HOUR),)),
        Source("three", "mill", "gas", flow=0.004, stages=(Stage(12 * HOUR, 24 * HOUR),)),
        Source("kiln", "mill", "gas", flow=0.001),
    ),
    storage=named(StoreType("holder", "gas", ("mill",), max_size=400.0)),
    pipes={},
    routes={},
    machines=named(
        MachineType(
            "set",
            inputs={"gas": 0.001},
            outputs={"breath": 0.002},
            places={"mill": 9},
            power_out=10e3,
        ),
    ),
    demands=named(Demand("town", POWER, 50e3)),
    spreads={
        "sources.one.flow": Spread(0.001, 0.002, 0.003),
        "sources.kiln.flow": Spread(0.0008, 0.001, 0.0012),
    },
)


def beside(power: float) -> tuple[GoalResult, ...]:
    """The later goals of a plan as its search left them: nothing is paid or emitted."""
    return (
        GoalResult("served_power", "W", "max", power, power, 0.0, "optimal"),
        GoalResult("scarce_material", "kg", "min", 0.0, None, None, "time_limit"),
        GoalResult("money", "money", "min", 0.0, None, None, "time_limit"),
    )


# Means while all is well: 0.002 * 20/24 twice and 0.004 * 12/24, 0.005333 kg/s; without 'three',
# the most that any one gives, 0.003333. In the quiet 4 h 0.0033 * 14400 = 47.52 kg are needed;
# without 'one' 'two' alone flows in the next 8 h, (0.0033 - 0.002) * 28800 = 37.44 kg more: 84.96.
MOOR_LOST_PLAN = Plan(
    site_name="Moor",
    site_sha256="3a" * 32,
    basis="firm",
    status="time_limit",
    goals=(
        GoalResult("clean_power", "W", "max", 33e3, 33.3e3, 0.3 / 33.3, "within_gap"),
        *beside(33e3),
    ),
    ceiling=Ceiling(None, None),
    power=Power(33e3, 33e3, 33e3, 33e3, 50e3, 0.66),
    cautions=cautions_for(MOOR),
    sources=(
        SourceUse("one", True, True, {"store:holder@mill": 0.002}),
        SourceUse("two", True, True, {"store:holder@mill": 0.002}),
        SourceUse("three", True, True, {"store:holder@mill": 0.004}),
        SourceUse("kiln", False, False),
    ),
    stores=(StoreUse("holder@mill", "holder", "mill", "gas", 85.0, 85.0, None, {FLAT: 0.0033}),),
    batteries=(),
    runs=(),
    lines=(),
    machines=(MachineUse("set@mill", "set", "mill", 4, 4, 4, 3.3),),
    demands=(DemandUse("town", POWER, 50e3, 0.66, 0.0),),
    materials=(),
    emissions=Emissions(0.0, 0.0066, {"breath": 0.0066}),
    money=0.0,
    robustness=Robustness(lost=1),
)

# A fifth set: with any one of them out of order the other four turn as they do all the time.
MOOR_OUT_PLAN = replace(
    MOOR_LOST_PLAN,
    machines=(MachineUse("set@mill", "set", "mill", 5, 5, 4, 3.3),),
    robustness=Robustness(machines=1),
    outages=(
        OutageOperation(
            {"set@mill": 1},
            (MachineUse("set@mill", "set", "mill", 4, 5, 4, 3.3),),
            {"holder@mill": {FLAT: 0.0033}},
            demands=(DemandUse("town", POWER, 50e3, 0.66, 0.0),),
        ),
    ),
)

# The kiln feeds the sets past the store: 0.0006 of the 0.0008 kg/s that it gives at its low end.
MOOR_LOW_PLAN = replace(
    MOOR_LOST_PLAN,
    goals=(GoalResult("clean_power", "W", "max", 39e3, 39e3, 0.0, "optimal"), *beside(39e3)),
    power=Power(39e3, 39e3, 39e3, 39e3, 50e3, 0.78),
    sources=(*MOOR_LOST_PLAN.sources[:3], SourceUse("kiln", True, True, {}, {FLAT: 0.0006})),
    machines=(MachineUse("set@mill", "set", "mill", 4, 4, 4, 3.9),),
    demands=(DemandUse("town", POWER, 50e3, 0.78, 0.0),),
    emissions=Emissions(0.0, 0.0078, {"breath": 0.0078}),
    robustness=Robustness(low=1),
)
