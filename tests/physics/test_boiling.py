"""Boiling at a pressure, against IAPWS-IF97's published figures and a second library."""

from __future__ import annotations

import pytest
from iapws import IAPWS97

from allocator.physics.boiling import WATER, boiling
from allocator.physics.faults import PhysicsError
from allocator.physics.substances import latent_heat, saturation_pressure, saturation_temperature


def test_water_against_the_release() -> None:
    """IAPWS-IF97 (release of 2007, Tables 35 and 36): saturation at 300 K and at 0.1 MPa."""
    assert saturation_pressure(WATER, 300.0) == pytest.approx(3536.58941, rel=1e-8)
    assert saturation_temperature(WATER, 1e5) == pytest.approx(372.755919, abs=1e-5)
    for celsius, heat in [(100, 2256.47), (125, 2188.04), (150, 2113.67)]:
        pressure = saturation_pressure(WATER, celsius + 273.15)
        assert latent_heat(WATER, pressure) == pytest.approx(1000 * heat, rel=5e-5)
    assert saturation_pressure(WATER, 398.15) == pytest.approx(232_224, rel=1e-5)


@pytest.mark.parametrize("pressure", [2e3, 50e3, 101_325.0, 232_224.0, 1e6, 8e6])
def test_water_against_another_library(pressure: float) -> None:
    found = boiling("Water", pressure, 288.15)
    steam = IAPWS97(P=pressure / 1e6, x=1)
    liquid = IAPWS97(P=pressure / 1e6, x=0)
    fresh = IAPWS97(P=pressure / 1e6, T=288.15)
    assert found.at == pytest.approx(steam.T, abs=1e-4)
    assert found.latent == pytest.approx(1000 * (steam.h - liquid.h), rel=2e-4)
    assert found.warmed == pytest.approx(1000 * (steam.h - fresh.h), rel=2e-4)
    mean = 1000 * (liquid.h - fresh.h) / (steam.T - 288.15)
    assert found.specific_heat == pytest.approx(mean, rel=1e-3)


def test_ice_cold_make_up_counts_as_melted() -> None:
    assert boiling("water", 101_325.0, 250.0) == boiling("water", 101_325.0, 273.16)


def test_another_liquid() -> None:
    """Toluene boils at 383.75 K (NIST Chemistry WebBook, from memory, to 0.3 K)."""
    assert boiling("Toluene", 101_325.0, 288.15).at == pytest.approx(383.75, abs=0.3)


def test_refusals() -> None:
    with pytest.raises(PhysicsError, match="does not boil at 3e\\+07 Pa"):
        boiling("Water", 3e7, 288.15)
    with pytest.raises(PhysicsError, match="no warmer than its make-up"):
        boiling("Water", 1e3, 288.15)
    with pytest.raises(PhysicsError, match="does not know"):
        boiling("Phlogiston", 1e5, 288.15)
