"""Coolers of wet gas: what condenses counts for their duty, what they let out, and their size."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from changed_sites import changed_site
from CoolProp.CoolProp import PropsSI

from allocator.network.coolers import unit_of
from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.network.wet_gas import condensed_heat
from allocator.physics.humidity import condensation_heat, drained
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Cooler, Site
from allocator.verify import audit
from allocator.verify.coolers import _conductance

WET = """
format: allocator.site/2
name: Wet gas
ambient: {temperature: 15 degC}
fluids:
  gas:
    heating_value: 8 MJ/kg
    constants: {specific_heat: 1250 J/(kg*K), molar_mass: 24 g/mol}
  bio_co2: {emission: biogenic}
materials: {steel: {stock: 8 t}, fins: {stock: 300 kg}}
places:
  retort: {at: [0 m, 0 m], heat_limit: 40 kW}
  shed: {at: [20 m, 0 m]}
sources:
  kiln: {place: retort, fluid: gas, flow: 20 g/s, temperature: 200 degC, water: 30 %}
pipes:
  dn100: {capacity: 60 g/s, layers: [{material: steel, mass: 16 kg/m}]}
routes: {walk: {between: [retort, shed]}}
coolers:
  fan: {fluid: gas, set_point: 45 degC, places: [retort], duty: 6 kW, materials: {fins: 50 kg}}
machines:
  gas_set:
    inputs: {gas: 10 g/s}
    outputs: {power: 26 kW, bio_co2: 10 g/s}
    places: {shed: 6}
    max_inlet_temperature: 50 degC
