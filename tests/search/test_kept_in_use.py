"""A plan made again holds of a former one only what is used, and nothing in grams."""

from __future__ import annotations

from pathlib import Path

import pytest

import allocator as al
from allocator.network.reading import check_site
from allocator.site.state import read_state

SITE = """format: allocator.site/2
goals: [clean_power, scarce_material]
goal_slack: 0.5 %
fluids:
  biogas: {phase: gas, heating_value: 20 MJ/kg}
  off_gas: {phase: gas, heating_value: 10 MJ/kg, constants: {density: 1 kg/m^3,
    specific_heat: 1100, viscosity: 2e-5, molar_mass: 0.026, conductivity: 0.04}}
materials: {steel: {stock: 2 t}}
places:
  a: {at: [0 m, 0 m]}
  kiln: {at: [0 m, 100 m]}
  b: {at: [100 m, 0 m]}
sources:
  digester: {place: a, fluid: biogas, flow: 4 g/s, cycle: [{on: 6 h, every: 12 h}]}
  purge: {place: kiln, fluid: off_gas, flow: 5 g/s, cycle: [{on: 3 h, every: 5 h}],
          temperature: 300 degC, connection: {materials: {steel: 20 kg}}}
storage:
  holder: {holds: biogas, places: [a], size: {max: 400 kg}, materials: {steel: 2 kg/kg}}
  tank: {holds: off_gas, places: [b, kiln], size: {max: 100 kg}, materials: {steel: 1 kg/kg},
         max_inlet_temperature: 90 degC}
pipes: {tube: {capacity: 20 g/s, layers: [{material: steel, mass: 2 kg/m}]}}
routes: {lane: {between: [a, b]}, trench: {between: [kiln, b]}}
coolers:
  fan: {fluid: off_gas, set_point: 80 degC, places: [kiln], duty: 4 kW, materials: {steel: 10 kg}}
machines:
  engine: {inputs: {biogas: 1 g/s}, outputs: {power: 7 kW}, places: {b: 2},
           materials: {steel: 5 kg}}
  off_engine: {inputs: {off_gas: 1 g/s}, outputs: {power: 3 kW}, places: {b: 2},
               max_inlet_temperature: 90 degC}
demands: {mill: {power: 30 kW, place: b}}
"""
STANDS = """built:
  sources: [digester]
  pipes: [{route: lane, pipe: tube, fluid: biogas}]
  storage: {holder: {a: 30 kg}}
  machines: {engine: {b: 2}}
"""
SETTINGS = al.Settings(node_limit=300)


@pytest.fixture(scope="module")
def former(tmp_path_factory: pytest.TempPathFactory) -> al.Plan:
    path = tmp_path_factory.mktemp("former") / "site.yaml"
    path.write_text(SITE, encoding="utf-8")
    plan = al.plan(path, node_limit=300, prove=0).plan
    assert {one.type for one in plan.machines if one.count} == {"engine", "off_engine"}
    assert {one.name for one in plan.sources if one.tapped} == {"digester", "purge"}
    return plan


@pytest.mark.parametrize("weight", [0.0, 0.1])
def test_what_nothing_comes_to_any_more_is_not_ordered(
    weight: float, former: al.Plan, tmp_path: Path
) -> None:
    """The trench takes 200 kg, and 60 kg are left: all that off-gas needs is useless."""
    path = tmp_path / "site.yaml"
    text = SITE.replace("stock: 2 t", "stock: 60 kg")
    path.write_text(text + STANDS.replace("30", "400"), encoding="utf-8")
    again = al.replan(path, former, keep_weight=weight, settings=SETTINGS)
    assert again.audit.accepted
    plan = again.plan
    assert [one.name for one in plan.sources if one.new] == []
    assert [one.name for one in plan.machines if one.new] == []
    assert [one.name for one in plan.stores if one.new_size > 0] == []
    assert all(use.used == 0.0 for use in plan.materials)


def test_what_still_runs_is_kept(former: al.Plan, tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE, encoding="utf-8")
    again = al.replan(path, former, settings=SETTINGS)
    assert len(again.changes) == 0


def test_a_store_that_exists_grows_by_no_dust(former: al.Plan, tmp_path: Path) -> None:
    """A gram more of the holder would give a little more power, and nobody orders it."""
    path = tmp_path / "site.yaml"
    for stock, grows in (("0.04 kg", False), ("10 kg", True)):
        text = SITE.replace("stock: 2 t", f"stock: {stock}") + STANDS
        path.write_text(text.replace("[biogas, off_gas]", "[biogas]"), encoding="utf-8")
        plan = al.plan(path, node_limit=300, prove=0).plan
        (holder,) = [one for one in plan.stores if one.type == "holder"]
        assert (holder.new_size >= 0.03) == grows
        assert (holder.new_size == 0.0) == (not grows)


def test_a_cooler_of_gas_that_no_source_gives_is_told(tmp_path: Path) -> None:
    start, end = SITE.index("  purge:"), SITE.index("storage:")
    path = tmp_path / "site.yaml"
    path.write_text(SITE[:start] + SITE[end:], encoding="utf-8")
    report = check_site(path)
    assert report.faults == ()
    told = [str(one) for one in report.warnings if "cooler 'fan'" in str(one)]
    assert len(told) == 1
    assert "cools 'off_gas', which no source gives, so it is not used" in told[0]


def test_a_level_as_high_as_the_size_is_told(tmp_path: Path) -> None:
    """399.999 kg is told as 400 kg, so a store of it may be said to hold that."""
    path = tmp_path / "state.yaml"
    path.write_text(
        "format: allocator.state/1\nsite: S\nlevels: {holder@a: 400 kg}\n", encoding="utf-8"
    )
    state = read_state(
        path, "S", {"stores": {"holder@a": None}}, {"holder@a": (399.99937, "kg")}, lambda *_: None
    )
    assert state.levels == {"holder@a": 399.99937}
