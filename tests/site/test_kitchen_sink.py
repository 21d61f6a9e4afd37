"""Every key of the site file: the values that are read are the values that are written."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import pytest

from allocator.network.reading import check_site, read_site
from allocator.site.records import (
    Ambient,
    BoosterType,
    Built,
    BuiltBooster,
    BuiltHeatSink,
    BuiltPipe,
    Chamber,
    Demand,
    Fluid,
    HeatSink,
    HeatSinkCooler,
    HeatSinkRecovery,
    Layer,
    Limits,
    Line,
    MachineType,
    MapOrigin,
    Material,
    Mix,
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

DAY = 86_400.0
YEAR = 31_557_600.0
KWH = 3.6e6
BOTH = ("dn50", "hose")
DALE = math.hypot(math.dist((120, 840), (40, 90)) + math.dist((40, 90), (40, 30)), 12)
"""m from the north well by its bend to the yard, 12 m lower."""


@pytest.fixture
def site(kitchen_sink: Path) -> Site:
    return read_site(kitchen_sink)


def test_nothing_is_odd(kitchen_sink: Path) -> None:
    report = check_site(kitchen_sink)
    assert report.faults == ()
    assert report.warnings == ()


def test_site(site: Site, kitchen_sink: Path) -> None:
    assert site.name == "Kitchen sink"
    assert site.about == "free text"
    assert site.currency == "EUR"
    assert site.horizon == 10 * 31_557_600.0
    assert site.discount_rate == 0.06
    assert site.life == 20 * 31_557_600.0
    assert site.load_factor == 0.33
    assert site.goal_slack == 0.02
    assert site.count_biogenic is False
    assert site.ambient == Ambient(281.15, 101_300.0, 4.0)
    assert site.origin == MapOrigin("EPSG:25832", 512_000.0, 5_541_200.0)
    assert site.goals == ("served_power", "clean_power", "money")
    assert site.limits == Limits(300_000 / 31_557_600, 2_000_000.0, ("old pond",))
    series = kitchen_sink.with_name("hall_load.csv").read_bytes()
    assert site.sha256 == hashlib.sha256(kitchen_sink.read_bytes() + series).hexdigest()


def test_fluids_and_materials(site: Site) -> None:
    assert list(site.fluids.values()) == [
        Fluid(
            *("well_gas", "gas", 17.7e6),
            vented_weight=16.2,
            may_hold=("hydrogen sulphide",),
            constants={"density": 1.2},
        ),
        Fluid("hydrogen", heating_value=119.96e6, substance="Hydrogen"),
        Fluid("diesel", "liquid", 42.8e6, constants={"density": 833.0, "viscosity": 0.015}),
        Fluid("fossil_co2", emission="counted"),
        Fluid("bio_co2", emission="biogenic"),
        Fluid("methane_slip", emission="counted", emission_weight=28.0),
    ]
    assert list(site.materials.values()) == [
        Material("pipe_steel", 14_000.0, 1.9, 1.0),
        Material("mineral_wool", 3000.0, 4.0, 2.0),
        Material("cell_lead", None, 6.0, 1.0),
        Material("felt", density=100.0, conductivity=((0.0, 0.04),)),
    ]


def test_places(site: Site) -> None:
    assert list(site.places.values()) == [
        Place("north", 120.0, 840.0, 12.0),
        Place("works", 0.0, 0.0, 0.0, heat_demand=20e3, heat_temperature=333.15),
        Place("yard", 40.0, 30.0, 0.0),
        Place("old pond", 9.0, 9.0, 0.0),
    ]


def test_sources(site: Site) -> None:
    assert list(site.sources.values()) == [
        Source(
            "north_well",
            place="north",
            fluid="well_gas",
            flow=0.0032,
            stages=(Stage(310.0, 470.0), Stage(80 * DAY, 160 * DAY)),
            next_start=6 * 6 * 28_800.0,
            clock="surveyed",
            error=7200.0,
            temperature=313.15,
            pressure=110_000.0,
            when_untapped="vents",
            connection_materials={"pipe_steel": 40.0},
            connection_price=900.0,
            connection_life=25 * YEAR,
            pump=Pump(350_000.0, 0.003, chamber=Chamber(40.0, 102_000.0)),
        ),
        Source(
            "tank_farm",
            place="yard",
            fluid="diesel",
            flow=0.04,
            stages=(Stage(2000 / 0.04, 14 * DAY),),
            price=1.1,
            delivered=True,
            reliable=True,
        ),
    ]


def test_stores(site: Site) -> None:
    assert list(site.storage.values()) == [
        StoreType(
            "gas_holder",
            holds="well_gas",
            places=("north", "works"),
            max_size=4000.0,
            min_size=100.0,
            materials={"pipe_steel": 0.5},
            base_materials={"pipe_steel": 200.0},
            price=3.0,
            base_price=5000.0,
            life=30 * YEAR,
            fill_rate=0.05,
            release_rate=0.04,
            loss=0.001 / DAY,
            pressure=105_000.0,
            pressure_rating=130_000.0,
        ),
        StoreType(
            "battery",
            holds="power",
            places=("works",),
            max_size=400 * KWH,
            unit=20 * KWH,
            materials={"cell_lead": 9 / KWH},
            price=300 / KWH,
            fill_rate=100_000.0,
            charge_efficiency=0.9,
            usable=0.8,
            fill_rate_per_size=0.5 / 3600.0,
            release_rate_per_size=1 / 3600.0,
            throughput_price=0.05 * (1 / KWH),
        ),
    ]


def test_baths(site: Site) -> None:
    assert list(site.heat_sinks.values()) == [
        HeatSink(
            "quench",
            source="north_well",
            mass=2000.0,
            max_mass=9000.0,
            loss_conductance=40.0,
            outside_temperature=280.15,
            initial_temperature=285.15,
            pressure=120_000.0,
            max_temperature=308.15,
            fluid="bio_co2",
            effectiveness=0.9,
            max_outlet_temperature=311.15,
            steam_recovered=True,
            life=30 * YEAR,
            recovery=HeatSinkRecovery(20.0, 303.15, 0.05, 283.15),
            cooler=HeatSinkCooler(30.0, 306.15, 0.04),
        ),
        HeatSink(
            "stones",
            source="north_well",
            mass=1000.0,
            max_mass=10_000.0,
            loss_conductance=5.0,
            initial_temperature=281.15,
            pressure=101_300.0,
            max_temperature=363.15,
            specific_heat=800.0,
            heat_while_on=1000.0,
            enclosure="hall",
        ),
    ]


def test_network(site: Site) -> None:
    assert list(site.pipes.values()) == [
        PipeType(
            "dn50",
            capacity=0.012,
            layers=(Layer("pipe_steel", 5.44), Layer("mineral_wool", 3.1, 0.05)),
            bore=0.053,
            price=40.0,
            life=40 * YEAR,
            fluids=("well_gas", "hydrogen"),
            stock_length=6.0,
            saw_cut=0.003,
            pressure_rating=400_000.0,
        ),
        PipeType("hose", capacity=100 / 28_800),
    ]
    assert list(site.routes.values()) == [
        Route("ridge", "north", "works", 900.0, ("dn50",)),
        Route("dale", "north", "yard", DALE * 1.5, BOTH, via=((40.0, 90.0),), ground_factor=2.5),
        Route("quay", "yard", "works", 50.0, BOTH, one_way=True, cost=0.002),
    ]
    assert list(site.power_lines.values()) == [
        Line("feeder", "works", "yard", 80_000.0, 60.0, 0.02, {"pipe_steel": 0.4}, 12.0, 35 * YEAR)
    ]


def test_machines(site: Site) -> None:
    assert list(site.machines.values()) == [
        MachineType(
            "gas_engine",
            inputs={"well_gas": 0.012},
            outputs={"bio_co2": 0.021},
            places={"works": 6, "yard": 2},
            power_out=70_000.0,
            heat_out=90_000.0,
            no_load=0.15,
            min_load=0.4,
            min_up_time=1200.0,
            min_down_time=300.0,
            min_burst_time=1200.0,
            materials={"pipe_steel": 300.0},
            price=40_000.0,
            heat_temperature=361.15,
            life=10 * YEAR,
            max_units=7,
            min_inlet_pressure=103_000.0,
            pressure_rating=200_000.0,
            mtbf=7_200_000.0,
            mttr=86_400.0,
            service=432_000.0,
        ),
        MachineType(
            "diesel_set",
            inputs={"diesel": 0.002},
            outputs={"fossil_co2": 0.0063, "methane_slip": 1e-6},
            places={"yard": None},
            power_out=30_000.0,
            min_up_time=600.0,
        ),
        MachineType(
            "gas_flare",
            inputs={"well_gas": 0.02},
            outputs={"bio_co2": 0.034},
            places={"north": None},
            min_up_time=600.0,
            flare=True,
        ),
        MachineType(
            "electrolyser",
            inputs={},
            outputs={"hydrogen": 0.00027},
            places={"works": None},
            power_in=50_000.0,
            min_up_time=600.0,
            outlet_pressure=200_000.0,
        ),
    ]


def test_demands(site: Site) -> None:
    town, hall, kiln = site.demands.values()
    assert town == Demand(
        "town",
        wants="power",
        mean=60_000.0,
        place="works",
        profile=Profile(
            DAY, tuple(DAY / 6 * step for step in range(6)), (0.6, 0.6, 0.8, 1.2, 1.5, 1.3)
        ),
        min_share=0.2,
    )
    # 2 kW for 6 h, 8 kW for 12 h, 4 kW for 12 h again: 156 kWh in 30 h
    assert hall.mean == 5200.0
    assert hall.profile is not None
    assert hall.profile == Profile(108_000.0, (0.0, 21_600.0, 64_800.0), hall.profile.levels)
    assert hall.profile.levels == pytest.approx((2 / 5.2, 8 / 5.2, 4 / 5.2), rel=1e-15)
    assert (hall.wants, hall.place, hall.priority, hall.min_share) == ("power", "yard", 2, 0.0)
    assert kiln == Demand("kiln", wants="hydrogen", mean=0.0001, place="works")


def test_built(site: Site) -> None:
    assert site.built == Built(
        sources=("north_well",),
        pipes=(BuiltPipe("ridge", "dn50", "well_gas", 333.15, "north"),),
        power_lines=("feeder",),
        storage={("gas_holder", "north"): 500.0, ("battery", "works"): 40 * KWH},
        machines={("gas_engine", "works"): 1},
        boosters=(BuiltBooster("fan", "north", "well_gas", route="ridge"),),
        heat_sinks=(BuiltHeatSink("quench", 2000.0, recovery=True),),
    )


def test_boosters(site: Site) -> None:
    assert list(site.boosters.values()) == [
        BoosterType(
            "fan",
            kind="blower",
            fluids=("well_gas",),
            places={"north": 1, "works": 1},
            efficiency=0.55,
            ratio=1.2,
            max_flow=0.02,
            min_inlet_pressure=102_000.0,
            discharge_temperature=318.15,
            materials={"pipe_steel": 60.0},
            price=4000.0,
            life=8 * YEAR,
            max_units=3,
        ),
        BoosterType("lift", "pump", ("diesel",), {"yard": None}, efficiency=0.5, head=12.0),
    ]


SMALL = """\
format: allocator.site/2
fluids: {gas: }
places: {a: , b: {at: [3, 4]}}
sources: {well: {place: b, fluid: gas, flow: 1}}
demands: {town: {power: 5}}
storage:
built:
"""


def _read(text: str, folder: Path) -> Site:
    path = folder / "small.yaml"
    path.write_text(text, encoding="utf-8")
    return read_site(path)


def test_mixes(site: Site) -> None:
    assert site.mixes == {
        "gas alone": Mix(
            "gas alone",
            about="all gas",
            machines=("gas_engine", "electrolyser"),
            goals=("served_power", "money"),
            emission=20_000 / 31_557_600,
            money=1_500_000.0,
        ),
        "as it is": Mix("as it is"),
    }


def test_defaults_are_those_of_the_records(tmp_path: Path) -> None:
    site = _read(SMALL, tmp_path)
    assert site == Site(
        name="small",
        fluids={"gas": Fluid("gas")},
        materials={},
        places={"a": Place("a"), "b": Place("b", 3.0, 4.0)},
        sources={"well": Source("well", "b", "gas", 1.0)},
        storage={},
        pipes={},
        routes={},
        machines={},
        demands={"town": Demand("town", "power", 5.0)},
        sha256=site.sha256,
    )


def test_names_in_any_script(tmp_path: Path) -> None:
    text = SMALL.replace("{a: , b:", "{12: , 'Föhn 🌊 \"x\"': ,no: , b:").replace(
        "place: b", "place: 'Föhn 🌊 \"x\"'"
    )
    site = _read(text, tmp_path)
    assert list(site.places) == ["12", 'Föhn 🌊 "x"', "no", "b"]
    assert site.sources["well"].place == 'Föhn 🌊 "x"'


@pytest.mark.parametrize(
    ("cycle", "stages"),
    [
        ("[]", ()),
        ("[{on: 5, every: 5}]", ()),
        ("[{on: 5, every: 5}, {on: 10, every: 20}]", (Stage(10.0, 20.0),)),
        ("[{on: 5, every: 7}, {on: 14, every: 14}]", (Stage(5.0, 7.0), Stage(14.0, 14.0))),
        (
            "[{on: 1 h, every: 6 h}, {on: 0.25 d, every: 1 d}]",
            (Stage(3600.0, 21_600.0), Stage(21_600.0, 86_400.0)),
        ),
    ],
)
def test_inner_stages_that_are_always_on_are_dropped(
    cycle: str, stages: tuple[Stage, ...], tmp_path: Path
) -> None:
    """An outer one stays, as the stages inside begin anew each time that it turns on."""
    site = _read(SMALL.replace("flow: 1}", f"flow: 1, cycle: {cycle}}}"), tmp_path)
    assert site.sources["well"].stages == stages


def test_a_profile_keeps_its_shape_at_any_scale(tmp_path: Path) -> None:
    small = _read(SMALL.replace("{power: 5}", "{power: 5, profile: [1, 3]}"), tmp_path)
    large = _read(SMALL.replace("{power: 5}", "{power: 5, profile: [70, 210]}"), tmp_path)
    assert small.demands == large.demands
    assert small.demands["town"].profile == Profile(86_400.0, (0.0, 43_200.0), (0.5, 1.5))


def test_a_constant_profile_is_none(tmp_path: Path) -> None:
    site = _read(SMALL.replace("{power: 5}", "{power: 5, profile: [2, 2, 2]}"), tmp_path)
    assert site.demands["town"].profile is None
