"""Insulated pipes against worked examples of heat-transfer textbooks.

The full-precision figures are the books' inputs by plain formulas; print is rounded on the way.
"""

from __future__ import annotations

import math

import pytest
from physics.pipes_by_hand import loss, mean_nusselt, pipe

from allocator.physics.films import (
    STEFAN_BOLTZMANN,
    radiation,
    still_air,
    wind_over_pipe,
)
from allocator.physics.inner_film import least_nusselt
from allocator.physics.insulation import Outside, critical_radius
from allocator.physics.runs import along, end_temperature

KELVIN = 273.15
BTU = 1055.05585262
FOOT, INCH = 0.3048, 0.0254


def fahrenheit(kelvin: float) -> float:
    return (kelvin - KELVIN) * 9 / 5 + 32


def test_steam_pipe_in_glass_wool() -> None:
    """Cengel, Heat and Mass Transfer, 3rd ed. 2006, Example 3-8."""
    steam = pipe(0.05, (80.0, 0.0025), (0.05, 0.030))
    found = loss(steam, 320 + KELVIN, 5 + KELVIN, film=18.0, inside=60.0)
    assert found.per_metre[0] == pytest.approx(121, abs=0.5)
    assert found.per_metre[0] == pytest.approx(120.7861, rel=1e-5)
    faces = found.faces[:, 0]
    assert faces[1] - faces[2] == pytest.approx(283.5877, rel=1e-5)
    films = [0.10610, 0.00019, 2.34785, 0.15377]
    drops = [320 + KELVIN - faces[0], faces[0] - faces[1], faces[1] - faces[2], faces[2] - 278.15]
    for drop, resistance in zip(drops, films, strict=True):
        assert drop / found.per_metre[0] == pytest.approx(resistance, abs=6e-6)


def test_rock_wool_by_iteration() -> None:
    """Kern, Process Heat Transfer, 1950, Example 2.5, p. 19: ha is 2.23 at 150 F, 2.10 at 125 F."""
    unit = BTU / 3600 / FOOT**2 / (5 / 9)
    lagged = pipe(2.375 * INCH, (0.033 * BTU / 3600 / FOOT / (5 / 9), 0.5 * INCH))
    hot, air = (300 - 32) * 5 / 9 + KELVIN, (70 - 32) * 5 / 9 + KELVIN
    btu_a_foot = 3600 / BTU * FOOT
    first = loss(lagged, hot, air, film=2.23 * unit)
    assert first.per_metre[0] * btu_a_foot == pytest.approx(104.4, rel=0.005)
    second = loss(lagged, hot, air, film=2.10 * unit)
    assert second.per_metre[0] * btu_a_foot == pytest.approx(102.9, rel=0.005)
    assert fahrenheit(second.surface[0]) == pytest.approx(125.4, abs=1.0)


def test_critical_radius_of_a_small_pipe() -> None:
    """Holman, Heat Transfer, Example 2-5: a thin layer loses more than none."""
    radius = critical_radius(0.17, 3.0)
    assert radius == pytest.approx(0.05667, rel=1e-3)
    bare = loss(pipe(0.05), 200.0 + KELVIN, 20.0 + KELVIN, film=3.0)
    at_radius = loss(pipe(0.05, (0.17, radius - 0.025)), 473.15, 293.15, film=3.0)
    assert bare.per_metre[0] == pytest.approx(84.82, rel=1e-3)
    assert at_radius.per_metre[0] == pytest.approx(105.74, rel=1e-3)


@pytest.mark.parametrize(
    ("thickness", "resistance"), [(0.0, 6.366), (0.002, 5.521), (0.006, 5.175), (0.020, 5.931)]
)
def test_least_resistance(thickness: float, resistance: float) -> None:
    """Incropera et al., 6th ed., Example 3.5: the least is at r = k/h = 11 mm."""
    assert critical_radius(0.055, 5.0) == pytest.approx(0.011)
    layers = ((0.055, thickness),) if thickness else ()
    assert loss(pipe(0.010, *layers), 300.0, 290.0, film=5.0).resistance[0] == pytest.approx(
        resistance, rel=1e-3
    )


def test_air_cools_in_a_duct() -> None:
    """Cengel, Example 8-6: hot air through a square duct in the attic, walls at 60 C."""
    density, heat, conductivity, nu, prandtl = 0.9994, 1008.0, 0.02953, 2.097e-5, 0.7154
    side, length = 0.2, 8.0
    speed = 0.15 / side**2
    nusselt = mean_nusselt(speed * side / nu, prandtl, side / length)
    film = float(nusselt) * conductivity / side
    rate = density * 0.15
    outlet = end_temperature(80.0, 60.0, length, 1 / (film * 4 * side), rate, heat)
    assert outlet == pytest.approx(71.294, abs=0.05)
    assert rate * heat * (80 - float(outlet)) == pytest.approx(1315.6, rel=0.003)
    film = float(least_nusselt(speed * side / nu, prandtl)) * conductivity / side
    assert 71.294 < end_temperature(80.0, 60.0, length, 1 / (film * 4 * side), rate, heat) < 75.0


