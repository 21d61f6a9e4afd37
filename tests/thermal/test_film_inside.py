"""Ends of pipes with the film inside: in plans, in the audit, in the study of one run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from changed_sites import changed_site

from allocator.network.deriving import network_of
from allocator.network.offers import Ask, ends_at_most, march
from allocator.network.reading import check_site
from allocator.plans.records import FlowHeat, Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.studies.insulate_result import insulate
from allocator.verify import audit
from allocator.verify.case import case_of
from allocator.verify.inner_film import Film
from allocator.verify.pipe_model import PipeModel, end_and_surface
from allocator.verify.properties import specific_heat

BARE_PIPE = """
format: allocator.site/2
name: Bare pipe as cooler
ambient: {temperature: 15 degC}
fluids:
  gas:
    heating_value: 10 MJ/kg
    constants:
      density: 1.0 kg/m^3
      specific_heat: 1250 J/(kg*K)
      viscosity: 2.6e-5 Pa*s
      conductivity: 0.045 W/(m*K)
  water: {phase: liquid, substance: Water}
  oil: {phase: liquid, constants: {specific_heat: 2000 J/(kg*K), conductivity: 0.13 W/(m*K)}}
  hydrogen: {phase: gas, substance: Hydrogen}
  bio_co2: {phase: gas, emission: biogenic}
materials:
  steel: {stock: 8 t, density: 7850 kg/m^3, conductivity: 45 W/(m*K), emissivity: 30 %}
  wool: {density: 100 kg/m^3, conductivity: [[10 degC, 0.033 W/(m*K)], [300 degC, 0.09 W/(m*K)]]}
places:
  retort: {at: [0 m, 0 m]}
  shed: {at: [14 m, 0 m]}
sources:
  retort: {place: retort, fluid: gas, flow: 20 g/s, temperature: 300 degC, pressure: 1.1 bar}
pipes:
  bare: {capacity: 20 g/s, bore: 102.3 mm, layers: [{material: steel, thickness: 6.02 mm}]}
  lagged:
    fluids: [water, oil, hydrogen]
    capacity: 20 g/s
    bore: 102.3 mm
    layers: [{material: steel, thickness: 6.02 mm}, {material: wool, thickness: 20 mm}]
routes:
  walk: {between: [retort, shed]}
machines:
  gas_set:
    inputs: {gas: 10 g/s}
    outputs: {power: 33 kW, bio_co2: 10 g/s}
    price: 20000
    places: {shed: 2}
    max_inlet_temperature: 140 degC
demands:
  town: {power: 66 kW}
