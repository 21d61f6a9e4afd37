"""Sites of two or three places, so small that all their whole numbers can be tried."""

from __future__ import annotations

import random

from tiny_program import HOUR

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
    Profile,
    Pump,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

GRAM, KILOWATT, KILOWATT_HOUR = 1e-3, 1e3, 3.6e6
CYCLES = (
    (),
    (Stage(4 * HOUR, 6 * HOUR),),
    (Stage(3 * HOUR, 12 * HOUR),),
    (Stage(10 * HOUR, 24 * HOUR),),
    (Stage(1 * HOUR, 2 * HOUR), Stage(6 * HOUR, 8 * HOUR)),
    (Stage(2 * HOUR, 3 * HOUR), Stage(14 * HOUR, 24 * HOUR)),
)
PROFILES = (
    None,
    Profile(24 * HOUR, (0.0, 12 * HOUR), (0.5, 1.5)),
    Profile(12 * HOUR, (0.0, 4 * HOUR, 8 * HOUR), (0.75, 1.5, 0.75)),
)
FLUIDS = {
    "gas": Fluid("gas", heating_value=20e6),
    "air": Fluid("air", emission="biogenic"),
    "smoke": Fluid("smoke", emission="counted"),
}


def tiny_site(seed: int, *, battery: bool, stores: bool, steady: bool = False) -> Site:
    """A site of two or three places, so small that all its whole numbers can be tried.

    ``steady``: one more source, that never stops, beside those that come and go.
    """
    chance = random.Random(f"tiny {seed} {battery} {stores}")
    pick = chance.choice
    resting = random.Random(f"tiny rests {seed} {battery} {stores}")
    places = ["works", "near", "far"][: pick([2, 3]) if not battery else 2]
    builds = [
        PipeType("thin", pick([1.0, 2.0]) * GRAM, (Layer("steel", 1.0),)),
        PipeType("wide", pick([3.0, 5.0]) * GRAM, (Layer("steel", 2.5),)),
    ][: pick([1, 2])]
    routes = [
        Route(f"way_{n}", places[n + 1], pick(places[: n + 1]), pick([10.0, 30.0]), _names(builds))
        for n in range(len(places) - 1)
    ]
    sources = [
        Source(
            f"spring_{n}",
            places[-1 - n],
            "gas",
            flow=pick([1.0, 2.0, 4.0]) * GRAM,
            stages=pick(CYCLES[1:] if battery or n == 0 else CYCLES),
            connection_materials=pick([{}, {"steel": 8.0}]),
            pump=pick([None, None, Pump(4e5, pick([None, 1.5 * GRAM]))]),
        )
        for n in range(pick([1, 2]))
    ]
    if steady:
        kiln_draws = random.Random(f"tiny steady {seed} {battery} {stores}")
        rate, place = kiln_draws.choice([0.3, 0.6, 1.5]) * GRAM, kiln_draws.choice(places)
        pump = kiln_draws.choice([None, None, Pump(4e5, None)])
        sources.append(Source("kiln", place, "gas", flow=rate, pump=pump))
    kinds = []
    if stores:
        kinds.append(
            StoreType(
                "holder",
                "gas",
                tuple(places[: pick([1, 2])]) if not battery else ("works",),
                max_size=pick([15.0, 60.0]),
                unit=pick([None, None, 7.5]) if not battery else None,
                materials={"steel": pick([0.5, 1.5])},
                fill_rate=pick([None, 2.0 * GRAM]),
                release_rate=pick([None, 1.2 * GRAM]),
                loss=pick([0.0, 2e-7]),
            )
        )
    if battery:
        kinds.append(
            StoreType(
                "battery",
                POWER,
                ("works",),
                max_size=pick([8.0, 40.0]) * KILOWATT_HOUR,
                materials={"steel": pick([0.0, 1.0]) / KILOWATT_HOUR},
                charge_efficiency=pick([1.0, 0.9]),
                loss=pick([0.0, 3e-8]),
            )
        )
    engines = [
        MachineType(
            f"engine_{n}",
            inputs={"gas": 1.0 * GRAM},
            outputs={pick(["air", "smoke"]) if n else "air": 2.5 * GRAM},
            places={"works": pick([1, 2])},
            power_out=pick([5.0, 6.0]) * KILOWATT,
            no_load=pick([0.0, 0.2]),
            min_load=pick([0.0, 0.47]),
            min_up_time=pick([60.0, 1800.0]),
            min_down_time=resting.choice([0.0, 0.0, 0.0, 2.0 * HOUR]),
            materials={"steel": pick([0.0, 12.0])},
        )
        for n in range(1 if battery or stores else pick([1, 2]))
    ]
    demand = Demand(
        "load",
        POWER,
        pick([2.0, 5.0, 9.0]) * KILOWATT,
        profile=pick(PROFILES[1:] if battery else PROFILES),
    )
    return Site(
        name=f"tiny {seed}",
        fluids=FLUIDS,
        materials={"steel": Material("steel", stock=pick([40.0, 60.0, 100.0]))},
        places={name: Place(name) for name in places},
        sources={source.name: source for source in sources},
        storage={kind.name: kind for kind in kinds},
        pipes={build.name: build for build in builds},
        routes={route.name: route for route in routes},
        machines={engine.name: engine for engine in engines},
        demands={demand.name: demand},
        limits=Limits(emission=pick([None, 0.8 * GRAM])),
        goals=("clean_power", "served_power", "scarce_material"),
    )


def _names(builds: list[PipeType]) -> tuple[str, ...]:
    return tuple(build.name for build in builds)