def test_oil_cools_under_a_lake() -> None:
    """Cengel, Example 8-3: laminar flow of oil in a pipe with walls at 0 C."""
    density, heat, conductivity, nu, prandtl = 888.1, 1880.0, 0.145, 9.429e-4, 10863.0
    bore, length, speed = 0.3, 200.0, 2.0
    nusselt = mean_nusselt(speed * bore / nu, prandtl, bore / length)
    film = float(nusselt) * conductivity / bore
    rate = density * math.pi / 4 * bore**2 * speed
    outlet = end_temperature(20.0, 0.0, length, 1 / (film * math.pi * bore), rate, heat)
    assert outlet == pytest.approx(19.714, abs=0.01)
    assert rate * heat * (20 - float(outlet)) == pytest.approx(67_523, rel=1e-3)
    film = float(least_nusselt(speed * bore / nu, prandtl)) * conductivity / bore
    assert film == pytest.approx(3.66 * conductivity / bore)
    assert 19.714 < end_temperature(20.0, 0.0, length, 1 / (film * math.pi * bore), rate, heat) < 20


def test_air_in_a_duct_under_a_floor() -> None:
    """Incropera et al., 6th ed., Example 8.6 (from memory): Re 20 384, Nu 57.9, 11.6 W/(m2 K)."""
    reynolds = 4 * 0.05 / (math.pi * 0.15 * 208.2e-7)
    assert reynolds == pytest.approx(20_384, rel=1e-4)
    assert least_nusselt(reynolds, 0.70) == pytest.approx(0.75 * 57.9, rel=2e-3)


def test_bare_pipe_in_a_still_room() -> None:
    """Incropera et al., 6th ed., Example 9.4, p. 580: radiation beside free convection."""
    size, hot, room = 0.1, 165.0, 23.0
    rays = float(radiation(0.85, hot + KELVIN, room + KELVIN)) * math.pi * size * (hot - room)
    assert rays == pytest.approx(441.0, rel=0.005)


def test_thickness_for_a_touch_limit() -> None:
    """Cengel, Example 7-8 (the book's answer from memory): surface at 40 C for 6.97 mm."""

    def surface(thickness: float) -> float:
        lagged = pipe(0.016, (15.0, 0.002), (0.038, thickness))
        return float(loss(lagged, 120 + KELVIN, 25 + KELVIN, film=20.0, inside=70.0).surface[0])

    low, high = 0.001, 0.05
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if surface(middle) > 40 + KELVIN else (low, middle)
    assert high == pytest.approx(0.00697, rel=0.01)


def test_surface_coefficients() -> None:
    """ISO 12241:2008, surface coefficients, as used in practice (from memory)."""
    assert radiation(0.9, 350.0, 300.0) == pytest.approx(
        0.9 * STEFAN_BOLTZMANN * (350.0**4 - 300.0**4) / 50.0
    )
    assert still_air(0.2, 30.0) == pytest.approx(1.25 * (30 / 0.2) ** 0.25)
    assert still_air(1.0, 30.0) == pytest.approx(1.21 * 30 ** (1 / 3))
    assert still_air(0.2, 30.0, vertical=True) == pytest.approx(1.32 * (30 / 0.2) ** 0.25)
    assert still_air(1.0, 30.0, vertical=True) == pytest.approx(1.74 * 30 ** (1 / 3))
    assert wind_over_pipe(0.1, 0.08) == pytest.approx(8.1e-3 / 0.1 + 3.14 * (0.08 / 0.1) ** 0.5)
    assert wind_over_pipe(0.1, 3.0) == pytest.approx(8.9 * 3.0**0.9 / 0.1**0.1)


def test_closed_form_against_march() -> None:
    """Own figures, computed by hand: R' 2.834195 K m/W, 88.66268 C at the end."""
    lagged = pipe(0.0889, (0.045, 0.050))
    lost = loss(lagged, 363.15, 283.15, film=10.0)
    assert lost.resistance[0] == pytest.approx(2.834195, rel=1e-6)
    end = end_temperature(90.0, 10.0, 100.0, lost.resistance[0], 0.5, 4186.0)
    assert end == pytest.approx(88.66268, rel=1e-5)
    marched = along(lagged, 363.15, 100.0, 0.5, 4186.0, Outside.of(1, 283.15, film=10.0))
    assert marched.end[0] - KELVIN == pytest.approx(88.66268, rel=1e-5)
    assert marched.heat_loss[0] == pytest.approx(0.5 * 4186 * (90 - 88.66268), rel=1e-4)
