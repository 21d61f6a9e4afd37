"""Where still air along a pipe turns turbulent its film jumps, and a surface may stay there."""

from __future__ import annotations

import math

import numpy as np
import pytest

from allocator.physics.conductivity import Conductivity
from allocator.physics.insulation import HeatLoss, Outside, heat_loss, insulation_of
from allocator.site.records import Material
from allocator.verify.pipe_model import PipeModel, loss

AIR, GREY = 283.15, 0.3
WOOL = ((283.15, 0.033), (760.0, 0.15))  # straight: the mean of both models is exact
LAYERS = {"steel": (0.006, ((0.0, 45.0),)), "wool": (0.03, WOOL)}
Table = tuple[tuple[float, float], ...]


def planned(bore: float, names: tuple[str, ...], kelvin: np.ndarray) -> HeatLoss:
    """The loss as planning finds it."""
    layers = []
    for name in names:
        thick, table = LAYERS[name]
        points, values = zip(*table, strict=True)
        layers.append((Conductivity(name, values, points if len(values) > 1 else ()), thick))
    pipes = insulation_of([(bore, layers, GREY)] * len(kelvin))
    return heat_loss(pipes, kelvin, Outside.of(len(kelvin), AIR))


def audited(bore: float, names: tuple[str, ...], kelvin: float) -> tuple[float, float]:
    """W/m and K of the surface, as the audit finds them."""
    layers, radius = [], bore / 2
    for name in names:
        thick, table = LAYERS[name]
        material = Material(name, conductivity=table, emissivity=GREY)
        layers.append((radius, radius + thick, material))
        radius += thick
    return loss(PipeModel(bore, 10.0, tuple(layers), radius, GREY, AIR, None, 2.0), kelvin)


@pytest.mark.parametrize(
    ("bore", "names"),
    [
        (0.4, ("steel", "wool")),
        (0.3, ("steel",)),
        (0.15, ("steel", "wool")),
        (0.06, ("steel", "wool")),
    ],
)
def test_every_pipe_has_one_surface(bore: float, names: tuple[str, ...]) -> None:
    """At the jump what comes through lies between both films; losses rise with temperature."""
    size = bore + 2 * sum(LAYERS[name][0] for name in names)
    jump = 10.0 / size**3
    within = AIR + jump * np.linspace(1.0, 1.003, 60) if names == ("steel",) else np.empty(0)
    kelvin = np.sort(np.concatenate([np.linspace(300.0, 760.0, 240), within]))
    found = planned(bore, names, kelvin)
    assert np.all(np.diff(found.per_metre) > -1e-6)
    assert np.all(np.diff(found.surface) > -1e-6)
    rays = GREY * 5.670374419e-8 * (found.surface**4 - AIR**4)
    apart = found.surface - AIR
    calm, wild = 1.25 * (apart / size) ** 0.25 * apart, 1.21 * np.cbrt(apart) * apart
    films = found.per_metre / (math.pi * size) - rays
    at_jump = np.abs(apart - jump) < 1e-6
    alone = np.where(size**3 * apart > 10.0, wild, calm)
    assert np.all(np.abs(films - alone)[~at_jump] <= 1e-4 * alone[~at_jump])
    assert np.all((films - calm)[at_jump] >= -1e-4)
    assert np.all((films - wild)[at_jump] <= 1e-4)
    assert at_jump.any() == (jump < 400.0)
    for one in range(0, len(kelvin), 7):
        heat, surface = audited(bore, names, float(kelvin[one]))
        assert heat == pytest.approx(found.per_metre[one], rel=1e-6)
        assert surface == pytest.approx(found.surface[one], abs=1e-4)


def test_gas_that_warms_meets_the_jump_as_well() -> None:
    """Nitrogen at 90 K: the surface is colder than the air by as much."""
    kelvin = np.linspace(90.0, 280.0, 60)
    found = planned(0.4, ("steel", "wool"), kelvin)
    assert np.all(np.diff(found.per_metre) > -1e-6)
    for one in range(0, 60, 7):
        heat, surface = audited(0.4, ("steel", "wool"), float(kelvin[one]))
        assert heat == pytest.approx(found.per_metre[one], rel=1e-6)
        assert surface == pytest.approx(found.surface[one], abs=1e-4)