demands: {town: {power: 52 kW}}
"""
QUICK = Settings(gap=1e-3, node_limit=50)


def site_of(path: Path, *changes: tuple[str, str]) -> Site:
    return changed_site(WET, path, *changes)


def planned(site: Site) -> Plan:
    plan = make_plan(site, QUICK).plan
    assert plan is not None
    assert audit(site, plan).accepted
    return plan


def by_hand(kelvin: float) -> tuple[float, float]:
    """J/kg of dry gas, sensible and latent, from 200 degC, by mol of it and steam tables."""
    came, each = 0.3 / 0.7, 0.018015268 / 0.024
    own = PropsSI("P", "T", kelvin, "Q", 0, "Water") / 101325.0
    lost = came - own / (1.0 - own)
    steam = 1695.0 + 0.604 * (473.15 + kelvin) / 2  # a line, so its middle is its mean
    latent = PropsSI("H", "T", kelvin, "Q", 1, "Water") - PropsSI("H", "T", kelvin, "Q", 0, "Water")
    return (1250 + came * each * steam) * (473.15 - kelvin), lost * each * latent


def test_the_heat_of_what_condenses_by_hand(tmp_path: Path) -> None:
    """5.8 kW and 11.7 kW for 20 g/s without the 6.4 g/s of vapour, of which 4.9 g/s condense."""
    site = network_of(site_of(tmp_path))
    sensible, latent = by_hand(318.15)
    found = condensed_heat(site, "gas", site.sources.values(), 473.15, 318.15)
    assert found == pytest.approx(latent, rel=1e-6)
    assert 0.02 * sensible == pytest.approx(3875.0 + 0.02 * 0.3217 * 1.933e3 * 155, rel=1e-3)
    assert 0.02 * found == pytest.approx(11_644.0, rel=0.005)
    first = condensed_heat(site, "gas", site.sources.values(), 473.15, 333.15)
    then = condensed_heat(site, "gas", site.sources.values(), 333.15, 318.15)
    assert first + then == pytest.approx(found, rel=0.01)  # one cooler behind another
    assert condensed_heat(site, "gas", site.sources.values(), 473.15, 345.0) == 0.0


def test_ice_and_pressure() -> None:
    all_of_it = 0.3 * 0.018015268 / (0.7 * 0.024)
    assert drained(0.3, 1e5, 260.0, 0.024) == drained(0.3, float("inf"), 360.0, 0.024)
    assert drained(0.3, 1e5, 260.0, 0.024) == pytest.approx(all_of_it)
    assert condensation_heat(373.124) == pytest.approx(2.2565e6, rel=1e-3)
    assert condensation_heat(260.0) == pytest.approx(2.834e6)
    assert condensation_heat(650.0) == 0.0


def test_units_are_for_all_of_the_heat(tmp_path: Path) -> None:
    """17.4 kW take three units of 6 kW; sensible heat alone would take one."""
    plan = planned(site_of(tmp_path))
    assert plan.power.firm_clean == pytest.approx(52e3)
    assert plan.heat is not None
    (cooler,) = plan.heat.coolers
    assert cooler.build == "fan x 3"
    assert cooler.duty == pytest.approx(17_440.0, rel=0.002)
    (limit,) = (x for x in plan.heat.limits if x.subject == "place retort")
    assert limit.value >= cooler.duty


def test_a_heat_limit_holds_for_all_of_the_heat(tmp_path: Path) -> None:
    plan = planned(site_of(tmp_path, ("heat_limit: 40 kW", "heat_limit: 7 kW")))
    assert plan.power.firm_clean < 30e3


def test_a_duty_without_what_condenses_does_not_pass_the_audit(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    plan = planned(site)
    dry = replace(site.sources["kiln"], water=None)
    dried = planned(replace(site, sources={"kiln": dry}))
    assert dried.heat is not None
    assert dried.heat.coolers[0].build == "fan x 1"
    told = audit(site, dried).rules
    assert {"cooler_duty", "cooler_duty_told", "heat_loss", "let_in"} <= set(told)
    assert audit(site, plan).accepted


def test_an_unknown_molar_mass_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(WET.replace(", molar_mass: 24 g/mol", ""), encoding="utf-8")
    (fault,) = check_site(path).faults
    assert "no known molar mass" in str(fault)
    path.write_text(WET.replace("molar_mass: 24 g/mol", "density: 1.015 kg/m^3"), encoding="utf-8")
    assert not check_site(path).faults
    path.write_text(
        WET.replace(", molar_mass: 24 g/mol", "")
        .replace("set_point: 45", "set_point: 80")
        .replace("max_inlet_temperature: 50", "max_inlet_temperature: 90"),
        encoding="utf-8",
    )
    assert not check_site(path).faults


@pytest.mark.parametrize("arrangement", ["counter", "parallel", "shell"])
@pytest.mark.parametrize("capacity", [None, 900.0])
def test_a_conductance_carries_what_condenses(
    tmp_path: Path, arrangement: str, capacity: float | None
) -> None:
    """Zones with all of it at the set-point, against panels along the real curve of the gas."""
    site = network_of(site_of(tmp_path))
    cooler = Cooler(
        "fan",
        "gas",
        318.15,
        {"retort": 4},
        conductance=200.0,
        arrangement=arrangement,
        coolant=288.15,
        coolant_capacity=capacity,
    )
    condensed = condensed_heat(site, "gas", site.sources.values(), 473.15, 318.15)
    wet, dry = unit_of(site, cooler, 473.15, condensed), unit_of(site, cooler, 473.15)
    assert 0 < wet.rate < 0.5 * dry.rate
    share = condensed / wet.heat
    mine = _conductance(wet.rate, wet.heat, share, 473.15, 318.15, 288.15, capacity, arrangement)
    assert mine == pytest.approx(200.0, rel=1e-5)
    real, last = 0.0, 318.15  # the true curve, from the cold end of counter flow
    if arrangement != "counter":
        return
    for step in range(1, 2001):
        kelvin = 318.15 + (473.15 - 318.15) * step / 2000
        gives = sum(by_hand(last)) if last < 342.5 else by_hand(last)[0]
        keeps = sum(by_hand(kelvin)) if kelvin < 342.5 else by_hand(kelvin)[0]
        heat = wet.rate * (gives - keeps)
        taken = wet.rate * (sum(by_hand(318.15)) - gives)
        cold = 288.15 + (0.0 if capacity is None else taken / capacity)
        real += heat / ((kelvin + last) / 2 - cold)
        last = kelvin
    assert real < 200.0


def test_gas_that_pipes_cool_below_its_dew_point_is_told(tmp_path: Path) -> None:
    """Through 300 m of bare steel wet gas of 200 degC would reach 50 degC, were it dry."""
    path = tmp_path / "site.yaml"
    bare = WET.replace("layers: [{material: steel, mass: 16 kg/m}]", "BARE").replace(
        "BARE", "bore: 102 mm, layers: [{material: steel, thickness: 6 mm}]"
    )
    bare = bare.replace("steel: {stock: 8 t}", "steel: {density: 7850 kg/m^3, CONDUCTS}")
    bare = bare.replace("CONDUCTS", "conductivity: 45 W/(m*K)").replace("[20 m, 0 m]", "[900 m, 0]")
    for water, told in ((", water: 30 %", True), ("", False)):
        path.write_text(bare.replace(", water: 30 %", water), encoding="utf-8")
        words = [str(warning) for warning in check_site(path).warnings]
        assert any("below its dew point of 69.4 degC" in word for word in words) == told
