"""Loss of pressure along pipes: the library `fluids`, convexity, and worked examples of books."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fluids.compressible import isothermal_gas
from fluids.friction import friction_factor

from allocator.network.pressure_records import PipeLoss, Rise
from allocator.physics.pressure_loss import (
    area_of,
    end_factor,
    energy_of_compression,
    gas_factor,
    greatest_flow,
    liquid_factor,
    loss,
    loss_slope,
    reynolds_of_unit,
)
from allocator.verify.pressure_walk import end_of_gas

FOOT, POUND = 0.3048, 0.45359237
BORES = (0.0158, 0.0525, 0.2, 0.34)
ROUGH = (1e-6, 4.5e-5, 1e-3)


@pytest.mark.parametrize("bore", BORES)
@pytest.mark.parametrize("rough", ROUGH)
@pytest.mark.parametrize(("first", "last"), [(1.1e5, 1.02e5), (3e5, 1.2e5), (60e5, 40e5)])
def test_isothermal_flow_of_a_gas(bore: float, rough: float, first: float, last: float) -> None:
    """What the library's isothermal formula lets through needs the drop."""
    law, viscosity, length = 8.314 / 0.02 * 300, 1.2e-5, 3000.0
    flow = 0.01
    for _ in range(50):
        re = flow * float(reynolds_of_unit(bore, viscosity))
        flow = isothermal_gas(
            first / law, friction_factor(re, rough / bore), first, last, length, bore
        )
    share = (flow / float(area_of(bore)) * law / last) ** 2 / law
    assert share < 0.3
    factor = gas_factor(length, bore, law)
    unit, swift = float(reynolds_of_unit(bore, viscosity)), law / float(area_of(bore)) ** 2
    lost = float(loss(flow, factor, unit, rough / bore))
    pipe = PipeLoss(float(factor), unit, rough / bore, 0.0, 0.0, math.inf, swift=swift)
    left = pipe.after(first**2, lost, flow)
    assert left <= last**2 + 1e-3 * (first**2 - last**2)
    if re > 4000:  # below, the larger of both frictions counts
        assert left == pytest.approx(last**2, abs=1e-3 * (first**2 - last**2))


@pytest.mark.parametrize("rough", [0.0, 1e-5, 1e-3, 0.02, 0.05])
def test_the_loss_is_convex_and_above_all_its_tangents(rough: float) -> None:
    flow = np.geomspace(1e-6, 3.0, 4000)
    lost = loss(flow, 1e9, 1e6, rough)
    slope = loss_slope(flow, 1e9, 1e6, rough)
    assert np.all(np.diff(slope) >= -1e-9 * slope[1:])
    for at in flow[::400]:
        tangent = loss(at, 1e9, 1e6, rough) + loss_slope(at, 1e9, 1e6, rough) * (flow - at)
        assert np.all(tangent <= lost * (1 + 1e-9))


@pytest.mark.parametrize("flow", [1e-5, 2.5e-4, 1.5e-3, 0.01, 1.0])
def test_slope_by_differences(flow: float) -> None:
    step = flow * 1e-5
    ends = loss(np.array([flow - step, flow + step]), 1e9, 1e6, 1e-3)
    by_differences = (ends[1] - ends[0]) / (2 * step)
    assert float(loss_slope(flow, 1e9, 1e6, 1e-3)) == pytest.approx(by_differences, rel=1e-5)


def test_between_laminar_and_turbulent_the_larger_friction_counts() -> None:
    for re in (100.0, 1000.0, 1500.0, 2000.0, 2300.0, 4000.0, 1e5):
        turbulent = friction_factor(max(re, 4000.0), 1e-3) if re >= 4000 else 0.0
        f = float(loss(re / 1e6, 1.0, 1e6, 1e-3)) / (re / 1e6) ** 2
        assert f >= max(64 / re, turbulent) * (1 - 1e-4)


def test_cut_into_pieces_a_pipe_loses_the_same() -> None:
    whole = loss(0.01, gas_factor(1000.0, 0.05, 1e5), 2e6, 1e-3)
    pieces = sum(
        float(loss(0.01, gas_factor(length, 0.05, 1e5), 2e6, 1e-3))
        for length in (100.0, 650.0, 250.0)
    )
    assert pieces == pytest.approx(float(whole), rel=1e-12)


