"""A site built or changed in Python has the network, the plan and the faults of its file."""

from __future__ import annotations

import math
import pickle
from dataclasses import replace
from pathlib import Path

import pytest

import allocator
from allocator.base.errors import SiteFileError
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.file import plan_to_json
from allocator.plans.records import Plan
from allocator.site.records import (
    Ambient,
    Cooler,
    Demand,
    Fluid,
    Layer,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
)

NETWORKS = Path(__file__).parents[2] / "networks"
ZERO = 273.15
"""K of 0 degC."""


def shell(across: float, thickness: float, density: float) -> float:
    """kg/m of a layer around a pipe of a diameter, m."""
    return math.pi * density * thickness * (across + thickness)


def near_furnace() -> Site:
    """``networks/near_furnace.yaml`` written as records."""
    bore, wall = 0.0627, 0.00516
    steel = Layer("steel", shell(bore, wall, 7850.0), wall)

    def build(name: str, wool: float) -> PipeType:
        across = bore + 2 * wall
        around = (Layer("wool", shell(across, wool, 100.0), wool),) if wool else ()
        return PipeType(name, 0.0, (steel, *around), bore, by_bore=True)

    builds = [build("bare", 0.0), build("thin", 0.03), build("thick", 0.12)]
    wool = tuple((c + ZERO, k) for c, k in ((10, 0.033), (50, 0.037), (200, 0.064), (450, 0.15)))
    return Site(
        name="Near furnace",
        fluids={
            "hydrogen": Fluid("hydrogen", "gas", 119.96e6, substance="Hydrogen"),
            "water": Fluid("water", "liquid"),
        },
        materials={
            "steel": Material("steel", 40e3, 1.8, density=7850.0, conductivity=((0.0, 45.0),)),
            "wool": Material("wool", 12e3, 3.0, density=100.0, emissivity=0.3, conductivity=wool),
            "fins": Material("fins", 2e3, 6.0),
        },
        places={"furnace": Place("furnace"), "works": Place("works", 40.0)},
        sources={
            "furnace": Source(
                "furnace", "furnace", "hydrogen", 0.002, temperature=380 + ZERO, pressure=1.4e5
            )
        },
        storage={},
        pipes={build.name: build for build in builds},
        routes={
            "path": Route(
                "path",
                "furnace",
                "works",
                40.0,
                ("bare", "thin", "thick"),
                max_surface_temperature=55 + ZERO,
            )
        },
        machines={
            "turbine": MachineType(
                "turbine",
                {"hydrogen": 0.001},
                {"water": 0.009},
                {"works": 2},
                power_out=30e3,
                min_up_time=600.0,
                price=9000.0,
                max_inlet_temperature=400 + ZERO,
            )
        },
        demands={"town": Demand("town", "power", 60e3)},
        coolers={
            "fin_fan": Cooler(
                "fin_fan",
                "hydrogen",
                50 + ZERO,
                {"furnace": None},
                duty=12e3,
                materials={"fins": 900.0},
                price=20e3,
            )
        },
        ambient=Ambient(10 + ZERO, 101.3e3),
    )


def text_of(plan: Plan) -> str:
    """The plan's file without the digest of the site's."""
    return plan_to_json(replace(plan, site_sha256=""))


def planned(site: Site) -> Plan:
    plan = allocator.plan(site, node_limit=200, prove=0).plan
    assert plan.verified
    return plan


def cooled(plan: Plan) -> bool:
    return any(run.build.startswith("fin_fan") for run in plan.runs)


def of_file(text: str, folder: Path) -> Site:
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return read_site(path)


def test_a_site_built_in_python_has_the_plan_of_its_file() -> None:
    read, built = read_site(NETWORKS / "near_furnace.yaml"), near_furnace()
    plan = planned(built)
    assert len(network_of(built).places) > len(built.places)
    assert network_of(built).routes.keys() == network_of(read).routes.keys()
    assert text_of(plan) == text_of(planned(read))
    assert not cooled(plan)


