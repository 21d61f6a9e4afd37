"""Firm power against the draw of boosters."""

import math
from pathlib import Path

import pytest
from pressed_sites import pressed_site

from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.studies.frontier_result import frontier_result
from allocator.studies.trade_off import frontier_steps


def test_more_draw_of_boosters_gives_more_power(tmp_path: Path) -> None:
    site = pressed_site(9, tmp_path)
    steps = frontier_steps(site, "booster_power", 3, Settings(node_limit=5000))
    assert len(steps) == 3
    given = [step.point.given for step in steps]
    assert given[0] == pytest.approx(0.0, abs=1e-3)
    assert given == sorted(given)
    assert [step.point.power for step in steps] == sorted(step.point.power for step in steps)
    for step in steps:
        drawn = math.fsum(use.power for use in step.plan.boosters)
        assert drawn == pytest.approx(step.point.given, rel=1e-6, abs=1e-3)
    assert steps[-1].plan.boosters
    assert "against boosters.power" in str(frontier_result(site, "booster_power", steps))


FAN = """
format: allocator.site/2
name: Two wells and a fan
ambient: {temperature: 12 degC, pressure: 100 kPa}
fluids:
  gas: {phase: gas, heating_value: 15 MJ/kg, constants: {density: 1.20 kg/m^3,
    viscosity: 1.3e-5 Pa*s, molar_mass: 28.4 g/mol, specific_heat: 1350 J/(kg*K)}}
materials: {steel: {stock: 9000 kg, price: 1.5 /kg}}
places:
  field: {at: [0 m, 0 m]}
  bend: {at: [500 m, 0 m]}
  tank: {at: [500 m, 120 m]}
  works: {at: [900 m, 0 m]}
sources:
  well: {place: field, fluid: gas, flow: 20 g/s, pressure: 1 kPa(g), temperature: 20 degC,
    cycle: [{on: 6 h, every: 16 h}], connection: {materials: {steel: 60 kg}, price: 500}}
storage:
  holder: {holds: gas, places: [tank], pressure: 3 kPa(g), size: {max: 1.5 t},
    base: {materials: {steel: 400 kg}, price: 4000}, materials: {steel: 3 kg/kg}, price: 8 /kg}
pipes:
  dn50: {bore: 52.5 mm, layers: [{material: steel, mass: 5.44 kg/m}], price: 20 /m}
  dn80: {bore: 77.9 mm, layers: [{material: steel, mass: 11.29 kg/m}], price: 40 /m}
routes:
  r1: {between: [field, bend], pipes: [dn50, dn80]}
  spur: {between: [bend, tank], pipes: [dn50, dn80]}
  r2: {between: [bend, works], pipes: [dn50, dn80]}
boosters:
  fan: {kind: blower, fluids: [gas], places: {field: 1, bend: 1}, ratio: 1.12, efficiency: 50 %,
    discharge_temperature: 40 degC, price: 2500, materials: {steel: 80 kg}, max_flow: 40 g/s}
machines:
  engine: {inputs: {gas: 2 g/s}, outputs: {power: 9 kW}, materials: {steel: 200 kg}, price: 8000,
    places: {works: 8}, min_inlet_pressure: 1.5 kPa(g)}
demands: {plant: {power: 60 kW, place: works}}
"""


def test_without_power_for_boosters_nothing_is_built(tmp_path: Path) -> None:
    """No engine turns without the fan: the end of 0 W is the empty plan, not what gives nothing."""
    file = tmp_path / "site.yaml"
    file.write_text(FAN, encoding="utf-8")
    steps = frontier_steps(read_site(file), "booster_power", 3, Settings(node_limit=5000))
    assert len(steps) == 3
    assert all(step.plan.verified for step in steps)
    least = steps[0].plan
    assert (steps[0].point.given, steps[0].point.power, least.money) == (0.0, 0.0, 0.0)
    assert not any((least.machines, least.stores, least.runs, least.boosters))
    assert not any(source.new for source in least.sources)
