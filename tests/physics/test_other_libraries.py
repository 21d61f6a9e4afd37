"""The same quantities by another road: the libraries ht, fluids and iapws, on drawn cases."""

from __future__ import annotations

import math
from pathlib import Path

import fluids
import ht
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from iapws import IAPWS97
from physics.pipes_by_hand import pipe

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.physics.exchangers import effectiveness, log_mean, transfer_units
from allocator.physics.humidity import dew_point
from allocator.physics.insulation import Outside, heat_loss
from allocator.physics.pipes import gas_capacity, liquid_capacity
from allocator.physics.pressure_loss import friction_factor
from allocator.physics.substances import latent_heat, saturation_pressure
from allocator.verify.pressure_walk import friction

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
CASES = 200
CLOSE = 0.005


@pytest.fixture
def draw() -> np.random.Generator:
    return np.random.default_rng(1)


def larger_friction(reynolds: float, rough: float) -> float:
    """The larger of the laminar factor and Colebrook's."""
    turbulent = fluids.friction.Colebrook(Re=reynolds, eD=rough)
    return max(fluids.friction.friction_laminar(reynolds), float(turbulent))


def test_friction(draw: np.random.Generator) -> None:
    """Of planning and of the audit, which have one law for every pipe."""
    reynolds = 10 ** draw.uniform(1, 8, CASES)
    rough = 10 ** draw.uniform(-6, -1.4, CASES)
    theirs = [larger_friction(re, e) for re, e in zip(reynolds, rough, strict=True)]
    assert friction_factor(reynolds, rough) == pytest.approx(np.array(theirs), rel=1e-6)
    audits = [friction(re, e) for re, e in zip(reynolds, rough, strict=True)]
    assert audits == pytest.approx(theirs, rel=1e-6)
    # in between the flow may be turbulent: 0.070, where laminar flow has 0.032
    assert friction_factor(2000.0, 0.03) == pytest.approx(0.0699166, rel=1e-5)


def test_gas_capacity_by_pressure_drop(draw: np.random.Generator) -> None:
    bore, length = draw.uniform(0.02, 0.3, CASES), draw.uniform(10, 3000, CASES)
    outlet = draw.uniform(1e5, 4e5, CASES)
    inlet = outlet * draw.uniform(1.02, 1.6, CASES)
    density, viscosity = draw.uniform(0.05, 10, CASES), draw.uniform(8e-6, 4e-5, CASES)
    found = gas_capacity(
        bore, length, inlet, outlet, density, viscosity, 400.0, velocity=1e9, mach=1e9
    )
    assert set(found.binding.tolist()) == {1}
    for i in range(CASES):
        reynolds = fluids.Reynolds(
            V=found.rate[i] / density[i] / (math.pi / 4 * bore[i] ** 2),
            D=bore[i],
            rho=density[i],
            mu=viscosity[i],
        )
        factor = larger_friction(reynolds, 4.5e-5 / bore[i])
        if fluids.P_isothermal_critical_flow(inlet[i], factor, length[i], bore[i]) > outlet[i]:
            continue  # chokes: the formula is then below what flows
        theirs = fluids.isothermal_gas(
            rho=density[i], fd=factor, P1=inlet[i], P2=outlet[i], L=length[i], D=bore[i]
        )
        assert found.rate[i] == pytest.approx(theirs, rel=CLOSE)


def test_liquid_capacity_by_pressure_drop(draw: np.random.Generator) -> None:
    for _ in range(CASES):
        bore, length = draw.uniform(0.02, 0.3), draw.uniform(10, 3000)
        drop, density = draw.uniform(1e3, 1e6), draw.uniform(600, 1200)
        viscosity = 10 ** draw.uniform(-4, -1)
        rate = float(liquid_capacity(bore, length, drop, density, viscosity, velocity=1e9).rate)
        speed = rate / density / (math.pi / 4 * bore**2)
        reynolds = fluids.Reynolds(V=speed, D=bore, rho=density, mu=viscosity)
        factor = larger_friction(reynolds, 4.5e-5 / bore)
        theirs = factor * length / bore * density * speed**2 / 2
        assert theirs == pytest.approx(drop, rel=CLOSE)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("counter", "counterflow"),
        ("parallel", "parallel"),
        ("shell", "1S&2T"),
        ("condenser", "boiler"),
    ],
)
def test_effectiveness(draw: np.random.Generator, ours: str, theirs: str) -> None:
    units = 10 ** draw.uniform(-2, 1, CASES)
    ratio = np.zeros(CASES) if ours == "condenser" else draw.uniform(0, 1, CASES)
    found = effectiveness(units, ratio, ours)
    shells = {"n_shell_tube": 1} if ours == "shell" else {}
    kind = "S&T" if ours == "shell" else theirs
    other = [
        ht.effectiveness_from_NTU(NTU=n, Cr=c, subtype=kind, **shells)
        for n, c in zip(units, ratio, strict=True)
    ]
    assert found == pytest.approx(np.array(other), rel=1e-6)
    sound = found < 0.999 * (
        1 if ours in ("counter", "condenser") else effectiveness(1e3, ratio, ours)
    )
    assert transfer_units(found[sound], ratio[sound], ours) == pytest.approx(units[sound], rel=1e-3)


