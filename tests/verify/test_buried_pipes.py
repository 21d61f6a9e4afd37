"""Pipes in the ground: planning and the audit, deep, shallow and not covered at all."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

from allocator.physics.conductivity import Conductivity
from allocator.physics.faults import PhysicsError
from allocator.physics.insulation import Outside, heat_loss, insulation_of
from allocator.site.records import Material
from allocator.verify.pipe_model import PipeModel, loss

AIR, HOT, GREY, BORE = 283.15, 653.15, 0.3, 0.1
STEEL, WOOL = (Conductivity("steel", (45.0,)), 0.005), (Conductivity("wool", (0.05,)), 0.03)
RADIUS = BORE / 2 + 0.035


def both(depth: float | None, ground: float, *, most: bool) -> tuple[float, float]:
    """W/m and K of the surface; the audit finds the same as planning."""
    deep = math.nan if depth is None else depth
    outside = Outside.of(1, AIR, depth=deep, ground=ground, most=most)
    found = heat_loss(insulation_of([(BORE, (STEEL, WOOL), GREY)]), np.array([HOT]), outside)
    layers, radius = [], BORE / 2
    for kind, thick in (STEEL, WOOL):
        material = Material(kind.name, conductivity=((0.0, kind.values[0]),), emissivity=GREY)
        layers.append((radius, radius + thick, material))
        radius += thick
    model = PipeModel(BORE, 9.0, tuple(layers), radius, GREY, AIR, depth, ground, most)
    assert loss(model, HOT) == pytest.approx((found.per_metre[0], found.surface[0]), rel=1e-6)
    return float(found.per_metre[0]), float(found.surface[0])


def test_a_shallow_pipe_counts_as_in_open_air_as_well() -> None:
    """Less ground above a pipe than its radius never makes its surface colder, or its loss less."""
    for ground, cover in product((0.3, 0.5, 2.0), (1e-6, 1e-3, 0.01, 0.05, RADIUS)):
        depth = RADIUS + 0.999 * cover
        for most in (False, True):
            bare = both(None, ground, most=most)
            heat, surface = both(depth, ground, most=most)
            assert (heat >= bare[0] - 1e-6) if most else (surface >= bare[1] - 1e-6)


def test_the_surface_of_a_pipe_that_is_barely_covered() -> None:
    """It was as cold as the air: no ground resists where the axis is as deep as the radius."""
    assert both(RADIUS + 1e-9, 2.0, most=False)[1] > AIR + 20


@pytest.mark.parametrize("depth", [0.0, 0.03, 0.08])
def test_a_pipe_that_is_not_covered_has_no_loss(depth: float) -> None:
    with pytest.raises(PhysicsError, match="is not covered by the ground"):
        both(depth, 2.0, most=False)


def test_deeper_and_drier_is_hotter() -> None:
    surfaces = [both(depth, 0.5, most=False)[1] for depth in (0.2, 0.4, 0.8, 1.6)]
    assert surfaces == sorted(surfaces)
    assert both(0.8, 0.5, most=False)[1] > both(0.8, 2.0, most=False)[1]
    assert both(0.8, 0.5, most=True)[0] < both(0.8, 2.0, most=True)[0]
