"""A plan without power says which limit keeps which source out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.model.index_sets import index_sets_of
from allocator.model.kept_out import kept_out
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.studies.wanted import want_of
from allocator.studies.why_result import conflict_for, why_result
from allocator.verify import audit

SITE = """
format: allocator.site/2
name: Two wells
fluids:
  gas: {heating_value: 50 MJ/kg, constants: {specific_heat: 2 kJ/(kg*K), density: 1 kg/m^3}}
  water: {phase: liquid, constants: {specific_heat: 4 kJ/(kg*K)}}
materials: {steel: {stock: 10 t}}
places: {near: {at: [0, 0]}, far: {at: [100 m, 0]}, mill: {at: [0, 100 m]}}
sources:
  near_well: {place: near, fluid: gas, flow: 10 g/s, temperature: 400 degC}
  far_well: {place: far, fluid: gas, flow: 10 g/s, temperature: 20 degC}
pipes: {pipe: {capacity: 50 g/s, layers: [{material: steel, mass: 5 kg/m}]}}
routes:
  lane: {between: [near, mill]}
  road: {between: [far, mill]}
machines:
  engine: {inputs: {gas: 2 g/s}, outputs: {power: 30 kW}, places: {mill: 8},
    materials: {steel: 100 kg}}
demands: {town: {power: 100 kW}}
"""
ROAD = "  road: {between: [far, mill]}\n"
NO_FAR = ("  far_well: {place: far, fluid: gas, flow: 10 g/s, temperature: 20 degC}\n", "")
PUMP = (
    "temperature: 400 degC}",
    "temperature: 400 degC, pump: {energy: 1 kJ/kg, max_inlet_temperature: 90 degC}}",
)


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    text = SITE
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "wells.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, *changes: tuple[str, str]) -> Site:
    return network_of(read_site(written(folder, *changes)))


# m cp = 20 W/K from 400 degC, 1 W/K to the air at 15 degC: (20 * 400 + 15) / 21 = 381.7 degC
SINK = (
    "{source: near_well, mass: 1 t, fluid: water, loss_conductance: 1 W/K, "
    "max_temperature: 95 degC}"
)
OUT: list[tuple[str, list[tuple[str, str]], str]] = [
    (
        "no cooler",
        [NO_FAR, PUMP],
        "source 'near_well': 400 degC at the pump, which bears 90 degC; no cooler is offered",
    ),
    (
        "a weak sink",
        [NO_FAR, PUMP, ("demands:", "heat_sinks: {pool: " + SINK + "}\ndemands:")],
        "heat sink 'pool' does not cool it so far: it may reach 382 degC, above its "
        "'max_temperature'",
    ),
    (
        "a weak cooler",
        [
            NO_FAR,
            PUMP,
            (
                "demands:",
                "coolers: {fan: {fluid: gas, set_point: 120 degC, rate: 10 g/s, places: [near]}}\n"
                "demands:",
            ),
        ],
        "which bears 90 degC; cooler 'fan' does not cool it so far",
    ),
    (
        "a machine that bears less",
        [NO_FAR, ("engine: {inputs", "engine: {max_inlet_temperature: 60 degC, inputs")],
        "source 'near_well': 400 degC, and nothing that is offered brings it cool enough to "
        "'engine' at 'mill', which bears 60 degC",
    ),
    (
        "no route",
        [NO_FAR, ("  lane: {between: [near, mill]}\n", "")],
        "source 'near_well': no route that may carry 'gas' leads from 'near' to what takes it",
    ),
    (
        "an excluded place",
        [NO_FAR, ("demands:", "limits: {excluded_places: [near]}\ndemands:")],
        "source 'near_well': 'near' is excluded",
    ),
    (
        "no machine",
        [NO_FAR, ("inputs: {gas: 2 g/s}", "inputs: {water: 2 g/s}")],
        "source 'near_well': no machine that may be built turns 'gas' into power",
    ),
    (
        "a pump that takes all",
        [NO_FAR, (PUMP[0], "temperature: 400 degC, pump: {energy: 20 MJ/kg}}")],
        "source 'near_well': its pump takes 20 MJ for each kg, and no machine gives more than "
        "15 MJ of power for it",
    ),
    (
        "no line",
        [
            NO_FAR,
            ("{power: 100 kW}", "{power: 100 kW, place: far}"),
            ("demands:", "power_lines: {wire: {between: [near, mill], capacity: 90 kW}}\ndemands:"),
        ],
        "source 'near_well': no machine that may be built, from where a line may lead to a demand, "
        "turns 'gas' into power",
    ),
    (
        "no steel",
        [("stock: 10 t", "stock: 0.5 t")],
        "limits that together leave no power: stock.steel is 500 kg",
    ),
    (
        "no steel for what is not kept out",
        [PUMP, ("stock: 10 t", "stock: 0.6 t")],
        "limits that together leave no power: stock.steel is 600 kg",
    ),
]


@pytest.mark.parametrize(("changes", "words"), [o[1:] for o in OUT], ids=[o[0] for o in OUT])
@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_the_reason_is_given(
    changes: list[tuple[str, str]], words: str, basis: str, tmp_path: Path
) -> None:
    site = read(tmp_path, *changes)
    plan = make_plan(site, Settings(node_limit=100, basis=basis, prices=False)).plan
    assert plan is not None
    assert plan.power.mean_total == 0.0
    assert plan.limits
    assert words in "\n".join(plan.limits)
    assert audit(site, plan).accepted


def test_each_source_its_own_reason(tmp_path: Path) -> None:
    site = read(tmp_path, PUMP, (ROAD, ""))
    plan = make_plan(site, Settings(node_limit=100, prices=False)).plan
    assert plan is not None
    assert [line.partition(":")[0] for line in plan.limits] == [
        "source 'near_well'",
        "source 'far_well'",
    ]


def test_nothing_is_said_where_there_is_power(tmp_path: Path) -> None:
    site = read(tmp_path, PUMP)
    plan = make_plan(site, Settings(node_limit=100, prices=False)).plan
    assert plan is not None
    assert plan.power.firm_clean > 99e3
    assert not any("kept out" in line or "source '" in line for line in plan.limits)
    assert len(kept_out(index_sets_of(network_of(site)))) == 1  # all the same the near well is


def test_a_tap_from_which_nothing_can_be_taken_is_not_possible(tmp_path: Path) -> None:
    path = written(tmp_path, PUMP)
    site = read_site(path)
    for name, possible in (("near_well", False), ("far_well", True)):
        wants = [want_of(network_of(site), f"connect:{name}")]
        found = conflict_for(site, Settings(node_limit=100), wants)
        assert (found.status == "possible") == possible
        text = " ".join(why_result(site, found, wants, path).summary().split())
        assert ("which bears 90 degC; no cooler is offered" in text) != possible


def test_all_sources_connected_and_no_more_to_be_had() -> None:
    """Nothing else binds, and the demand is not met: the summary said nothing of the reason."""
    site = read_site(Path(__file__).parents[2] / "networks" / "first.yaml")
    steel = replace(site.materials["steel"], stock=1e5)
    plan = make_plan(replace(site, materials={"steel": steel}), Settings(node_limit=1000)).plan
    assert plan is not None
    assert plan.power.firm_clean == pytest.approx(20e3)
    text = "sources: all are connected and used in full; no control makes more than 20 kW"
    assert plan.limits == (text,)


def test_a_pressure_that_is_just_enough_holds_nothing_back(tmp_path: Path) -> None:
    """All gas is used, and the summary named the pressure of the engine beside its bag."""
    text = """