def test_a_changed_limit_changes_the_answer(tmp_path: Path) -> None:
    """Turbines that bear 60 degC want the gas cooled, which the original does without."""
    file = NETWORKS / "near_furnace.yaml"
    given = read_site(file)
    assert not cooled(planned(given))
    turbine = replace(given.machines["turbine"], max_inlet_temperature=60 + ZERO)
    plan = planned(replace(given, machines={"turbine": turbine}))
    assert cooled(plan)
    text = file.read_text(encoding="utf-8")
    assert text.count("max_inlet_temperature: 400 degC") == 1
    text = text.replace("max_inlet_temperature: 400 degC", "max_inlet_temperature: 60 degC")
    assert text_of(plan) == text_of(planned(of_file(text, tmp_path)))


@pytest.mark.parametrize(
    ("old", "new", "change"),
    [
        (
            "flow: 2 g/s, temperature: 380 degC",
            "flow: 2 g/s, temperature: 150 degC",
            lambda site: replace(
                site, sources={"furnace": replace(site.sources["furnace"], temperature=150 + ZERO)}
            ),
        ),
        (
            "pressure: 1.4 bar",
            "pressure: 1.02 bar",
            lambda site: replace(
                site, sources={"furnace": replace(site.sources["furnace"], pressure=1.02e5)}
            ),
        ),
        (
            "at: [40 m, 0 m]",
            "at: [90 m, 0 m]",
            lambda site: replace(site, routes={"path": replace(site.routes["path"], length=90.0)}),
        ),
    ],
    ids=["temperature", "pressure", "length"],
)
def test_a_changed_site_has_the_network_of_a_changed_file(
    old: str, new: str, change: object, tmp_path: Path
) -> None:
    assert callable(change)
    file = NETWORKS / "near_furnace.yaml"
    text = file.read_text(encoding="utf-8")
    assert text.count(old) == 1
    before = network_of(read_site(file))
    expected = network_of(of_file(text.replace(old, new), tmp_path))
    found = network_of(change(read_site(file)))
    assert found.routes.keys() == expected.routes.keys()
    for name, route in expected.routes.items():
        assert found.routes[name].stream == route.stream
        assert found.routes[name].capacities == pytest.approx(route.capacities)
    assert before.routes != found.routes


def test_all_that_takes_a_site_takes_it_plain(tmp_path: Path) -> None:
    site = near_furnace()
    plan = planned(site)
    network = network_of(site)
    assert allocator.audit(site, plan).accepted
    assert allocator.simulate(site, plan).kept
    results = [allocator.read_result(given, plan) for given in (site, network)]
    assert results[0].summary() == results[1].summary()
    assert allocator.cautions_for(site) == allocator.cautions_for(network) == plan.cautions
    for name, result in zip(("plain", "network"), results, strict=True):
        result.save(tmp_path / name)
    files = sorted(path.name for path in (tmp_path / "plain").iterdir())
    assert files == sorted(path.name for path in (tmp_path / "network").iterdir())
    for name in set(files) - {"run.json"}:
        assert (tmp_path / "plain" / name).read_bytes() == (
            tmp_path / "network" / name
        ).read_bytes(), name


def test_the_network_is_derived_once_and_never_of_itself() -> None:
    site = read_site(NETWORKS / "cool_first.yaml")
    network = network_of(site)
    assert network is network_of(site) is network_of(network)
    assert network.site is site
    assert replace(site, about="changed").derived is None
    assert network_of(replace(network, about="changed")).routes is network.routes
    again = pickle.loads(pickle.dumps(site))
    assert again == site
    assert network_of(again) == network
    first = read_site(NETWORKS / "first.yaml")
    assert network_of(first).site is first


def test_what_physics_refuses_is_told_of_the_thing() -> None:
    site = near_furnace()
    fan = replace(site.coolers["fin_fan"], set_point=500 + ZERO)
    with pytest.raises(SiteFileError, match=r"coolers\.fin_fan: has a set-point of 500 degC"):
        allocator.plan(replace(site, coolers={"fin_fan": fan}))
    fluids = {**site.fluids, "hydrogen": replace(site.fluids["hydrogen"], substance=None)}
    with pytest.raises(SiteFileError, match="site 'Near furnace': pipes"):
        network_of(replace(site, fluids={**fluids, "hydrogen": Fluid("hydrogen")}))
