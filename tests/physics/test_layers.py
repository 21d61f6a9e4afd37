"""Layers: conductivity by temperature, gaps, walls, runs that are marched."""

from __future__ import annotations

import math

import numpy as np
import pytest
from physics.pipes_by_hand import pipe, solid
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from allocator.physics.conductivity import Conductivity
from allocator.physics.faults import PhysicsError
from allocator.physics.films import STEFAN_BOLTZMANN, outside_pipe, radiation
from allocator.physics.insulation import Outside, heat_loss, insulation_of
from allocator.physics.runs import along
from allocator.physics.walls import wall_loss

ROCK_WOOL = Conductivity("rock wool", (0.033, 0.037, 0.064), (283.15, 323.15, 473.15))
"""TIASA, Thermal Insulation Handbook, 2001, chapter 3: 100 kg/m3."""


@pytest.mark.parametrize(
    ("first", "second"),
    [(280.0, 480.0), (300.0, 310.0), (350.0, 290.0), (250.0, 520.0), (333.0, 333.0)],
)
def test_mean_conductivity_is_the_integral(first: float, second: float) -> None:
    integral, _ = quad(lambda t: float(ROCK_WOOL.at(t)), first, second, points=[323.15, 473.15])
    expected = integral / (second - first) if first != second else float(ROCK_WOOL.at(first))
    assert ROCK_WOOL.mean(first, second) == pytest.approx(expected, rel=1e-6)


def test_conductivity_is_known_near_its_table_only() -> None:
    hot = insulation_of([(0.1, [(ROCK_WOOL, 0.05)], 0.3)])
    assert heat_loss(hot, 490.0, Outside.of(1, 290.0)).known[0]
    assert not heat_loss(hot, 600.0, Outside.of(1, 290.0)).known[0]


def test_table_that_does_not_rise() -> None:
    with pytest.raises(PhysicsError, match="do not rise"):
        Conductivity("wool", (0.03, 0.04), (300.0, 290.0))


def test_surface_temperature_against_a_root() -> None:
    """The balance at the surface by another solver: conduction in = still air and rays out."""
    found = heat_loss(pipe(0.1, (0.05, 0.04), emissivity=0.7), 600.0, Outside.of(1, 283.15))

    def balance(surface: float) -> float:
        inward = 2 * math.pi * 0.05 * (600 - surface) / math.log(0.09 / 0.05)
        film = outside_pipe(0.18, surface - 283.15, 0.0) + radiation(0.7, surface, 283.15)
        return inward - float(film) * math.pi * 0.18 * (surface - 283.15)

    assert found.surface[0] == pytest.approx(brentq(balance, 284, 599), abs=1e-4)


def test_wind_cools_the_surface() -> None:
    lagged = pipe(0.1, (0.05, 0.04))
    still, windy = (heat_loss(lagged, 600.0, Outside.of(1, 283.15, wind=v)) for v in (0.0, 5.0))
    assert windy.surface[0] < still.surface[0]
    assert windy.per_metre[0] > still.per_metre[0]


def test_vacuum_gap() -> None:
    """Radiation between long concentric grey cylinders, by its closed form."""
    gap = Conductivity("vacuum", (), vacuum=True, emissivity=0.1)
    lagged = insulation_of([(0.1, [(gap, 0.02)], 0.9)])
    found = heat_loss(lagged, 500.0, Outside.of(1, 300.0, film=1e6))
    expected = (
        2 * math.pi * 0.05 * STEFAN_BOLTZMANN * (500.0**4 - 300.0**4) / (10 + 0.05 / 0.07 * 9)
    )
    assert found.per_metre[0] == pytest.approx(expected, rel=1e-4)


def test_layer_of_no_conductivity() -> None:
    found = heat_loss(pipe(0.1, (15.0, 0.003), (0.0, 0.02)), 500.0, Outside.of(1, 300.0))
    assert found.per_metre[0] == 0.0
    assert found.surface[0] == pytest.approx(300.0)
    assert found.faces[1, 0] == pytest.approx(500.0)


def test_pipes_in_one_call_are_those_of_many() -> None:
    kinds = [
        (0.05, [(solid(15.0), 0.003)], 0.3),
        (0.08, [(solid(15.0), 0.003), (ROCK_WOOL, 0.05)], 0.3),
        (0.02, [(ROCK_WOOL, 0.02), (solid(0.05), 0.03), (solid(200.0), 0.001)], 0.1),
    ]
    hot = np.array([480.0, 450.0, 400.0])
    together = heat_loss(insulation_of(kinds), hot, Outside.of(3, 283.15))
    for i, kind in enumerate(kinds):
        alone = heat_loss(insulation_of([kind]), hot[i], Outside.of(1, 283.15))
        assert together.per_metre[i] == pytest.approx(alone.per_metre[0], rel=1e-6)
        assert together.surface[i] == pytest.approx(alone.surface[0], rel=1e-6)


def test_march_against_an_integrator() -> None:
    """dT/dx = -q'(T)/(m cp(T)) by a Runge-Kutta of high order."""
    bare = pipe(0.08, (50.0, 0.004), emissivity=0.8)
    outside = Outside.of(1, 283.15)

    def heat(kelvin: np.ndarray) -> np.ndarray:
        return 1000.0 + 0.3 * (kelvin - 300.0)

    def slope(_: float, kelvin: np.ndarray) -> np.ndarray:
        return -heat_loss(bare, kelvin, outside).per_metre / (0.05 * heat(kelvin))

    reference = solve_ivp(slope, (0, 200), [700.0], rtol=1e-8, atol=1e-8)
    marched = along(bare, 700.0, 200.0, 0.05, heat, outside)
    assert marched.end[0] == pytest.approx(reference.y[0, -1], abs=0.2)
    finer = along(bare, 700.0, 200.0, 0.05, heat, outside, steps=96)
    assert finer.end[0] == pytest.approx(reference.y[0, -1], abs=0.01)


def test_nothing_flows() -> None:
    still = along(pipe(0.08), 700.0, 200.0, 0.0, 1000.0, Outside.of(1, 283.15))
    assert still.end[0] == 283.15
    assert still.heat_loss[0] == 0.0


def test_chamber_wall() -> None:
    """Series resistances of a flat wall, by hand: 1/8 + 0.2/0.5 + 0.1/0.04 + 1/10 m2 K/W."""
    found = wall_loss(
        [(solid(0.5), 0.2), (solid(0.04), 0.1)], 353.15, 283.15, inside_film=8.0, film=10.0
    )
    assert found.per_area == pytest.approx(70 / (0.125 + 0.4 + 2.5 + 0.1))
    assert found.surface == pytest.approx(283.15 + found.per_area / 10)
    closed = wall_loss([(solid(0.5), 0.2), (solid(0.0), 0.05)], 353.15, 283.15)
    assert closed.per_area == 0.0