def test_log_mean(draw: np.random.Generator) -> None:
    for _ in range(CASES):
        first, second = draw.uniform(1, 200, 2)
        theirs = ht.LMTD(400.0, 300.0 + second, 300.0, 400.0 - first)
        assert log_mean(first, second) == pytest.approx(theirs, rel=1e-9)


def test_buried_pipe(draw: np.random.Generator) -> None:
    for _ in range(CASES):
        size, deep = draw.uniform(0.05, 0.5), draw.uniform(0.6, 3.0)
        ground = draw.uniform(0.5, 4.0)
        outside = Outside.of(1, 283.15, depth=deep, ground=ground)
        found = heat_loss(pipe(size), 400.0, outside)
        shape = ht.S_isothermal_pipe_to_plane(D=size, Z=deep, L=1.0)
        assert found.per_metre[0] == pytest.approx(shape * ground * (400 - 283.15), rel=CLOSE)


def test_layers(draw: np.random.Generator) -> None:
    for _ in range(CASES):
        bore, thick = draw.uniform(0.02, 0.3), draw.uniform(0.005, 0.15, 2)
        k, film = draw.uniform(0.03, 2.0, 2), draw.uniform(3, 40)
        found = heat_loss(
            pipe(bore, (k[0], thick[0]), (k[1], thick[1])), 500.0, Outside.of(1, 300.0, film=film)
        )
        radii = [bore / 2, bore / 2 + thick[0], bore / 2 + thick.sum()]
        walls = sum(
            ht.conduction.R_cylinder(Di=2 * a, Do=2 * b, k=c, L=1.0)
            for a, b, c in zip(radii[:-1], radii[1:], k, strict=True)
        )
        theirs = 200.0 / (walls + 1 / (2 * math.pi * radii[-1] * film))
        assert found.per_metre[0] == pytest.approx(theirs, rel=CLOSE)


def test_water(draw: np.random.Generator) -> None:
    for _ in range(CASES):
        kelvin = draw.uniform(275, 600)
        steam = IAPWS97(T=kelvin, x=1)
        pressure = saturation_pressure("Water", kelvin)
        assert pressure == pytest.approx(1e6 * steam.P, rel=CLOSE)
        water = IAPWS97(T=kelvin, x=0)
        assert latent_heat("Water", pressure) == pytest.approx(1e3 * (steam.h - water.h), rel=CLOSE)


def test_dew_point(draw: np.random.Generator) -> None:
    for _ in range(CASES):
        share, pressure = draw.uniform(0.01, 0.6), draw.uniform(9e4, 1e6)
        theirs = IAPWS97(P=share * pressure / 1e6, x=1).T
        assert dew_point(share, pressure) == pytest.approx(theirs, abs=0.1)


@pytest.mark.parametrize(
    ("arc", "kelvin"),
    [("track: hydrogen 50 degC", 323.15), ("track: hydrogen 380 degC to 50 degC", 653.15)],
)
def test_velocity_is_held_at_the_pressure_that_the_outlet_has(arc: str, kelvin: float) -> None:
    """Hydrogen from 140 kPa in a long pipe: at its capacity the outlet moves at 20 m/s."""
    rate = (network_of(read_site(NETWORKS / "cool_first.yaml")).routes[arc].capacities or {})[
        "thick", "hydrogen"
    ]
    bore, inlet, law = 0.0627, 140e3, 8.314462618 / 2.01588e-3 * kelvin
    density, area = inlet / law, math.pi / 4 * bore**2
    viscosity = PropsSI("V", "T", kelvin, "P", 101325, "Hydrogen")
    reynolds = fluids.Reynolds(V=rate / density / area, D=bore, rho=density, mu=viscosity)
    factor = fluids.friction_factor(reynolds, 4.5e-5 / bore, Method="Colebrook")
    outlet = fluids.isothermal_gas(density, factor, P1=inlet, L=700.0, D=bore, m=rate)
    assert rate * law / outlet / area == pytest.approx(20.0, rel=0.002)
