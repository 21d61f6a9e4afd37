"""Whether the number of machines holds a plan back, or gas, boosters and the least load do."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan

HILL = """format: allocator.site/2
name: Hill
fluids:
  gas: {catalogue: landfill gas}
  bio_co2: {phase: gas, emission: biogenic}
materials: {steel: {stock: 9 t}}
places: {yard: {at: [0 m, 0 m]}}
sources:
  steady: {place: yard, fluid: gas, flow: 27 g/s, when_untapped: vents}
  daily: {place: yard, fluid: gas, flow: 9 g/s, when_untapped: vents,
          cycle: [{on: 8 h, every: 12 h}]}
storage: {holder: {holds: gas, places: [yard], size: {max: 800 kg}, price: 8 /kg}}
machines:
  engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW, bio_co2: 14.7 g/s}, price: 40000,
           no_load: 15 %, min_load: 50 %, places: {yard: UNITS}}
  flare: {inputs: {gas: 60 g/s}, outputs: {bio_co2: 88.2 g/s}, price: 8000, places: [yard],
          flare: true}
demands: {grid: {power: 200 kW, place: yard}}
"""

LINE = """format: allocator.site/2
name: Long gas line
ambient: {temperature: 10 degC, pressure: 101325 Pa}
fluids:
  gas: {catalogue: landfill gas}
  bio_co2: {phase: gas, emission: biogenic}
materials: {steel: {stock: 90 t, density: 7850 kg/m^3}}
places: {header: {at: [0 m, 0 m]}, yard: {at: [900 m, 0 m]}}
sources:
  field: {place: header, fluid: gas, flow: 60 g/s, temperature: 30 degC, pressure: 12 kPa(g)}
pipes: {dn80: {catalogue: NPS 3 SCH 40, layers: [{material: steel}]}}
routes: {line: {between: [header, yard]}}
boosters:
  blower: {kind: blower, fluids: [gas], places: [header], ratio: 1.25, efficiency: 55 %,
           discharge_temperature: 60 degC}
machines:
  engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW, bio_co2: 14.7 g/s}, price: 1,
           min_inlet_pressure: 5 kPa(g), places: {yard: UNITS}}
demands: {grid: {power: 288 kW, place: yard}}
"""


def planned(folder: Path, text: str, units: int) -> Plan:
    path = folder / "site.yaml"
    path.write_text(text.replace("UNITS", str(units)), encoding="utf-8")
    plan = make_plan(read_site(path), Settings(node_limit=1000)).plan
    assert plan is not None
    return plan


@pytest.mark.parametrize("units", [2, 3])
def test_gas_that_is_flared_is_not_used(units: int, tmp_path: Path) -> None:
    plan = planned(tmp_path, HILL, units)
    assert any(to.startswith("flare:") for use in plan.sources for to in use.collect)
    assert plan.power.firm_clean == pytest.approx(units * 48e3)
    assert plan.limits == (f"machines.engine.places.yard: {units} of {units} units",)


@pytest.mark.parametrize("units", [6, 9])
def test_more_engines_would_have_no_gas(units: int, tmp_path: Path) -> None:
    """60 g/s are 288 kW; what is missing of them is what the blower takes."""
    plan = planned(tmp_path, LINE, units)
    (blower,) = plan.boosters
    assert plan.power.firm_clean == pytest.approx(288e3 - blower.power)
    (line,) = plan.limits
    assert line.startswith("sources: all are connected and used in full; boosters take 2.")


def test_a_unit_that_cannot_run_is_named(tmp_path: Path) -> None:
    """Half a load takes 15 % + 85 % / 2 of 10 g/s."""
    plan = planned(tmp_path, HILL.replace("27 g/s", "2 g/s").replace("9 g/s", "3 g/s"), 6)
    assert plan.power.firm_clean == 0.0
    assert plan.limits[0] == (
        "minimum load of 'engine': a unit that runs without pause takes 5.75 g/s of 'gas' at "
        "least, and all its sources give 4 g/s on average"
    )
