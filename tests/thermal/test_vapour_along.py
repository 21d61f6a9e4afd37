"""Gas counts without its vapour; the vapour comes along in heat, volume, mass and pumping."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from changed_sites import changed_site
from CoolProp.CoolProp import PropsSI

from allocator.network.by_bore import Wanted, capacities_of
from allocator.network.deriving import network_of
from allocator.network.pressure_ranges import PressureRange, range_of
from allocator.network.pressures import PipeAsk, energy_of, losses_of
from allocator.network.properties import substance_of
from allocator.network.reading import check_site
from allocator.network.records import Network
from allocator.physics.humidity import drained, moisture, most_vapour
from allocator.physics.pipes import gas_capacity
from allocator.physics.pressure_loss import energy_of_compression
from allocator.physics.substances import Substance, value, vapour_heat
from allocator.search import Settings, make_plan
from allocator.verify import audit

PRESSURE, AIR = 101_325.0, 0.0289645

CELLS = """
format: allocator.site/2
name: Wet hydrogen
ambient: {temperature: 45 degC}
fluids: {gas: {heating_value: 120 MJ/kg, constants: {molar_mass: 2.016 g/mol, viscosity: 9 uPa*s,
  specific_heat: 14.3 kJ/(kg*K)}}}
materials: {steel: {stock: 90 t}}
places: {cells: {at: [0 m, 0 m]}, house: {at: [900 m, 0 m]}}
sources: {line: {place: cells, fluid: gas, flow: 4 g/s, pressure: 60 mbar(g), water: 8 %}}
pipes: {dn80: {bore: 80 mm, layers: [{material: steel, mass: 8 kg/m}]}}
routes: {rack: {between: [cells, house]}}
boosters: {fan: {kind: compressor, fluids: [gas], places: {cells: 1}, ratio: 1.5, efficiency: 60 %,
  discharge_temperature: 45 degC}}
