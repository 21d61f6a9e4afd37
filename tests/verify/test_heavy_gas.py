"""Gas near where it condenses weighs much more in a pipe that rises than at ambient pressure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from allocator.engine import plan_site
from allocator.network.pressure_ranges import PressureRange
from allocator.network.reading import read_site
from allocator.physics.faults import PhysicsError
from allocator.physics.substances import Substance, saturation_pressure, value
from allocator.search import Settings

HILL = """format: allocator.site/2
name: Hill
ambient: {temperature: 15 degC}
fluids:
  co2: {phase: gas, substance: CarbonDioxide}
materials:
  steel: {stock: 100 t}
places:
  bottom: {at: [0 m, 0 m]}
  top: {at: [400 m, 0 m], elevation: 200 m}
sources:
  well: {place: bottom, fluid: co2, flow: 10 g/s, pressure: 50 bar, temperature: 15 degC}
pipes:
  dn100: {bore: 100 mm, layers: [{material: steel, mass: 16 kg/m}]}
routes:
  hill: {between: [bottom, top]}
boosters:
  compressor: {kind: compressor, fluids: [co2], places: {bottom: 1}, ratio: 1.5,
               min_inlet_pressure: 10 bar, efficiency: 60 %, discharge_temperature: 40 degC}
demands:
  shop: {fluid: co2, flow: 5 g/s, place: top, min_inlet_pressure: NEEDED bar}
"""
AMBIENT = 101325.0


@pytest.mark.parametrize(("needed", "served"), [("46.5", 1.0), ("47.8", 0.0)])
def test_a_booster_that_could_condense_it_makes_no_gas_lighter(
    tmp_path: Path, needed: str, served: float
) -> None:
    """By 50 bar exp(-g h rho / p), 153 kg/m3 at 50 bar and 15 degC, some 47.1 bar are left."""
    path = tmp_path / "site.yaml"
    path.write_text(HILL.replace("NEEDED", needed), encoding="utf-8")
    found = plan_site(read_site(path), Settings(node_limit=100))
    assert found.audit.accepted
    assert found.plan.demands[0].clean_share + found.plan.demands[
        0
    ].emitting_share == pytest.approx(served)


@pytest.mark.parametrize(
    ("library", "kelvin", "highest"),
    [
        ("CarbonDioxide", 313.15, 200e5),  # turns at some 110 bar
        ("CarbonDioxide", 313.15, 60e5),  # falls
        ("CarbonDioxide", 288.15, 75e5),  # condenses at 50.9 bar
        ("Hydrogen", 288.15, 200e5),  # rises
    ],
)
def test_the_heaviest_law_is_just_below_all_of_the_gas(
    library: str, kelvin: float, highest: float
) -> None:
    gas = Substance("gas", library=library)
    found = PressureRange(gas, AMBIENT, AMBIENT**2, highest**2, kelvin, kelvin).heaviest_law()
    most = highest
    if library == "CarbonDioxide" and kelvin < 304.0:
        most = saturation_pressure(library, kelvin) * (1.0 - 1e-6)
    pressures = np.linspace(AMBIENT, most, 1000)
    least = float(np.min(pressures / value(gas, "density", kelvin, pressures)))
    assert 0.998 * least < found <= least * (1.0 + 1e-9)


def test_what_has_no_known_weight_is_refused() -> None:
    gas = Substance("gas", library="Hydrogen")
    with pytest.raises(PhysicsError):
        PressureRange(gas, AMBIENT, AMBIENT**2, 1e22, 288.15, 288.15).heaviest_law()