format: allocator.site/2
name: Farm
fluids:
  gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.2 kg/m^3,
    viscosity: 1.2e-5 Pa*s, molar_mass: 28 g/mol, specific_heat: 1500 J/(kg*K)}}
materials: {steel: {stock: 3 t}}
places: {farm: {at: [0 m, 0 m]}, yard: {at: [100 m, 0 m]}}
sources:
  digester: {place: farm, fluid: gas, pressure: 6 kPa(g), flow: 10 g/s,
    cycle: [{on: 8 h, every: 20 h}]}
storage: {bag: {holds: gas, places: [farm], pressure: 2 kPa(g), size: {max: 800 kg},
    materials: {steel: 2 kg/kg}}}
pipes: {dn25: {bore: 26.6 mm, layers: [{material: steel, mass: 2.5 kg/m}]}}
routes: {lane: {between: [farm, yard]}}
machines:
  engine: {inputs: {gas: 4 g/s}, min_inlet_pressure: 2 kPa(g), outputs: {power: 30 kW},
    materials: {steel: 150 kg}, places: {farm: 3, yard: 3}}
demands: {works: {power: 100 kW}}
"""
    path = tmp_path / "farm.yaml"
    path.write_text(text, encoding="utf-8")
    plan = make_plan(read_site(path), Settings(node_limit=1000)).plan
    assert plan is not None
    assert plan.power.firm_clean == pytest.approx(30e3)
    assert plan.pressures
    text = "sources: all are connected and used in full; no control makes more than 30 kW"
    assert plan.limits == (text,)