machines: {engine: {inputs: {gas: 2 g/s}, outputs: {power: 80 kW}, places: {house: 2}}}
demands: {town: {power: 160 kW}}
"""
SHARE = 0.08
W = 0.08 / 0.92 * 18.015268 / 2.016
"""kg of vapour with each kg of hydrogen: 78 %."""


@pytest.mark.parametrize(
    ("celsius", "ratio"), [(10.0, 0.007661), (20.0, 0.014758), (30.0, 0.027329), (40.0, 0.049141)]
)
def test_saturated_air(celsius: float, ratio: float) -> None:
    """kg/kg of dry air at 101.325 kPa: ASHRAE Handbook Fundamentals, table of moist air.

    From memory. Real air holds up to 0.5 % more than Raoult's law says.
    """
    share = most_vapour(celsius + 273.15, PRESSURE)
    assert moisture(share, AIR) == pytest.approx(ratio, rel=0.008)


def test_what_drains_of_saturated_air_that_is_cooled() -> None:
    """From 40 to 20 degC: 0.049141 - 0.014758 kg of each kg of dry air (same table)."""
    wet = most_vapour(313.15, PRESSURE)
    assert drained(wet, PRESSURE, 293.15, AIR) == pytest.approx(0.049141 - 0.014758, rel=0.008)


@pytest.mark.parametrize("kelvin", [273.16, 373.15, 573.15, 773.15, 973.15])
def test_the_heat_of_vapour_is_no_less_than_that_of_the_ideal_gas(kelvin: float) -> None:
    exact = PropsSI("CP0MASS", "T", kelvin, "D", 1e-3, "Water")
    assert exact <= float(vapour_heat(kelvin)) <= 1.025 * exact


def network(path: Path, *changes: tuple[str, str]) -> Network:
    return network_of(changed_site(CELLS, path, *changes))


def of_wet_gas() -> Substance:
    """The mixture as an ideal gas of its own: 92 % of hydrogen and 8 % of vapour by moles."""
    mass = 0.92 * 2.016e-3 + 0.08 * 18.015268e-3
    heat = (14.3e3 + W * float(vapour_heat(318.15))) / (1.0 + W)
    constants = {"molar_mass": mass, "viscosity": 9e-6, "specific_heat": heat}
    return Substance("wet", constants=constants)


def range_in(site: Network) -> PressureRange:
    found = range_of(site, "gas")
    assert found is not None
    return found


def test_properties_are_for_each_kg_without_vapour(tmp_path: Path) -> None:
    gas, wet = substance_of(network(tmp_path), "gas"), of_wet_gas()
    assert gas.vapour == pytest.approx((W, SHARE))
    of_all = float(value(wet, "density", 318.15, PRESSURE))
    found = float(value(gas, "density", 318.15, PRESSURE))
    assert found * (1.0 + W) ** 2 == pytest.approx(of_all)
    assert gas.heaviest == pytest.approx((1.0 + W) ** 2)
    heats = [float(value(one, "specific_heat", 318.15, PRESSURE)) for one in (gas, wet)]
    assert heats[0] == pytest.approx(heats[1] * (1.0 + W))


@pytest.mark.parametrize(("length", "most"), [(2000.0, 20.0), (1.0, 1.0), (1.0, 300.0)])
def test_a_pipe_carries_the_vapour_along(tmp_path: Path, length: float, most: float) -> None:
    """By friction, by velocity and by Mach number: what it carries of the mixture, less vapour.

    A dry kg has a lower Reynolds number, so friction counts as no less than it is. The ratio of
    specific heats is that of dry gas: for the speed of sound 0.3 %.
    """
    site = replace(network(tmp_path), pressures={})
    pipe = replace(site.pipes["dn80"], max_velocity=most, max_mach=0.05, inlet_pressure=107e3)
    wet, kelvin = of_wet_gas(), 318.15
    known = (float(value(wet, name, kelvin, 107e3)) for name in ("density", "viscosity"))
    sound = float(value(wet, "sound_speed", kelvin, 107e3))
    args = (0.08, length, 107e3, PRESSURE, *known, sound)
    exact = gas_capacity(*args, velocity=most, mach=0.05, roughness=pipe.roughness)
    found = range_in(site)
    unknown = replace(site, sources={"line": replace(site.sources["line"], pressure=None)})
    (rate, _), *_ = capacities_of(unknown, [Wanted(pipe, length, "gas", kelvin)])
    assert rate == pytest.approx(float(exact.rate) / (1.0 + W), rel=0.1)
    assert rate <= float(exact.rate) / (1.0 + W) * 1.004
    (loss,) = losses_of(found, [PipeAsk(pipe, length, 0.0, kelvin)])
    (dry,) = losses_of(
        replace(found, substance=substance_of(site, "gas", dry=True)),
        [PipeAsk(pipe, length, 0.0, kelvin)],
    )
    if length > 1.0:  # pressure lost at the same flow: (1 + w) / (1 - x) of that of dry gas
        assert loss.factor / dry.factor == pytest.approx((1.0 + W) / (1.0 - SHARE), rel=0.01)
    if most == 1.0:  # velocity: a cubic metre holds 92 % as much
        assert math.sqrt(dry.end / loss.end) == pytest.approx(1.0 - SHARE, rel=1e-6)


def test_a_booster_moves_the_vapour_along(tmp_path: Path) -> None:
    site, wet = network(tmp_path), of_wet_gas()
    law = PRESSURE / float(value(wet, "density", 318.15, PRESSURE))
    heat = float(value(wet, "specific_heat", 318.15, PRESSURE)) * 318.15
    exact = float(energy_of_compression(1.5, law, heat, 0.6)) * (1.0 + W)
    found = energy_of(range_in(site), site.boosters["fan"], 318.15)
    assert found == pytest.approx(exact, rel=1e-6)
    dry = replace(site, sources={"line": replace(site.sources["line"], water=None)})
    assert found > 1.05 * energy_of(range_in(dry), site.boosters["fan"], 318.15)


def test_the_energy_is_that_of_the_flow_without_vapour(tmp_path: Path) -> None:
    """4 g/s burn in two engines; a note says what comes in all: 4 (1 + w) g/s."""
    site = changed_site(CELLS, tmp_path)
    plan = make_plan(site, Settings(gap=1e-3, node_limit=50)).plan
    assert plan is not None
    assert plan.power.firm_clean == pytest.approx(160e3)
    assert audit(site, plan).accepted
    (note,) = [str(w) for w in check_site(tmp_path / "site.yaml").warnings if "vapour" in str(w)]
    assert "has a flow of 4 g/s without its vapour, 7.11 g/s with it" in note
    assert "give 2.25 g/s" in note


def test_vapour_of_a_gas_of_unknown_mass_is_told_as_not_counted(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(
        CELLS.replace("molar_mass: 2.016 g/mol, ", "").replace("bore: 80 mm", "capacity: 9 g/s"),
        encoding="utf-8",
    )
    words = [str(warning) for warning in check_site(path).warnings]
    assert any("whose molar mass is not known" in word for word in words)