"""
QUICK = Settings(gap=1e-3, node_limit=50)


def site_of(path: Path, *changes: tuple[str, str]) -> Site:
    return changed_site(BARE_PIPE, path, *changes)


def planned(site: Site) -> Plan:
    plan = make_plan(site, QUICK).plan
    assert plan is not None
    return plan


def test_a_pipe_that_the_gas_leaves_too_hot_feeds_no_engine(tmp_path: Path) -> None:
    """By hand 112 degC at 20 g/s, some 120 at the flow that turns turbulent; 55 without a film."""
    for limit, power in ((90, 0.0), (110, 0.0), (140, 66e3)):
        changes = ("max_inlet_temperature: 140 degC", f"max_inlet_temperature: {limit} degC")
        plan = planned(site_of(tmp_path, changes) if limit != 140 else site_of(tmp_path))
        assert plan.power.firm_clean == pytest.approx(power)


def test_an_end_without_the_film_does_not_pass_the_audit(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    plan = planned(site)
    assert audit(site, plan).accepted
    assert plan.heat is not None
    (flow,) = (f for f in plan.heat.flows if f.state == "busiest" and f.surface is not None)
    assert 112.0 < flow.outlet - 273.15 < 132.0
    colder = replace(flow, outlet=55.0 + 273.15)
    flows = tuple(colder if f is flow else f for f in plan.heat.flows)
    assert "heat_along" in audit(site, replace(plan, heat=replace(plan.heat, flows=flows))).rules
    weak = replace(flow, loss=0.7 * flow.loss)  # what the gas has less at its hottest end
    flows = tuple(weak if f is flow else f for f in plan.heat.flows)
    assert "heat_loss" in audit(site, replace(plan, heat=replace(plan.heat, flows=flows))).rules


@pytest.mark.parametrize("build", ["bare", "lagged"])
@pytest.mark.parametrize(
    ("fluid", "kelvin"), [("gas", 573.15), ("water", 360.0), ("oil", 400.0), ("hydrogen", 600.0)]
)
def test_two_models_of_a_run_agree(tmp_path: Path, fluid: str, kelvin: float, build: str) -> None:
    site = site_of(tmp_path)
    network = network_of(site)
    case = case_of(network, planned(site))
    route = next(r for r in network.corridors.values())
    rates = np.array([0.0005, 0.003, 0.0055, 0.008, 0.02, 0.3, 3.0])
    asks = [Ask(route, network.pipes[build], fluid, kelvin)] * len(rates)
    coldest = march(network, fluid, asks, rates).end
    ends = ends_at_most(network, fluid, asks, rates, coldest)
    assert (ends >= coldest).all()
    assert (np.diff(ends) >= -0.05).all()  # no lesser flow ends hotter
    model = PipeModel.of(network, route, build)
    assert model is not None
    for rate, end in zip(rates, ends, strict=True):
        film = Film.of(case, fluid, model.bore, rate, kelvin)
        assert film is not None
        mine, _ = end_and_surface(
            model, kelvin, rate, lambda at: specific_heat(case, fluid, at), film
        )
        assert end == pytest.approx(mine, abs=0.2 + 0.005 * (kelvin - mine))


def test_what_is_not_known_of_a_fluid_is_told(tmp_path: Path) -> None:
    """Without viscosity the end is hotter still; without conductivity `check` tells of it."""
    laminar = site_of(tmp_path, ("      viscosity: 2.6e-5 Pa*s\n", ""))
    limits = ("max_inlet_temperature: 140 degC", "max_inlet_temperature: 90 degC")
    bare = site_of(tmp_path, ("      conductivity: 0.045 W/(m*K)\n", ""), limits)
    (warning,) = [w for w in check_site(tmp_path / "site.yaml").warnings if "film" in str(w)]
    assert "fluid 'gas': has no known conductivity" in str(warning)
    assert planned(bare).power.firm_clean == pytest.approx(66e3)
    words: list[str] = []
    known = insulate(site_of(tmp_path), "walk", flow=0.02).rows[0]
    assert known.end_at_flow is not None
    told = insulate(laminar, "walk", flow=0.02, tell=words.append).rows[0]
    assert not words
    assert told.end_at_flow is not None
    assert told.end_at_flow > known.end_at_flow + 20
    assert told.surface == known.surface
    assert insulate(bare, "walk", flow=0.02, tell=words.append).rows[
        0
    ].end_at_flow == pytest.approx(273.15 + 55.3, abs=0.5)
    assert any("no known conductivity" in line for line in words)


def test_the_far_half_of_a_pipe_counts_as_hot_as_the_film_leaves_it(tmp_path: Path) -> None:
    """Without the film nearly all heat would be let out in the first half of a long run."""
    places = "shed: {at: [14 m, 0 m]}", "shed: {at: [60 m, 0 m], heat_limit: 100 kW}"
    plan = planned(site_of(tmp_path, places))
    assert plan.heat is not None
    (flow,) = (f for f in plan.heat.flows if f.state == "busiest" and f.surface is not None)
    (limit,) = (x for x in plan.heat.limits if x.subject == "place shed")
    assert isinstance(flow, FlowHeat)
    assert limit.value > 0.06 * flow.loss
    assert audit(site_of(tmp_path, places), plan).accepted
