"""Which limit binds, what is refused, and properties by the user's own constants."""

from __future__ import annotations

import math

import numpy as np
import pytest

from allocator.physics.exchangers import area, effectiveness, transfer_units
from allocator.physics.faults import PhysicsError
from allocator.physics.humidity import dew_point, drained
from allocator.physics.pipes import gas_capacity, liquid_capacity
from allocator.physics.recovery import carnot, recovered_power
from allocator.physics.substances import Substance, library_name, value


@pytest.mark.parametrize(
    ("length", "velocity", "mach", "reason"),
    [
        (10.0, 20.0, 0.3, "velocity"),
        (30_000.0, 20.0, 0.3, "pressure drop"),
        (10.0, 1000.0, 0.1, "Mach number"),
    ],
)
def test_the_limit_that_binds_is_named(
    length: float, velocity: float, mach: float, reason: str
) -> None:
    found = gas_capacity(0.1, length, 1.5e5, 1e5, 1.8, 1.8e-5, 340.0, velocity=velocity, mach=mach)
    assert found.reason() == reason


def test_velocity_is_held_where_the_gas_is_thinnest() -> None:
    found = gas_capacity(0.1, 1.0, 2e5, 1e5, 2.4, 1.8e-5, 340.0, velocity=10.0)
    assert found.rate == pytest.approx(1.2 * 10 * math.pi / 4 * 0.01)


def test_pressures_that_drive_nothing() -> None:
    with pytest.raises(PhysicsError, match="not above its outlet"):
        gas_capacity(0.1, 1.0, 1e5, 1e5, 1.2, 1.8e-5, 340.0)
    with pytest.raises(PhysicsError, match="not above its outlet"):
        liquid_capacity(0.1, 1.0, 0.0, 1000.0, 1e-3)


def test_own_constants_override() -> None:
    own = Substance("gas", library="Hydrogen", constants={"specific_heat": 9000.0})
    assert value(own, "specific_heat", 400.0, 1e5) == 9000.0
    thin = Substance("gas", constants={"density": 1.2}, reference=(300.0, 1e5))
    assert value(thin, "density", 600.0, 2e5) == pytest.approx(1.2)
    molar = Substance("gas", constants={"molar_mass": 0.028})
    assert value(molar, "density", 300.0, 1e5) == pytest.approx(1.1225, rel=1e-3)


def test_speed_of_sound_of_an_ideal_gas() -> None:
    """Dry air at 20 C: 343 m/s, a handbook value."""
    air = Substance("air", constants={"molar_mass": 0.028965, "specific_heat": 1005.0})
    assert value(air, "sound_speed", 293.15, 101325.0) == pytest.approx(343.2, rel=2e-3)


def test_mixture_lies_between_its_parts() -> None:
    mixed = Substance("biogas", library=library_name("Methane[0.6]&CarbonDioxide[0.4]"))
    found = float(value(mixed, "density", 300.0, 101325.0))
    assert found == pytest.approx(
        101325 * (0.6 * 0.016043 + 0.4 * 0.04401) / 8.3145 / 300, rel=0.01
    )


@pytest.mark.parametrize(
    ("substance", "name", "kelvin", "said"),
    [
        (Substance("fog"), "viscosity", 300.0, "no known viscosity"),
        (Substance("h", library="Hydrogen"), "density", 5000.0, "no data at"),
        (
            Substance("mix", library="Hydrogen[0.5]&CarbonMonoxide[0.5]"),
            "viscosity",
            473.15,
            r"no known viscosity: .* none of a mixture such as .*viscosity: \.\.\. Pa\*s",
        ),
        (
            Substance("co", library="CarbonMonoxide"),
            "conductivity",
            473.15,
            "no known conductivity: .* none of 'CarbonMonoxide'",
        ),
        (Substance("steam", library="Water"), "density", 300.0, "is liquid"),
        (Substance("x", library="Unobtainium"), "density", 300.0, "does not know"),
        (Substance("h", library="Hydrogen"), "density", -3.0, "not above 0"),
    ],
)
def test_refusals(substance: Substance, name: str, kelvin: float, said: str) -> None:
    with pytest.raises(PhysicsError, match=said):
        value(substance, name, kelvin, 101325.0)


@pytest.mark.parametrize(
    "text", ["Methane[0.6]&CarbonDioxide[0.5]", "Methane[0.6]&", "Unobtainium"]
)
def test_mixtures_that_are_none(text: str) -> None:
    with pytest.raises(PhysicsError):
        library_name(text)


def test_more_than_an_exchanger_can() -> None:
    with pytest.raises(PhysicsError, match="is possible"):
        transfer_units(0.6, 1.0, "parallel")
    with pytest.raises(PhysicsError, match="unknown arrangement"):
        effectiveness(1.0, 0.5, "sideways")
    with pytest.raises(PhysicsError, match="below its coolant"):
        area(1e3, 400.0, 290.0, 300.0, 350.0, 500.0)


def test_no_engine_passes_carnot() -> None:
    assert carnot(600.0, 300.0) == 0.5
    assert recovered_power(1e4, 600.0, 300.0, 0.2, threshold=500.0) == 2000.0
    assert recovered_power(1e4, 480.0, 300.0, 0.2, threshold=500.0) == 0.0
    with pytest.raises(PhysicsError, match="no engine passes 50 %"):
        recovered_power(1e4, 600.0, 300.0, 0.5)


def test_wet_gas_drips_below_its_dew_point() -> None:
    dew = dew_point(0.05, 101325.0)
    assert drained(0.05, 101325.0, dew + 1, 0.028) == 0.0
    dripped = drained(0.05, 101325.0, 283.15, 0.028)
    in_gas = 0.05 * 0.018015 / (0.95 * 0.028)  # kg with each kg of dry gas
    assert 0 < dripped < in_gas
    # from memory: saturated air at 10 C holds a vapour share of 1.21 % at 1 atm
    left = in_gas - dripped
    assert left / 0.018015 * 0.028 == pytest.approx(0.0121 / (1 - 0.0121), rel=0.01)
    with pytest.raises(PhysicsError):
        dew_point(1.2, 1e5)


def test_capacity_of_many_is_that_of_each() -> None:
    bores = np.array([0.02, 0.05, 0.1])
    together = gas_capacity(bores, 500.0, 1.3e5, 1e5, 0.1, 9e-6, 1300.0)
    for bore, rate in zip(bores, together.rate, strict=True):
        alone = gas_capacity(float(bore), 500.0, 1.3e5, 1e5, 0.1, 9e-6, 1300.0)
        assert float(alone.rate) == pytest.approx(rate, rel=1e-9)
