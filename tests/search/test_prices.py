"""Prices of limits: by hand, against scipy's linear programs, and lifts against whole plans."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from tiny_firm import FirmBasis
from tiny_program import Whole
from tiny_sites import tiny_site

from allocator.network.reading import read_site
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import Plan, Price
from allocator.report.prices import prices as in_words
from allocator.search import Settings, make_plan
from allocator.site.records import Material, Site
from allocator.solver.settings import Lift

NETWORKS = Path(__file__).parents[2] / "networks"
EXACT = Settings(node_limit=100_000, gap=5e-7, prices=True)


def planned(site: Site, *lifts: Lift) -> Plan:
    plan = make_plan(site, replace(EXACT, lifts=lifts)).plan
    assert plan is not None
    return plan


def price_of(plan: Plan, kind: str, name: str = "") -> Price | None:
    return next((p for p in plan.prices if (p.kind, p.name) == (kind, name)), None)


def test_first_site_by_hand() -> None:
    """A kg of steel is half a kg of holder: 0.5 / 64.8 ks / 1.5 g/s * 10 kW = 51.44 W.

    With 250 kg more the mean flow binds first: 20 kW less the 13.374 kW of the plan.
    """
    site = read_site(NETWORKS / "first.yaml")
    plan = planned(site, Lift("stock", "steel", 250.0), Lift("places", "small_engine@mill", 1.0))
    steel = price_of(plan, "stock", "steel")
    assert steel is not None
    assert (steel.goal, steel.unit) == ("clean_power", "W")
    assert steel.rate == pytest.approx(0.5 / 64_800 / 1.5e-3 * 1e4, rel=1e-6)
    assert steel.step == 250.0
    assert steel.gain == pytest.approx(20_000 - 13_374.49, rel=1e-5)
    assert steel.proven
    places = price_of(plan, "places", "small_engine@mill")
    assert places is not None
    assert (places.rate, places.gain) == (0.0, 0.0)  # asked for, and told that it brings nothing
    told = " ".join(" ".join(in_words(plan)).split())
    assert "stock.steel 1.06 t 1 kg 51.4 W clean power 250 kg more 6.63 kW" in told
    assert "machines.small_engine.places.mill 4 1 nothing clean power 1 more nothing" in told


def test_an_emission_cap_by_hand() -> None:
    """A set's 15 kW a 3.17 g/s of CO2: 4.73 MJ a kg, in power in all (clean power it is not)."""
    site = read_site(NETWORKS / "island.yaml")
    machines = {"diesel_set": replace(site.machines["diesel_set"], no_load=0.0)}
    flat = {n: replace(d, profile=None) for n, d in site.demands.items()}
    site = replace(site, machines=machines, demands=flat, storage={}, goals=("served_power",))
    sources = {"diesel_boat": replace(site.sources["diesel_boat"], stages=(), delivered=False)}
    plan = planned(replace(site, sources=sources, built=replace(site.built, storage={})))
    cap = price_of(plan, "emission")
    assert cap is not None
    assert cap.goal == "served_power"
    assert cap.rate == pytest.approx(15_000 / 3.17e-3, rel=1e-5)
    assert cap.gain == pytest.approx(0.05 * cap.value * 15_000 / 3.17e-3, rel=1e-4)


def whole_of(site: Site, plan: Plan) -> Whole:
    """The integers of a plan, as the second model takes them."""
    spots = {(m.type, m.place): m for m in plan.machines}
    places = [(m.name, place) for m in site.machines.values() for place in m.places]
    laid = {run.route: run.build for run in plan.runs}
    units = {(s.type, s.place): s.units for s in plan.stores if s.units is not None}
    return Whole(
        tap={
            s.name: int(s.tapped or not site.sources[s.name].connection_materials)
            for s in plan.sources
        },
        lay={route: laid.get(route) for route in site.routes},
        count={spot: spots[spot].count if spot in spots else 0 for spot in places},
        running={spot: spots[spot].running if spot in spots else 0 for spot in places},
        cycling=dict.fromkeys(places, 0),
        units={
            (kind.name, place): units.get((kind.name, place), 0)
            for kind in site.storage.values()
            if kind.unit is not None
            for place in kind.places
        },
    )


