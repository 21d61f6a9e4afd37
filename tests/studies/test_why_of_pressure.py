"""What keeps a plan from more, where that is pressure."""

import math
from pathlib import Path

import pytest

from allocator.base.clock import Clock
from allocator.model.limits import Want
from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.search.conflicts import conflict_of

SITE = """format: allocator.site/2
name: Pressed
goals: [clean_power]
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15 kg/m^3,
  viscosity: 1.2e-5, molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}},
  co2: {phase: gas, emission: biogenic}}
places: {a: {at: [0 m, 0 m]}, b: {at: [1000 m, 0 m]}}
sources: {well: {place: a, fluid: gas, flow: 30 g/s, pressure: 111.325 kPa}}
pipes: {dn50: {bore: 52.5 mm}}
routes: {r: {between: [a, b]}}
machines:
  engine: {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW, co2: 2.6 g/s}, places: {b: 30}}
demands: {all: {power: 1000 kW}}
"""


def test_the_pressure_of_sources_is_named_with_what_is_sufficient(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE)
    want = Want("firm_clean", "", 140e3, "clean power wanted at all times is at least")
    settings = Settings(node_limit=2000)
    found = conflict_of(read_site(path), settings, Clock(None), (want,))
    assert {limit.kind for limit in found.limits} == {"pressure", "want"}
    (change,) = [one for one in found.changes if one.limit.kind == "pressure"]
    assert change.amount is not None
    path.write_text(SITE.replace("111.325 kPa", f"{111_325 + change.amount + 1:.3f} Pa"))
    again = conflict_of(read_site(path), settings, Clock(None), (want,))
    assert again.status == "possible"
    short = 111_325 + 0.9 * change.amount
    assert math.isfinite(short)
    path.write_text(SITE.replace("111.325 kPa", f"{short:.3f} Pa"))
    assert conflict_of(read_site(path), settings, Clock(None), (want,)).status == "conflict"
    assert change.amount == pytest.approx(7.7e3, rel=0.02)
