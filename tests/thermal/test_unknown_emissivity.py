"""A surface of which nothing is said: dull for heat that limits hold, bright for temperatures."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from changed_sites import changed_site

from allocator.network.deriving import network_of
from allocator.network.insulation import pipe_of
from allocator.network.offers import Ask, Offer, offers_of
from allocator.network.records import Network
from allocator.search import Settings, make_plan
from allocator.site.enclosures import DULL, EMISSIVITY
from allocator.verify import audit
from allocator.verify.pipe_model import PipeModel, loss

HALL = """
format: allocator.site/2
name: Bare pipe in a hall
ambient: {temperature: 15 degC}
fluids:
  gas: {heating_value: 7.5 MJ/kg, constants: {density: 1.12 kg/m^3, specific_heat: 1400 J/(kg*K),
    conductivity: 0.045 W/(m*K), viscosity: 25 uPa*s}}
materials: {steel: {stock: 1 t, density: 7850 kg/m^3, conductivity: 50 W/(m*K)}}
places: {hall: {at: [0 m, 0 m], heat_limit: 25 kW}, shed: {at: [12 m, 0 m]}}
sources: {retort: {place: hall, fluid: gas, flow: 300 g/s, temperature: 420 degC}}
pipes: {dn150: {bore: 155 mm, capacity: 400 g/s, layers: [{material: steel, thickness: 5 mm}]}}
routes: {rack: {between: [hall, shed]}}
machines: {engine: {inputs: {gas: 300 g/s}, outputs: {power: 700 kW}, places: {shed: 1}}}
demands: {load: {power: 700 kW, place: shed}}
"""
QUICK = Settings(gap=1e-3, node_limit=50)


def bare(path: Path, emissivity: str = "") -> Network:
    stated = ("steel: {stock", f"steel: {{emissivity: {emissivity}, stock")
    return network_of(changed_site(HALL, path, *([stated] if emissivity else [])))


def offer(site: Network) -> Offer:
    (route,) = (route for route in site.routes.values() if "dn150" in str(route.capacities))
    assert route.stream is not None
    (found,) = offers_of(site, [Ask(route, site.pipes["dn150"], "gas", route.stream.inlet)])
    return found


def by_hand(emissivity: float) -> float:
    """W/m of a surface of 165 mm at 420 degC in still air of 15 degC: ISO 12241 and rays.

    The wall of steel makes it up to 2 K colder: 1.3 % less.
    """
    hot, cold = 693.15, 288.15
    film = 1.21 * (hot - cold) ** (1 / 3)
    rays = emissivity * 5.670374e-8 * (hot**4 - cold**4)
    return math.pi * 0.165 * (film * (hot - cold) + rays)


def test_heat_counts_as_of_a_dull_surface_and_ends_as_of_a_bright_one(tmp_path: Path) -> None:
    unknown, bright, dull = (offer(bare(tmp_path, e)) for e in ("", "30 %", "95 %"))
    assert (EMISSIVITY, DULL) == (0.3, 0.95)
    assert unknown.per_metre == dull.per_metre == pytest.approx(by_hand(0.95), rel=0.02)
    assert bright.per_metre == pytest.approx(by_hand(0.3), rel=0.02)
    assert unknown.heat_loss == dull.heat_loss > 1.7 * bright.heat_loss
    assert unknown.end == bright.end > dull.end
    assert unknown.surface == bright.surface >= dull.surface


def test_a_heat_limit_that_a_dull_pipe_breaks_allows_no_pipe(tmp_path: Path) -> None:
    """12 m, half of them in the hall: more than 25 kW where nothing is said of the steel."""
    for emissivity, firm in (("", 0.0), ("95 %", 0.0), ("30 %", 700e3)):
        plan = make_plan(bare(tmp_path, emissivity), QUICK).plan
        assert plan is not None
        assert plan.power.firm_clean == pytest.approx(firm)


def test_the_audit_finds_the_heat_of_a_dull_pipe(tmp_path: Path) -> None:
    """A plan made for bright steel does not hold where nothing is said of it."""
    bright, unknown = bare(tmp_path, "30 %"), bare(tmp_path)
    plan = make_plan(bright, QUICK).plan
    assert plan is not None
    assert audit(bright, plan).accepted
    moved = replace(plan, site_sha256=unknown.sha256)
    assert {"let_in", "heat_loss"} <= set(audit(unknown, moved).rules)
    route = next(r for r in unknown.routes.values() if "dn150" in str(r.capacities))
    for dull, emissivity in ((False, 0.3), (True, 0.95)):
        model = PipeModel.of(unknown, route, "dn150", dull=dull)
        assert model is not None
        assert loss(model, 693.15)[0] == pytest.approx(by_hand(emissivity), rel=0.02)


def test_vacuum_between_dull_faces_lets_more_heat_through(tmp_path: Path) -> None:
    site = bare(tmp_path)
    steel = replace(site.materials["steel"], vacuum=True, conductivity=())
    site = replace(site, materials={"steel": steel})
    bright, dull = (pipe_of(site, site.pipes["dn150"], e) for e in (EMISSIVITY, DULL))
    assert bright is not None
    assert dull is not None
    assert [pipe[1][0][0].emissivity for pipe in (bright, dull)] == [EMISSIVITY, DULL]
