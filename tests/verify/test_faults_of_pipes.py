"""Faults of planning's capacities of pipes: the audit finds them by its own code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from changed_sites import changed_site
from pressed_sites import LINE

from allocator.network import by_bore
from allocator.physics import pressure_loss
from allocator.physics.pipes import Capacity
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit

BORED = """
format: allocator.site/2
name: Capacity by bore
ambient: {temperature: 10 degC, pressure: 100 kPa}
fluids:
  gas: {phase: gas, heating_value: 12 MJ/kg,
    constants: {density: 1.1 kg/m^3, viscosity: 1.2e-5 Pa*s, specific_heat: 1300 J/(kg*K)}}
  oil: {phase: liquid, heating_value: 40 MJ/kg,
    constants: {density: 900 kg/m^3, viscosity: 5e-3 Pa*s, specific_heat: 2000 J/(kg*K)}}
  co2: {emission: biogenic}
materials: {steel: {stock: 800 kg}}
places: {well: {at: [0 m, 0 m]}, shed: {at: [90 m, 0 m]}}
sources: {vent: {place: well, fluid: FLUID, flow: 90 g/s}}
pipes:
  thin: {bore: 27.3 mm, fluids: [FLUID], layers: [{material: steel, mass: 2.51 kg/m}],
    inlet_pressure: PRESSURE, outlet_pressure: 101 kPa, max_velocity: 40 m/s}
routes: {walk: {between: [well, shed]}}
machines:
  engine: {inputs: {FLUID: 1 g/s}, outputs: {power: 4 kW, co2: 1 g/s}, places: {shed: 90}}
demands: {town: {power: 400 kW}}
"""


def planned(site: Site) -> Plan:
    plan = make_plan(site, Settings(gap=1e-3, node_limit=50, threads=1)).plan
    assert plan is not None
    return plan


def more(found: Callable[..., Capacity]) -> Callable[..., Capacity]:
    """The same capacity and a thousandth."""

    def mistaken(*given: object, **named: object) -> Capacity:
        capacity = found(*given, **named)
        return capacity._replace(rate=1.001 * capacity.rate)

    return mistaken


@pytest.mark.parametrize(
    ("fluid", "pressure", "rule"),
    [
        ("gas", "105 kPa", "bore_pressure"),
        ("gas", "300 kPa", "bore_velocity"),
        ("oil", "103 kPa", "bore_pressure"),
    ],
)
def test_a_thousandth_more_than_a_bore_carries(
    fluid: str, pressure: str, rule: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = BORED.replace("FLUID", fluid).replace("PRESSURE", pressure)
    site = changed_site(text, tmp_path)
    assert audit(site, planned(site)).breaches == ()
    name = "liquid_capacity" if fluid == "oil" else "gas_capacity"
    monkeypatch.setattr(by_bore, name, more(getattr(by_bore, name)))
    mistaken = replace(site)
    assert audit(mistaken, planned(mistaken)).rules == (rule,)


def test_less_friction_along_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundredth less than there is: the audit's walk does not arrive at the plan's pressures."""
    site = changed_site(LINE, tmp_path)
    assert audit(site, planned(site)).breaches == ()
    true = pressure_loss._colebrook
    monkeypatch.setattr(
        pressure_loss, "_colebrook", lambda re, rough: tuple(0.99 * x for x in true(re, rough))
    )
    mistaken = replace(site)
    assert "pressure_reported" in audit(mistaken, planned(mistaken)).rules
