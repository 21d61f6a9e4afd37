"""A ridge made by hand: a site and its plan, with every figure worked out in the comments.

Power lines, bursts into a battery, a store fed by a store, two priorities.
"""

from __future__ import annotations

from handmade_cove import EVENING, HOUR, named

from allocator.network.cautions import cautions_for
from allocator.plans.records import (
    BatteryUse,
    Ceiling,
    DemandUse,
    Emissions,
    GoalResult,
    LineUse,
    MachineUse,
    MaterialUse,
    PipeFlow,
    Plan,
    Power,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.site.records import (
    POWER,
    Built,
    Demand,
    Fluid,
    Layer,
    Line,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

RIDGE = Site(
    name="Ridge",
    sha256="1d" * 32,
    fluids=named(Fluid("gas", heating_value=20e6), Fluid("breath", emission="biogenic")),
    materials=named(Material("steel", stock=2000.0)),
    places=named(Place("pit"), Place("hub"), Place("town")),
    sources=named(
        Source("puff", "pit", "gas", flow=0.01, stages=(Stage(HOUR, 4 * HOUR),)),
        Source("slow", "pit", "gas", flow=0.012, stages=(Stage(12 * HOUR, 48 * HOUR),)),
    ),
    storage=named(
        StoreType("holder", "gas", ("pit",), max_size=400.0, materials={"steel": 1.0}),
        StoreType("ball", "gas", ("hub",), max_size=10.0, materials={"steel": 1.0}),
        StoreType(
            "bank",
            POWER,
            ("hub",),
            max_size=100e6,
            fill_rate=21e3,
            release_rate=5e3,
            loss=1e-7,
            charge_efficiency=0.8,
        ),
        StoreType("cells", POWER, ("town",), max_size=11e6),
    ),
    pipes=named(PipeType("dn25", 0.01, (Layer("steel", 2.5),))),
    routes=named(Route("track", "pit", "hub", 200.0, ("dn25",), cost=0.001)),
    machines=named(
        MachineType(
            "set",
            inputs={"gas": 0.004},
            outputs={"breath": 0.006},
            places={"hub": 4},
            power_out=10e3,
            materials={"steel": 150.0},
        ),
    ),
    power_lines=named(
        Line(
            "feeder", "hub", "town", capacity=8e3, length=60.0, loss=0.05, materials={"steel": 1.0}
        )
    ),
    demands=named(
        Demand("town", POWER, 8e3, place="town", profile=EVENING),
        Demand("lamp", POWER, 3e3, place="town", priority=2),
    ),
    built=Built(sources=("puff", "slow"), storage={("cells", "town"): 11e6}),
    goals=("clean_power", "money"),
    horizon=1e6,
)

RIDGE_PLAN = Plan(
    site_name="Ridge",
    site_sha256="1d" * 32,
    basis="firm",
    status="within_gap",
    goals=(
        GoalResult("clean_power to priority 1", "W", "max", 2400.0, 2400.0, 0.0, "optimal"),
        GoalResult("clean_power", "W", "max", 5400.0, 5400.0, 0.0, "optimal"),
        GoalResult("money", "money", "min", 3.5, 3.0, 0.5 / 3.5, "within_gap"),
    ),
    ceiling=Ceiling(None, None),
    power=Power(5400.0, 5400.0, 5400.0, 5400.0, 11e3, 5.4 / 11),
    sources=(
        SourceUse("puff", True, False, {"burn:set@hub>bank@hub": 0.008}),
        SourceUse("slow", True, False, {"store:holder@pit": 0.008}),
    ),
    stores=(
        # 36 h of quiet: 0.0015 * 129600 = 194.4 kg.
        StoreUse("holder@pit", "holder", "pit", "gas", 200.0, 200.0, None, {"flat": 0.0015}),
        # The evening: 0.00028 * 64800 - 0.0003 * 43200 = 5.184 kg.
        StoreUse("ball@hub", "ball", "hub", "gas", 6.0, 6.0, None, {"town": 0.00028}, 0.0003),
    ),
    batteries=(
        # In: 0.8 * 20 kW for 1 h of 4. Out: 2 kW flat, 1.5 kW following, 6 W lost of 60 MJ. Worst
        # over 11 h in the evening: 2006 * 39600 + 1500 * 59400 - 2 * 57.6e6 = 53.34 MJ.
        BatteryUse(
            "bank@hub",
            "bank",
            "hub",
            70e6,
            70e6,
            None,
            burst_part={"clean": 60e6},
            release={"clean": {"flat": 2000.0, "town": 1500.0}},
        ),
        # 0.5 * 43200 J a W levelled, and 0.1 with the 200 W that are spare
        BatteryUse(
            "cells@town",
            "cells",
            "town",
            11e6,
            0.0,
            None,
            level_part=2.17e6,
            levelled={"town": {"clean": 500.0}},
            level_surplus={"town": {"clean": 200.0}},
        ),
    ),
    runs=(
        Run(
            "track",
            "dn25",
            "gas",
            True,
            (
                PipeFlow("pit", "hub", "collect", "hub", 0.008),
                PipeFlow("pit", "hub", "supply", "flat", 0.0015),
            ),
        ),
    ),
    # 4 kW flat and 2 kW following at one and a half: 7 kW of 8; 3.8 and 1.9 kW arrive.
    lines=(
        LineUse(
            "feeder",
            True,
            (("hub", "town", "clean", "flat", 4e3), ("hub", "town", "clean", "town", 2e3)),
        ),
    ),
    machines=(
        MachineUse("set@hub", "set", "hub", 3, 3, 1, 0.3, {"town": 0.06}, burst={"bank@hub": 2.0}),
    ),
    demands=(
        DemandUse("town", POWER, 8e3, 0.3, 0.0),  # 1.9 kW following, 0.5 kW levelled
        DemandUse("lamp", POWER, 3e3, 1.0, 0.0),
    ),
    # 500 run + 200 + 6 + 450 sets + 60 line
    materials=(MaterialUse("steel", 1216.0, 2000.0),),
    # 0.006 * (0.3 + 0.06 + 2 / 4)
    emissions=Emissions(0.0, 0.00516, {"breath": 0.00516}),
    # along the track: 0.008 / 4 of the bursts + 0.0015, at 0.001 a kg for 1e6 s
    money=3.5,
    cautions=cautions_for(RIDGE),
)
