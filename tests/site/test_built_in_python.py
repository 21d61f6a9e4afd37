"""Sites written as records in Python equal those of their files, and have the same plans."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import allocator as al
from allocator.network.deriving import network_of
from allocator.plans.file import plan_to_json

NETWORKS = Path(__file__).parents[2] / "networks"
HOUR = 3600.0
ZERO = 273.15
"""K of 0 degC."""


def first() -> al.Site:
    """``networks/first.yaml`` as records."""
    return al.Site(
        name="First site",
        about="One batch digester, a gas holder and a pair of small engines. All data invented.",
        fluids={
            "biogas": al.Fluid("biogas", heating_value=20e6, constants={"density": 1.15}),
            "bio_co2": al.Fluid("bio_co2", emission="biogenic"),
        },
        materials={"steel": al.Material("steel", stock=1060.0, price=1.8)},
        places={"farm": al.Place("farm"), "mill": al.Place("mill", x=200.0)},
        sources={
            "digester": al.Source(
                "digester", "farm", "biogas", 0.012, (al.Stage(6 * HOUR, 24 * HOUR),)
            )
        },
        storage={
            "gas_holder": al.StoreType(
                "gas_holder",
                "biogas",
                ("mill",),
                max_size=400.0,
                materials={"steel": 2.0},
                price=6.0,
            )
        },
        pipes={
            "dn25": al.PipeType("dn25", 0.015, layers=(al.Layer("steel", 2.5),), price=12.0),
        },
        routes={"lane": al.Route("lane", "farm", "mill", 200.0, ("dn25",))},
        machines={
            "small_engine": al.MachineType(
                "small_engine",
                {"biogas": 0.0015},
                {"bio_co2": 0.0026},
                {"mill": 4},
                power_out=10e3,
                min_up_time=600.0,
                materials={"steel": 150.0},
                price=9000.0,
            )
        },
        demands={"mill_drive": al.Demand("mill_drive", "power", 25e3, place="mill")},
    )


def shell(across: float, thickness: float, density: float) -> float:
    """kg/m of a layer around a pipe of a diameter, m."""
    return math.pi * density * thickness * (across + thickness)


def cool_first() -> al.Site:
    """``networks/cool_first.yaml`` as records, with what that file says of itself."""
    bore, wall = 0.0627, 0.00516
    steel = al.Layer("steel", shell(bore, wall, 7850.0), wall)

    def pipe(name: str, wool: float) -> al.PipeType:
        around = al.Layer("wool", shell(bore + 2 * wall, wool, 100.0), wool)
        layers = (steel, around) if wool else (steel,)
        return al.PipeType(name, 0.0, layers, bore, by_bore=True)

    pipes = [pipe("bare", 0.0), pipe("thin", 0.03), pipe("thick", 0.12)]
    wool = tuple((c + ZERO, k) for c, k in ((10, 0.033), (50, 0.037), (200, 0.064), (450, 0.15)))
    ends = al.read_site(NETWORKS / "cool_first.yaml").places
    start, end = ends  # the places may be called otherwise; all else is written here
    hot = {"pressure": 1.4e5}
    north, south = al.read_site(NETWORKS / "cool_first.yaml").sources
    return al.Site(
        name="Cool first",
        about=al.read_site(NETWORKS / "cool_first.yaml").about,
        ambient=al.Ambient(10 + ZERO, 101.3e3, wind=3.0),
        fluids={
            "hydrogen": al.Fluid("hydrogen", "gas", 119.96e6, substance="Hydrogen"),
            "water": al.Fluid("water", "liquid"),
        },
        materials={
            "steel": al.Material("steel", 40e3, 1.8, density=7850.0, conductivity=((0.0, 45.0),)),
            "wool": al.Material(
                "wool", 12e3, 3.0, 2.0, density=100.0, conductivity=wool, emissivity=0.3
            ),
            "fins": al.Material("fins", 1e3, 6.0),
        },
        places={start: al.Place(start), end: al.Place(end, x=700.0)},
        sources={
            north: al.Source(
                north,
                start,
                "hydrogen",
                0.002,
                (al.Stage(8 * HOUR, 20 * HOUR),),
                temperature=380 + ZERO,
                **hot,
            ),
            south: al.Source(
                south,
                start,
                "hydrogen",
                0.0015,
                (al.Stage(5 * HOUR, 9 * HOUR),),
                temperature=360 + ZERO,
                **hot,
            ),
        },
        storage={
            "holder": al.StoreType(
                "holder",
                "hydrogen",
                (end,),
                max_size=300.0,
                materials={"steel": 20.0},
                max_inlet_temperature=50 + ZERO,
            )
        },
        pipes={one.name: one for one in pipes},
        routes={
            "track": al.Route(
                "track",
                start,
                end,
                700.0,
                ("bare", "thin", "thick"),
                max_surface_temperature=55 + ZERO,
            )
        },
        coolers={
            "fin_fan": al.Cooler(
                "fin_fan",
                "hydrogen",
                50 + ZERO,
                {start: None, end: None},
                duty=12e3,
                conductance=200.0,
                coolant=20 + ZERO,
                power_share=0.02,
                materials={"fins": 40.0},
                price=2000.0,
            )
        },
        machines={
            "fuel_cell": al.MachineType(
                "fuel_cell",
                {"hydrogen": 0.0002},
                {"water": 0.0018},
                {end: 6},
                power_out=11e3,
                min_up_time=600.0,
                price=9000.0,
                max_inlet_temperature=60 + ZERO,
            )
        },
        demands={"town": al.Demand("town", "power", 60e3)},
    )


@pytest.mark.parametrize("build", [first, cool_first])
def test_the_site_of_a_file_and_its_plan(build: Callable[[], al.Site]) -> None:
    read, built = al.read_site(NETWORKS / f"{build.__name__}.yaml"), build()
    assert replace(read, sha256="") == built
    mine, filed = network_of(built), network_of(read)
    assert mine.places.keys() == filed.places.keys()
    assert {name: (arc.stream, arc.capacities) for name, arc in mine.routes.items()} == {
        name: (arc.stream, arc.capacities) for name, arc in filed.routes.items()
    }
    texts = [
        plan_to_json(replace(al.plan(site, node_limit=200, prove=0).plan, site_sha256=""))
        for site in (read, built)
    ]
    assert texts[0] == texts[1]
    assert '"verified": true' in texts[0]