def test_greatest_flow_uses_all_that_there_is() -> None:
    factor, end = gas_factor(1000.0, 0.0525, 8.8e4), end_factor(0.0525, 8.8e4, 20.0)
    first, last = 1.113e5**2, 1.013e5**2
    flow = float(greatest_flow(factor, 2e6, 1e-3, end, first - last, first))
    lost = float(loss(flow, factor, 2e6, 1e-3))
    assert lost == pytest.approx(first - last, rel=1e-9)
    short = float(greatest_flow(factor / 100, 2e6, 1e-3, end, first - last, first))
    assert float(loss(short, factor / 100, 2e6, 1e-3) + end * short**2) == pytest.approx(first)
    assert float(greatest_flow(factor, 2e6, 1e-3, end, -1.0, first)) == 0.0


def test_crane_natural_gas_pipeline() -> None:
    """Crane TP 410, the 100 mile natural gas pipeline of 14 inch schedule 20 pipe (from memory):

    1300 to 300 psia at 40 F, gravity 0.693: 107.8 million standard cubic feet a day by the
    simplified compressible flow formula with f = 0.0128.
    """
    bore, length = 13.376 * 0.0254, 100 * 1609.344
    mole = 0.693 * 28.964e-3
    law = 8.314462618 / mole * (40 + 459.67) / 1.8
    first, last = (psia * 6894.757 for psia in (1300, 300))
    flow = float(
        greatest_flow(
            gas_factor(length, bore, law),
            reynolds_of_unit(bore, 1.1e-5),
            0.0018 / 13.376,
            0.0,
            first**2 - last**2,
            first**2,
        )
    )
    feet = flow / mole * 8.314462618 * 288.706 / 101_352.9 / 0.3048**3 * 86_400
    assert feet == pytest.approx(107.8e6, rel=0.015)


def test_white_oil_in_a_sloping_pipe() -> None:
    """F. M. White, Fluid Mechanics, example 6.7 (from memory): oil, 900 kg/m3 and 1e-5 m2/s, at

    0.2 m3/s through 500 m of 200 mm cast iron pipe (0.26 mm) that falls by 10 degrees: a head loss
    of 117 m, and a pressure drop of 265 kPa.
    """
    lost = float(
        loss(180.0, liquid_factor(500.0, 0.2, 900.0), reynolds_of_unit(0.2, 9e-3), 0.26 / 200)
    )
    assert lost / (900 * 9.81) == pytest.approx(117, rel=0.01)
    falls = 900 * 9.81 * 500 * math.sin(math.radians(10))
    assert lost - falls == pytest.approx(265e3, rel=0.03)


def test_white_water_in_a_cast_iron_pipe() -> None:
    """F. M. White, Fluid Mechanics, example 6.6 (from memory): water at 6 ft/s through 200 ft of 6

    inch asphalted cast iron pipe (0.0004 ft), 1.1e-5 ft2/s: a head loss of 4.5 ft.
    """
    foot = 0.3048
    bore, density = 0.5 * foot, 1000.0
    flow = density * 6 * foot * math.pi / 4 * bore**2
    viscosity = 1.1e-5 * foot**2 * density
    lost = float(
        loss(
            flow,
            liquid_factor(200 * foot, bore, density),
            reynolds_of_unit(bore, viscosity),
            0.0004 / 0.5,
        )
    )
    assert lost / density / 9.80665 / foot == pytest.approx(4.5, rel=0.02)


