"""Amounts that are only rounding are left out of a plan, unless a promise leans on them."""

from __future__ import annotations

from pathlib import Path

from allocator.model.model import Model
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.noise import without_noise
from allocator.simulation import SimulationSettings, simulate
from allocator.verify import audit

DUST = """
format: allocator.site/2
name: Dust
fluids: {gas: {heating_value: 20 MJ/kg}, breath: {emission: biogenic}}
materials:
  steel: {stock: 800, price: 2, scarcity: 2}
  wool: {stock: 100, price: 2, scarcity: 2}
places: {field: {at: [0, 0]}, yard: {at: [100, 50]}}
sources:
  spare:
    place: field
    fluid: gas
    flow: 6 g/s
    cycle: [{on: 562.5, every: 1125}, {on: 1933.59375, every: 7734.375}]
    pump: {energy: 200 kJ/kg, rate: 2 g/s}
  north:
    place: field
    fluid: gas
    flow: 2 g/s
    cycle: &nested
      - {on: 675, every: 2700}
      - {on: 11137.5, every: 14850}
      - {on: 22275, every: 29700}
  south:
    place: field
    fluid: gas
    flow: 6 g/s
    cycle: *nested
    connection: {materials: {steel: 20}}
    pump: {energy: 200 kJ/kg, rate: 2 g/s}
storage:
  battery:
    holds: power
    places: [yard]
    size: {max: 20 kWh, unit: 5 kWh}
    materials: {wool: 2 kg/kWh}
    price: 100 /kWh
pipes:
  plain:
    capacity: 4 g/s
    layers: [{material: steel, mass: 1.5 kg/m}]
    price: 5
    fluids: [gas]
  thick:
    capacity: 1 g/s
    layers: [{material: steel, mass: 3 kg/m}, {material: wool, mass: 0.5 kg/m}]
    price: 10
    fluids: [gas]
routes:
  out: {between: [field, yard], length: 20, cost: 0.01}
  back: {between: [yard, field], length: 20, one_way: true}
machines:
  turning:
    inputs: {gas: 0.6666666666666666 g/s}
    outputs: {power: 4 kW, breath: 1.6666666666666667 g/s}
    places: {yard: 4}
    no_load: 15 %
    min_up_time: 0
    materials: {steel: 50}
    price: 1000
    max_units: 2
  quick:
    inputs: {gas: 0.6666666666666666 g/s}
    outputs: {power: 4 kW, breath: 1.6666666666666667 g/s}
    places: {field: 1, yard: 1}
    price: 1000
    max_units: 2
  maker: {inputs: {power: 2 kW}, outputs: {gas: 0.05 g/s}, places: {field: 1}, min_up_time: 0}
demands: {town: {power: 8 kW}}
"""


def test_noise_that_a_promise_leans_on_stays(tmp_path: Path) -> None:
    """0.3 ug/s of 2.7 g/s: without them the long run is broken.

    A battery behind bursts then runs down by some joules a day, and in three weeks runs dry.
    """
    file = tmp_path / "noise.yaml"
    file.write_text(DUST)
    site = read_site(file)
    plan = make_plan(site, Settings(node_limit=5000, gap=1e-6)).plan
    assert plan is not None
    assert audit(site, plan).breaches == ()
    assert simulate(site, plan, SimulationSettings(days=20.0, phases=1)).kept


def test_rounding_is_measured_by_its_own_kind() -> None:
    """A store of a millionth of the others keeps its amounts; what is 0 but for rounding goes."""
    amounts = {
        ("collect", "north", "store:holder@yard"): 8e-10,
        ("collect", "south", "store:holder@yard"): 1e-24,
        ("collect", "south", "store:vessel@yard"): 2e-3,
        ("collect", "north", "burn:set@yard>battery@yard"): 1e-18,
        ("draw", "holder@yard", "flat"): 6.5e-10,
        ("draw", "holder@yard", "town"): 1e-25,
        ("draw", "vessel@yard", "flat"): 1e-3,
        ("size", "holder@yard"): 5.6e-6,
        ("size", "vessel@yard"): 120.0,
        ("supply", "out", "field", "gas", "flat"): 1e-10,
        ("supply", "out", "field", "gas", "town"): 1e-24,
    }
    model = Model()
    for key in amounts:
        model.variable(key)
    left = without_noise(model, amounts)
    gone = {key for key, value in left.items() if value == 0.0}
    assert gone == {
        ("collect", "south", "store:holder@yard"),
        ("collect", "north", "burn:set@yard>battery@yard"),
        ("draw", "holder@yard", "town"),
        ("supply", "out", "field", "gas", "town"),
    }
