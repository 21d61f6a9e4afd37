"""Exchangers, condensers, heated masses and lumped bodies against textbooks and standards."""

from __future__ import annotations

import math

import pytest

from allocator.physics.exchangers import area, effectiveness, log_mean, transfer_units
from allocator.physics.pipes import pipe_mass
from allocator.physics.substances import (
    Substance,
    latent_heat,
    saturation_pressure,
    value,
)
from allocator.physics.thermal_mass import HeatSinkStep, Inflow, ThermalMass

ATMOSPHERE = 101325.0
HYDROGEN = Substance("hydrogen", library="Hydrogen")
WATER = Substance("water", phase="liquid", library="Water")


def test_counter_flow_exchanger() -> None:
    """Cengel, Heat and Mass Transfer, 3rd ed. 2006, Example 11-8: geothermal water heats water."""
    cold, hot = 1200 * 4.18, 2000 * 4.31
    heat = cold * 60
    assert heat == pytest.approx(300_960)
    share = heat / (cold * 140)
    assert share == pytest.approx(0.428571, rel=1e-5)
    units = float(transfer_units(share, cold / hot))
    assert units == pytest.approx(0.652362, rel=1e-5)
    assert units * cold / 640 == pytest.approx(5.1129, rel=1e-3)
    assert effectiveness(units, cold / hot) == pytest.approx(share)
    assert area(heat, 433.15, 433.15 - heat / hot, 293.15, 353.15, 640) == pytest.approx(
        5.1129, rel=1e-3
    )


def test_condenser() -> None:
    """Cengel, Example 11-3: steam at 30 C, cooling water from 14 to 22 C, U 2100, 45 m2."""
    mean = float(log_mean(8.0, 16.0))
    assert mean == pytest.approx(11.54, abs=0.005)
    heat = 2100 * 45 * mean
    assert heat == pytest.approx(1_090_700, rel=1e-3)
    assert heat / 4184 / 8 == pytest.approx(32.6, rel=2e-3)
    units = 2100 * 45 / (heat / 8)
    assert effectiveness(units, 0.0, "condenser") == pytest.approx(8 / 16, rel=1e-6)


def test_heating_a_kettle() -> None:
    """Cengel, Example 1-2: 1.2 kg of water in a pot of 0.5 kg, 15 to 95 C at 1200 W."""
    capacity = 1200 * 4.18 + 500 * 0.7
    kettle = ThermalMass(capacity=capacity, loss=0.0, around=288.15)
    assert capacity * 80 == pytest.approx(429_860, rel=3e-3)
    seconds = HeatSinkStep(kettle, Inflow(3600.0, 1200.0)).reach(288.15, 368.15)
    assert seconds is not None
    assert seconds / 60 == pytest.approx(5.97, abs=0.02)


def test_lumped_thermocouple() -> None:
    """Incropera et al., Example 5.1: 5.165 s."""
    # junction of 0.706 mm, rho 8500, c 400, h 400: 25 to 199 C in gas at 200 C
    lag = 8500 * 7.06e-4 / 6 * 400 / 400
    # as a body that gas flows past: 400 W/(m2 K) of a whole degree of contact
    junction = ThermalMass(capacity=lag, loss=0.0, around=298.15)
    gas = HeatSinkStep(junction, Inflow(60.0, contact=1.0, hot=473.15))
    assert gas.reach(298.15, 472.15) == pytest.approx(5.165, rel=2e-3)
    assert gas.piece(298.15).end == pytest.approx(473.15 - 175.0 * math.exp(-60.0 / lag))


@pytest.mark.parametrize(
    ("celsius", "heat", "density"),
    [(25, 14_306.3, 0.082348), (300, 14_537.1, 0.042848), (500, 14_681.0, 0.031767)],
)
def test_hydrogen(celsius: float, heat: float, density: float) -> None:
    """NIST 298.16 K: 14.306 kJ/(kg K); CoolProp 8 for the others."""
    assert value(HYDROGEN, "specific_heat", celsius + 273.15, ATMOSPHERE) == pytest.approx(
        heat, rel=1e-4
    )
    assert value(HYDROGEN, "density", celsius + 273.15, ATMOSPHERE) == pytest.approx(
        density, rel=1e-4
    )


def test_water_and_steam() -> None:
    """IAPWS-IF97 release: saturation at 300 K; heats of boiling by the same formulation."""
    assert value(WATER, "specific_heat", 298.15, ATMOSPHERE) == pytest.approx(4181.9, rel=1e-3)
    assert saturation_pressure("Water", 300.0) == pytest.approx(3536.58941, rel=1e-3)
    for celsius, heat in [(100, 2256.47), (125, 2188.04), (150, 2113.67)]:
        pressure = saturation_pressure("Water", celsius + 273.15)
        assert latent_heat("Water", pressure) == pytest.approx(1000 * heat, rel=1e-3)


@pytest.mark.parametrize(
    ("outer", "wall", "mass"),
    [
        (33.4, 3.38, 2.50),
        (42.2, 3.56, 3.39),
        (48.3, 3.68, 4.05),
        (60.3, 3.91, 5.44),
        (73.0, 5.16, 8.63),
        (88.9, 5.49, 11.29),
        (114.3, 6.02, 16.07),
        (141.3, 6.55, 21.77),
        (168.3, 7.11, 28.26),
    ],
)
def test_steel_pipe(outer: float, wall: float, mass: float) -> None:
    """ASME B36.10M schedule 40, kg a metre."""
    assert pipe_mass((outer - 2 * wall) / 1000, wall / 1000) == pytest.approx(mass, abs=0.006)