@pytest.mark.parametrize(
    ("bore", "length", "density", "viscosity", "rough", "speed", "told", "within"),
    [
        pytest.param(
            *(2 / 12 * FOOT, 200 * FOOT, 62.36 * POUND / FOOT**3, 7.536e-4 * POUND / FOOT),
            *(7e-6 * FOOT, 9.17 * FOOT, 1700 * POUND * 9.80665 / FOOT**2, 0.01),
            id="Cengel and Cimbala: water in stainless steel, 1700 lbf/ft2 in 200 ft",
        ),
        pytest.param(
            *(0.267, 150.0, 1.145, 1.895e-5, 0.0, 6.24, 1.145 * 9.81 * 20.0, 0.015),
            id="Cengel and Cimbala: air in a plastic duct of 0.267 m, 20 m of head in 150 m",
        ),
        pytest.param(
            *(4e-3, 0.1, 1.23, 1.79e-5, 1.5e-6, 50.0, 1076.0, 0.05),
            id="Munson, Young and Okiishi: air at 50 m/s in drawn tubing, 1.076 kPa in 0.1 m",
        ),
        pytest.param(
            *(4 * FOOT, 799 * 5280 * FOOT, 53.7 * POUND / FOOT**3),
            *(8e-5 * POUND * 9.80665 / FOOT**2, 0.0, 9.31 * FOOT),
            *(17_700 * 53.7 * POUND * 9.80665 / FOOT**2, 0.04),
            id="Munson, Young and Okiishi: oil across Alaska, 17,700 ft of head in 799 miles",
        ),
    ],
)
def test_worked_examples_of_lines_without_acceleration(
    bore: float,
    length: float,
    density: float,
    viscosity: float,
    rough: float,
    speed: float,
    told: float,
    within: float,
) -> None:
    """Friction alone, Pa; all from memory. The last two read their factors off a chart.

    Y. A. Cengel, J. M. Cimbala, Fluid Mechanics, examples 8-3 and 8-4; B. R. Munson, D. F. Young,
    T. H. Okiishi, Fundamentals of Fluid Mechanics, examples 8.5 and 8.8.
    """
    flow = density * speed * math.pi / 4 * bore**2
    factor, unit = liquid_factor(length, bore, density), reynolds_of_unit(bore, viscosity)
    assert float(loss(flow, factor, unit, rough / bore)) == pytest.approx(told, rel=within)
    if density < 10.0:  # a gas, of which next to nothing of its pressure is lost
        law = 101_325.0 / density
        squared = float(loss(flow, gas_factor(length, bore, law), unit, rough / bore))
        assert 101_325.0 - math.sqrt(101_325.0**2 - squared) == pytest.approx(told, rel=within)


def test_energy_of_a_compressor_by_hand() -> None:
    """Air from 300 K by a ratio of 2 at 75 %: 1005 * 300 * (2^0.2857 - 1) / 0.75 = 88.0 kJ/kg."""
    found = float(energy_of_compression(2.0, 287.1 * 300, 1005 * 300, 0.75))
    assert found == pytest.approx(88.0e3, rel=2e-3)


@pytest.mark.parametrize("height", [-80.0, 0.0, 80.0])
@pytest.mark.parametrize("law", [1.2e6, 8.8e4])
def test_fast_gas_loses_no_less_than_walked_and_needs_a_convex_start(
    law: float, height: float
) -> None:
    """By the steps of the audit; what is needed lies above all its tangents by flow and end."""
    chance, ambient, air = np.random.default_rng(7), 101_325.0, 1.225
    for _ in range(200):
        growth, floats = 2 * 9.80665 * height / law, 2 * 9.80665 * height * air
        least = max(air * law / 2, ambient)
        more = max(0.0, floats * least - growth * least**2)
        rise = Rise(growth, floats, more) if height > 0 else None
        at = min(max(ambient, air * law / 2), 3e5) if height < 0 else ambient
        head = growth * at**2 - floats * at
        swift, factor = law / 2e-3**2, chance.uniform(5, 2000) * 0.02 * law / 2e-3**2
        pipe = PipeLoss(factor, 1.0, 0.0, head, 0.0, math.inf, swift=swift, rise=rise)
        end, share = chance.uniform(1.0, 2.9) * 1e5, chance.uniform(0.001, 0.25)
        flow = math.sqrt(share * end**2 / swift)
        start = pipe.before(end**2, factor * flow**2, flow)
        if not ambient**2 <= start <= 3e5**2:
            continue
        assert pipe.after(start, factor * flow**2, flow) == pytest.approx(end**2, rel=1e-9)
        walked = end_of_gas(start, 1.0, factor * flow**2, (growth, floats), share * end**2)
        assert end <= walked * (1 + 1e-9)
        lost, slope = factor * flow**2, 2 * factor * flow
        value, by_flow, by_end = pipe.accelerating(flow, lost, slope, end**2)
        for other in (0.7, 1.0, 1.2):
            for near in (0.95, 1.0, 1.1):
                q, x = other * flow, (near * end) ** 2
                if swift * q**2 > 0.3 * x:
                    continue
                told = pipe.accelerating(q, factor * q**2, 2 * factor * q, x)[0] + factor * q**2
                tangent = value + lost + (by_flow + slope) * (q - flow) + by_end * (x - end**2)
                assert told >= tangent - 1e-9 * start