def best_clean(site: Site, whole: Whole, stock: float) -> float:
    """Most clean power of scipy's program with whole numbers held and so much steel."""
    stated = FirmBasis(replace(site, materials={"steel": Material("steel", stock=stock)}), whole)
    best = stated.program.best(stated.goals()[0])
    assert best is not None
    return -best


@pytest.mark.parametrize("batch", range(10))
def test_the_price_of_steel_is_what_scipy_gains_by_a_little_more(batch: int) -> None:
    """Ten sites a batch: the right-hand difference of a program that was stated independently."""
    for number in range(10):
        site = tiny_site(10 * batch + number, battery=False, stores=True)
        plan = planned(site)
        stock = site.materials["steel"].stock or 0.0
        whole = whole_of(site, plan)
        more = 1e-4 * stock
        before, after = (best_clean(site, whole, kg) for kg in (stock, stock + more))
        found = price_of(plan, "stock", "steel")
        rate = found.rate if found is not None and found.goal == "clean_power" else 0.0
        scale = site.demands["load"].mean / stock
        assert rate == pytest.approx((after - before) / more, rel=1e-3, abs=2e-3 * scale), site.name


@pytest.mark.parametrize("seed", range(8))
def test_a_lift_gains_what_a_new_plan_does(seed: int) -> None:
    site = replace(tiny_site(seed, battery=False, stores=True), goals=("clean_power",))
    plan = planned(site, Lift("stock", "steel", 25.0))
    stock = (site.materials["steel"].stock or 0.0) + 25.0
    lifted = planned(replace(site, materials={"steel": Material("steel", stock=stock)}))
    gain = lifted.power.firm_clean - plan.power.firm_clean
    found = price_of(plan, "stock", "steel")
    assert found is not None
    assert found.proven
    assert found.gain == pytest.approx(gain, rel=1e-4, abs=1e-5 * site.demands["load"].mean)


def test_prices_are_written_and_read_and_old_plans_have_none() -> None:
    plan = planned(read_site(NETWORKS / "first.yaml"))
    assert plan.prices
    assert plan_from_json(plan_to_json(plan), "plan") == plan
    bare = replace(plan, prices=())
    assert "prices" not in plan_to_json(bare)
    assert plan_from_json(plan_to_json(bare), "plan") == bare


def test_no_prices_where_nobody_asks() -> None:
    outcome = make_plan(read_site(NETWORKS / "first.yaml"), Settings(node_limit=1000))
    assert outcome.plan is not None
    assert outcome.plan.prices == ()


def test_the_pressure_of_a_line_that_holds_a_plan_back_has_a_price(tmp_path: Path) -> None:
    """2.7 kPa above the air push through 400 m what a little more pressure would push more of."""
    text = """\
format: allocator.site/2
fluids:
  gas:
    heating_value: 20 MJ/kg
    constants: {density: 1.1 kg/m^3, viscosity: 1.3e-5, molar_mass: 0.026, specific_heat: 1400}
materials: {steel: {stock: 9 t}}
places: {yard: {at: [0 m, 0 m]}, bend: {at: [200 m, 0 m]}, hall: {at: [400 m, 0 m]}}
sources: {still: {place: yard, fluid: gas, flow: 40 g/s, pressure: 104 kPa}}
pipes: {narrow: {bore: 36 mm, layers: [{material: steel, mass: 3.4 kg/m}]}}
routes: {lane: {between: [yard, bend]}, walk: {between: [bend, hall]}}
machines: {set: {inputs: {gas: 1.5 g/s}, outputs: {power: 9 kW}, places: {hall: 40}}}
demands: {all: {power: 900 kW}}
"""
    path = tmp_path / "still.yaml"
    path.write_text(text, encoding="utf-8")
    plan = planned(read_site(path))
    price = price_of(plan, "pressure", "still")
    assert price is not None
    assert (price.dimension, price.rate > 0) == ("pressure", True)
    assert plan_from_json(plan_to_json(plan), "plan.json") == plan
