"""Sites so small that all their whole numbers can be tried: wood, a gasifier, an engine.

The gasifier has takings at no load, so its product, gas, and what it burns, smoke, are not in
step. It stands beside the engine: the routes carry wood alone.
"""

from __future__ import annotations

import random

from tiny_sites import CYCLES, GRAM, KILOWATT, PROFILES

from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    Layer,
    Limits,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
    StoreType,
)

FLUIDS = {
    "wood": Fluid("wood", phase="solid", heating_value=15e6),
    "gas": Fluid("gas", heating_value=5e6),
    "air": Fluid("air", emission="biogenic"),
    "smoke": Fluid("smoke", emission="counted"),
}


def converter_site(seed: int) -> Site:
    """A site of two places with a gasifier of one or two units; stores of wood, gas or neither."""
    pick = random.Random(f"tiny converters {seed}").choice
    sources = [
        Source("copse", "wood_yard", "wood", flow=pick([2.0, 3.0, 6.0]) * GRAM, stages=pick(CYCLES))
    ]
    if pick([True, False]):
        sources.append(Source("kiln", "works", "gas", flow=pick([2.0, 4.0]) * GRAM))
    kinds = [
        StoreType(
            "bin",
            "wood",
            ("works",),
            max_size=pick([40.0, 120.0]),
            materials={"steel": pick([0.1, 0.4])},
        ),
        StoreType("holder", "gas", ("works",), max_size=60.0, materials={"steel": 0.5}),
    ][: pick([1, 1, 2])]
    gasifier = MachineType(
        "gasifier",
        inputs={"wood": 2.0 * GRAM},
        outputs={"gas": 5.0 * GRAM, pick(["smoke", "air"]): 1.0 * GRAM},
        places={"works": pick([1, 2])},
        power_in=pick([0.0, 0.0, 0.3 * KILOWATT]),
        no_load=pick([0.2, 0.5]),
        min_load=pick([0.0, 0.3]),
        materials={"steel": pick([0.0, 9.0])},
    )
    engine = MachineType(
        "engine",
        inputs={"gas": 4.0 * GRAM},
        outputs={"air": 9.0 * GRAM},
        places={"works": 2},
        power_out=6.0 * KILOWATT,
        no_load=pick([0.0, 0.2]),
        materials={"steel": pick([0.0, 6.0])},
    )
    return Site(
        name=f"tiny converters {seed}",
        fluids=FLUIDS,
        materials={"steel": Material("steel", stock=pick([30.0, 60.0]))},
        places={name: Place(name) for name in ("works", "wood_yard")},
        sources={source.name: source for source in sources},
        storage={kind.name: kind for kind in kinds},
        pipes={"belt": PipeType("belt", 8.0 * GRAM, (Layer("steel", 1.0),))},
        routes={"lane": Route("lane", "wood_yard", "works", 10.0, ("belt",))},
        machines={"gasifier": gasifier, "engine": engine},
        demands={
            "load": Demand("load", POWER, pick([3.0, 9.0]) * KILOWATT, profile=pick(PROFILES))
        },
        limits=Limits(emission=pick([None, 0.5 * GRAM])),
        goals=("clean_power", "served_power", "scarce_material"),
    )
