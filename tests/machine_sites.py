"""Sites of machines that may be out of order, and their plans: for several tests."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from allocator.engine.planning import plan_site
from allocator.plans.records import Plan, Robustness
from allocator.search import Settings
from allocator.site.records import (
    POWER,
    Built,
    Demand,
    Fluid,
    Layer,
    MachineType,
    Material,
    PipeType,
    Place,
    Profile,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

HOUR = 3600.0


def named(*things: Any) -> dict[str, Any]:
    return {thing.name: thing for thing in things}


def engines(**changes: Any) -> Site:
    """Steady gas for four engines of 10 kW, ten of which may stand at the mill."""
    site = Site(
        "engines",
        named(Fluid("gas", heating_value=20e6), Fluid("breath", emission="biogenic")),
        named(Material("steel", stock=700.0)),
        named(Place("mill")),
        named(Source("well", "mill", "gas", flow=0.004)),
        storage={},
        pipes={},
        routes={},
        machines=named(
            MachineType(
                "engine",
                {"gas": 0.001},
                {"breath": 0.002},
                {"mill": 10},
                power_out=10e3,
                materials={"steel": 100.0},
            )
        ),
        demands=named(Demand("town", POWER, 200e3)),
    )
    return replace(site, **changes)


def planned(site: Site, machines: int, **settings: int) -> Plan:
    """A plan that holds with so many units out, and passes its audit."""
    robustness = Robustness(machines=machines, **settings)
    made = plan_site(site, Settings(node_limit=500, threads=1, robustness=robustness))
    assert [str(breach) for breach in made.audit.breaches] == []
    return made.plan


def drawn(seed: int) -> Site:
    """Two places with a pipe, sources that come and go, stores, a battery, lines, a profile."""
    random = np.random.default_rng(seed)

    def pick(*values: float) -> float:
        return float(random.choice(values))

    sources = []
    for number in range(int(random.integers(1, 4))):
        every = pick(6.0, 12.0, 24.0) * HOUR
        stages = (Stage(every * pick(0.25, 0.5, 0.75), every),) if random.random() < 0.7 else ()
        place = str(random.choice(["mill", "quay"]))
        sources.append(Source(f"s{number}", place, "gas", pick(2, 3, 5) * 1e-3, stages))
    idle, least = (pick(0.0, 0.2), pick(0.0, 0.3)) if random.random() < 0.5 else (0.0, 0.0)
    profile = Profile(24 * HOUR, (0.0, 8 * HOUR, 16 * HOUR), (0.5, 1.5, 1.0))
    town = Demand("town", POWER, 40e3, profile=profile if random.random() < 0.6 else None)
    return Site(
        f"drawn {seed}",
        named(Fluid("gas", heating_value=20e6)),
        named(Material("steel", stock=pick(700.0, 1200.0, 2500.0))),
        named(Place("mill"), Place("quay", x=100.0)),
        named(*sources),
        storage=named(
            StoreType("holder", "gas", ("mill", "quay"), max_size=300.0, materials={"steel": 2.0}),
            StoreType(
                "cells",
                POWER,
                ("mill",),
                max_size=5e8,
                charge_efficiency=0.9,
                materials={"steel": 1e-6},
            ),
        ),
        pipes=named(PipeType("dn25", pick(2e-3, 6e-3), (Layer("steel", 1.0),))),
        routes=named(Route("lane", "mill", "quay", 100.0, ("dn25",))),
        machines=named(
            MachineType(
                "engine",
                {"gas": 0.001},
                {},
                {"mill": 3, "quay": 2},
                power_out=10e3,
                no_load=idle,
                min_load=least,
                materials={"steel": 100.0},
            ),
            MachineType(
                "turbine",
                {"gas": 0.002},
                {},
                {"quay": 2},
                power_out=15e3,
                materials={"steel": 80.0},
            ),
        ),
        demands=named(town),
        built=Built(machines={("engine", "mill"): int(random.integers(0, 3))}),
    )
