"""A cove made by hand: a site and its plans, with every figure worked out in the comments.

A store in whole units, a tank that stands in part, flat and following load, a battery that
levels, a unit run on and off, a converter, by-products, fluid demands, a pump, emissions; and
the same site on the mean basis.
"""

from __future__ import annotations

from typing import Any, TypeVar

from allocator.network.cautions import cautions_for
from allocator.plans.records import (
    BatteryUse,
    Ceiling,
    DemandUse,
    Emissions,
    GoalResult,
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
    BuiltPipe,
    Demand,
    Fluid,
    Layer,
    Limits,
    MachineType,
    Material,
    PipeType,
    Place,
    Profile,
    Pump,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

HOUR = 3600.0
DAY = 24 * HOUR

# Half a day at half the mean, half a day at one and a half.
EVENING = Profile(DAY, (0.0, 12 * HOUR), (0.5, 1.5))


Thing = TypeVar("Thing", bound=Any)


def named(*things: Thing) -> dict[str, Thing]:
    """Records by their names."""
    return {thing.name: thing for thing in things}


COVE = Site(
    name="Cove",
    sha256="c0" * 32,
    fluids=named(
        Fluid("gas", heating_value=20e6),
        Fluid("oil", phase="liquid", heating_value=40e6),
        Fluid("hydrogen", heating_value=120e6),
        Fluid("hot_water", phase="liquid"),
        Fluid("breath", emission="biogenic"),
        Fluid("smoke", emission="counted", emission_weight=2.0),
    ),
    materials=named(
        Material("steel", stock=900.0, price=2.0, scarcity=1.0),
        Material("wool", stock=60.0, price=4.0, scarcity=2.0),
        Material("copper", stock=None, price=5.0, scarcity=3.0),
    ),
    places=named(Place("well"), Place("works"), Place("yard"), Place("pond")),
    sources=named(
        Source(
            "north",
            "well",
            "gas",
            flow=0.02,
            stages=(Stage(6 * HOUR, DAY),),
            connection_materials={"steel": 40.0},
            connection_price=100.0,
            pump=Pump(energy=1000.0, rate=0.018),
        ),
        Source("kiln", "yard", "gas", flow=0.0005),
        Source("drum", "works", "oil", flow=0.05, stages=(Stage(2 * HOUR, 10 * DAY),), price=1.0),
        Source("bog", "pond", "gas", flow=0.01),
    ),
    storage=named(
        StoreType(
            "holder",
            "gas",
            ("works", "pond"),
            max_size=400.0,
            min_size=100.0,
            unit=50.0,
            materials={"steel": 1.0},
            base_materials={"steel": 100.0},
            price=3.0,
            base_price=500.0,
            fill_rate=0.017,
            release_rate=0.0045,
        ),
        StoreType(
            "tank",
            "oil",
            ("works",),
            max_size=360.0,
            min_size=0.0,
            materials={"steel": 0.2},
            price=1.0,
        ),
        StoreType(
            "cells",
            POWER,
            ("works",),
            max_size=108e6,
            unit=36e6,
            materials={"copper": 1e-6},
            price=1e-5,
            fill_rate=6e3,
            release_rate=5e3,
            loss=1e-7,
            charge_efficiency=0.9,
        ),
    ),
    pipes=named(
        PipeType("dn25", 0.017, (Layer("steel", 2.5), Layer("wool", 0.5)), price=12.0),
        PipeType("dn15", 0.001, (Layer("steel", 1.0),), price=5.0),
        PipeType("tube", 0.1, (Layer("steel", 0.1),), fluids=("oil",)),
    ),
    routes=named(
        Route("lane", "well", "works", 100.0, ("dn25", "tube")),
        Route("quay", "yard", "works", 50.0, ("dn25",), one_way=True, cost=0.001),
        Route("bank", "pond", "works", 1.0, ("dn25",)),
    ),
    machines=named(
        MachineType(
            "set",
            inputs={"gas": 0.004},
            outputs={"breath": 0.006, "hot_water": 0.01},
            places={"works": 2, "pond": 2},
            power_out=10e3,
            no_load=0.2,
            min_load=0.3,
            materials={"steel": 150.0},
            price=9000.0,
            max_units=2,
        ),
        MachineType(
            "oil_set",
            inputs={"oil": 0.001},
            outputs={"smoke": 0.003},
            places={"works": None},
            power_out=4e3,
            min_up_time=600.0,
        ),
        MachineType(
            "splitter",
            inputs={},
            outputs={"hydrogen": 4e-6},
            places={"works": 1},
            power_in=500.0,
            no_load=0.1,
            materials={"steel": 20.0},
            price=1000.0,
        ),
    ),
    demands=named(
        Demand("town", POWER, 10e3, profile=EVENING),
        Demand("hall", POWER, 2e3, min_share=0.9),
        Demand("burner", "gas", 0.0002, place="works"),
        Demand("filling", "hydrogen", 2e-6, place="works"),
        Demand("wash", "hot_water", 0.004, place="works", profile=EVENING),
    ),
    built=Built(
        sources=("kiln", "drum"),
        pipes=(BuiltPipe("quay", "dn15", "gas"),),
        storage={("tank", "works"): 100.0},
        machines={("oil_set", "works"): 1},
    ),
    limits=Limits(emission=0.003, money=21e3, excluded_places=("pond",)),
    horizon=1e6,
)

COVE_PLAN = Plan(
    site_name="Cove",
    site_sha256="c0" * 32,
    basis="firm",
    status="time_limit",
    goals=(
        GoalResult("clean_power", "W", "max", 6750.0, 7500.0, 0.1, "within_gap"),
        GoalResult("served_power", "W", "max", 7750.0, 7750.0, 0.0, "optimal"),
        GoalResult("served_fluid", "kg/s", "max", 0.003002, None, None, "time_limit"),
        GoalResult("emissions", "kg/s", "min", 0.0021, 0.002, 1 / 21, "within_gap"),
        # 860 + 2 * 50 + 3 * 72
        GoalResult("scarce_material", "kg", "min", 1176.0, 1176.0, 0.0, "optimal"),
        GoalResult(
            "money", "money", "min", 15800.0 + 0.05 / 120 * 1e6 + 0.3, None, None, "time_limit"
        ),
    ),
    ceiling=Ceiling(8e3, 9e3),
    power=Power(6750.0, 6750.0, 7750.0, 7750.0, 12e3, 7750.0 / 12e3),
    sources=(
        SourceUse("north", True, True, {"store:holder@works": 0.016}),
        SourceUse("kiln", True, False, {}, {"flat": 0.0003}),
        SourceUse("drum", True, False, {"store:tank@works": 0.05}),
        SourceUse("bog", False, False),
    ),
    stores=(
        # In 18 h of quiet, 12 h of them in the evening's high half:
        # 0.0024 * 64800 + 0.0012 * (1.5 * 43200 + 0.5 * 21600) = 155.52 + 90.72 = 246.24 kg.
        StoreUse(
            "holder@works",
            "holder",
            "works",
            "gas",
            250.0,
            250.0,
            5,
            {"flat": 0.0024, "town": 0.0012},
        ),
        # 238 h of quiet: 0.0004 * 856800 = 342.72 kg; 100 kg of it stand.
        StoreUse("tank@works", "tank", "works", "oil", 350.0, 250.0, None, {"flat": 0.0004}),
    ),
    batteries=(
        # 0.9 (g - 0.5) = 1.5 - g: g = 1.026316; (1.5 - g) * 43200 = 20463.2 J a W, times 2 kW.
        BatteryUse(
            "cells@works",
            "cells",
            "works",
            72e6,
            72e6,
            2,
            level_part=41e6,
            levelled={"town": {"clean": 2000.0}},
            swing_part=2.5e6,  # at least 4 kW for 600 s
        ),
    ),
    runs=(
        Run("lane", "dn25", "gas", True, (PipeFlow("well", "works", "collect", "works", 0.016),)),
        Run("quay", "dn15", "gas", False, (PipeFlow("yard", "works", "supply", "flat", 0.0003),)),
    ),
    lines=(),
    machines=(
        # Flat fuel 0.004 (0.2 + 0.8 * 0.4) = 0.00208, following 0.004 * 0.8 * 0.375 = 0.0012 kg/s;
        # highest load 0.4 + 1.5 * 0.375 = 0.9625. Power 4 kW flat, 3.75 kW following.
        MachineUse("set@works", "set", "works", 1, 1, 1, 0.4, {"town": 0.375}),
        # 0.9 * 0.35 * 4 kW = 1.26 kW through the battery.
        # One run of 600 s takes 0.6 kg, and 0.9 of what it gives is stored: 0.667 kg.
        MachineUse(
            "oil_set@works", "oil_set", "works", 1, 0, cycled=0.35, buffer_vessel={"oil": 0.7}
        ),
        # 500 W (0.1 + 0.9 * 0.5) = 275 W.
        MachineUse("splitter@works", "splitter", "works", 1, 1, 1, 0.5),
    ),
    demands=(
        DemandUse("town", POWER, 10e3, 0.575, 0.0),  # 3.75 kW following + 2 kW levelled
        DemandUse("hall", POWER, 2e3, 0.5, 0.5),
        DemandUse("burner", "gas", 0.0002, 1.0, 0.0),
        DemandUse("filling", "hydrogen", 2e-6, 1.0, 0.0),
        DemandUse("wash", "hot_water", 0.004, 0.7, 0.0),
    ),
    materials=(
        # 40 tap + 250 run + 250 + 100 holder + 50 tank + 150 set + 20 splitter
        MaterialUse("steel", 860.0, 900.0),
        MaterialUse("wool", 50.0, 60.0),
        MaterialUse("copper", 72.0, None),
    ),
    # 2 * 0.003 * 0.35; 0.006 * (0.2 + 0.8 * 0.4 + 0.8 * 0.375)
    emissions=Emissions(0.0021, 0.00492, {"breath": 0.00492, "smoke": 0.00105}),
    # Capital 1720 + 200 + 360 of material, 100 + 1200 + 750 + 500 + 250 + 720 + 9000 + 1000 of
    # things; running over 1e6 s: oil 0.05 / 120 kg/s at 1, and 0.0003 kg/s along the quay.
    money=15800.0 + 0.05 / 120 * 1e6 + 0.3,
    cautions=cautions_for(COVE),
)

COVE_MEAN_PLAN = Plan(
    site_name="Cove",
    site_sha256="c0" * 32,
    basis="mean",
    status="optimal",
    goals=(
        GoalResult("clean_power", "W", "max", 11.2e3, 11.2e3, 0.0, "optimal"),
        GoalResult("served_power", "W", "max", 11.2e3, 11.2e3, 0.0, "yielded"),
        GoalResult("served_fluid", "kg/s", "max", 0.0, None, None, "not_sought"),
        GoalResult("emissions", "kg/s", "min", 0.0, None, None, "not_sought"),
        GoalResult("scarce_material", "kg", "min", 590.0 + 2 * 50.0, None, None, "not_sought"),
        GoalResult(
            "money",
            "money",
            "min",
            590 * 2.0 + 50 * 4.0 + 100.0 + 1200.0 + 18000.0,
            None,
            None,
            "not_sought",
        ),
    ),
    ceiling=Ceiling(None, None),
    power=Power(11.2e3, 11.2e3, 11.2e3, 11.2e3, 12e3, 11.2 / 12),
    # A quarter of 0.018 kg/s, the pump's rate, is 0.0045.
    sources=(
        SourceUse("north", True, True, {}, {"flat": 0.0045}),
        SourceUse("kiln", True, False),
    ),
    stores=(),
    batteries=(),
    runs=(
        Run("lane", "dn25", "gas", True, (PipeFlow("well", "works", "supply", "flat", 0.0045),)),
    ),
    lines=(),
    machines=(MachineUse("set@works", "set", "works", 2, 2, 0, 1.125),),
    # The pump takes 4.5 W of 11.25 kW.
    demands=(
        DemandUse("town", POWER, 10e3, 0.92, 0.0),
        DemandUse("hall", POWER, 2e3, 1.0, 0.0),
        DemandUse("burner", "gas", 0.0002, 0.0, 0.0),
        DemandUse("filling", "hydrogen", 2e-6, 0.0, 0.0),
        DemandUse("wash", "hot_water", 0.004, 0.0, 0.0),
    ),
    materials=(
        MaterialUse("steel", 590.0, 900.0),
        MaterialUse("wool", 50.0, 60.0),
        MaterialUse("copper", 0.0, None),
    ),
    emissions=Emissions(0.0, 0.00675, {"breath": 0.00675, "smoke": 0.0}),
    money=590 * 2.0 + 50 * 4.0 + 100.0 + 1200.0 + 18000.0,
    cautions=cautions_for(COVE),
)
