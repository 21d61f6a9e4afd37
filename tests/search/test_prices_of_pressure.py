"""Marginal values of sites with pressures and boosters, against the changed site itself.

The plan's whole numbers are held in the program of a site whose file says a little more.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from pressed_sites import pressed_site

from allocator.base.clock import Clock
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.search.paths.known import point_of_plan
from allocator.site.records import Site
from allocator.solver.solver_model import SolverModel

EXACT = Settings(node_limit=20_000, gap=5e-7, prices=True)
LITTLE = 1e-4
"""Share of a flow, and of 1 bar."""


def best_with(plan: Plan, site: Site) -> float:
    """The most clean power of a site with the whole numbers of a plan, W."""
    model, sets = state(network_of(site), "firm", EXACT.robustness)
    solver_model = SolverModel(model, lazy_cuts(model, sets), EXACT, Clock(None))
    goal = goals_of(model, sets)[0]
    assert goal.name == "clean_power"
    solver_model.aim(goal)
    solved = solver_model.repaired(point_of_plan(model, sets, plan), None)
    assert solved.point is not None
    return model.value(goal.terms, model.by_key(solved.point))


def with_more(site: Site, kind: str, fluid: str) -> tuple[Site, float]:
    """The site with a little more flow or pressure of all sources of a fluid, and how much."""
    step = LITTLE if kind == "flow" else LITTLE * 1e5
    changed = {}
    for name, source in site.sources.items():
        if source.fluid == fluid:
            if kind == "flow":
                changed[name] = replace(source, flow=source.flow * (1.0 + step))
            else:
                assert source.pressure is not None
                changed[name] = replace(source, pressure=source.pressure + step)
    return replace(site, sources={**site.sources, **changed}), step


def check(site: Site) -> int:
    """Every marginal value of flows and pressures, and that others have none; how many there are.

    Values are of the first little: a pressure lets the more through the larger it is.
    """
    plan = make_plan(site, EXACT).plan
    assert plan is not None
    before = best_with(plan, site)
    assert before == pytest.approx(plan.power.firm_clean, rel=1e-6)
    told = {(price.kind, price.name): price for price in plan.prices}
    for kind in ("flow", "pressure"):
        for fluid in {source.fluid for source in site.sources.values()}:
            more, step = with_more(site, kind, fluid)
            price = told.get((kind, fluid))
            if kind == "pressure":
                names = [("pressures", fluid), *(("pressure", name) for name in site.sources)]
                price = next((told[name] for name in names if name in told), None)
            rate = 0.0 if price is None else price.rate
            gained = best_with(plan, more) - before
            assert gained == pytest.approx(rate * step, rel=1e-3, abs=1e-7 * before)
    return len(told)


@pytest.mark.parametrize("number", range(14))
def test_drawn_sites(number: int, tmp_path: Path) -> None:
    check(pressed_site(number, tmp_path, any_pipe=bool(number % 2)))


CHAIN = """
format: allocator.site/2
name: Purge gas
ambient: {temperature: 12 degC, pressure: 99 kPa}
fluids: {h2: {phase: gas, heating_value: 120 MJ/kg, substance: Hydrogen}}
materials: {steel: {stock: 7 t}}
places:
  cell: {at: [100 m, 200 m]}
  fork: {at: [300 m, 50 m]}
  tanks: {at: [320 m, 150 m]}
  plant: {at: [420 m, 50 m]}
sources:
  purge: {place: cell, fluid: h2, flow: 0.6 g/s, pressure: 3 bar, temperature: 30 degC,
    cycle: [{on: 40 min, every: 2 h}, {on: 16 h, every: 24 h}]}
storage:
  bullet: {holds: h2, places: [tanks, plant], min_pressure: 2 bar, max_pressure: 12 bar,
    pressure_rating: 16 bar, size: {unit: 2 kg, max: 20 kg}, materials: {steel: 80 kg/kg}}
pipes: {d20: {bore: 20.9 mm, layers: [{material: steel, mass: 1.69 kg/m}],
    pressure_rating: 20 bar}}
routes: {a: {between: [cell, fork]}, b: {between: [fork, tanks]}, c: {between: [fork, plant]}}
boosters:
  compressor: {kind: compressor, fluids: [h2], places: {cell: 1, tanks: 1, plant: 1}, ratio: 5,
    efficiency: 55 %, discharge_temperature: 45 degC, materials: {steel: 150 kg},
    min_inlet_pressure: 2.6 bar}
machines:
  gen: {inputs: {h2: 0.2 g/s}, outputs: {power: 9 kW}, places: {plant: 2},
    materials: {steel: 90 kg}, min_inlet_pressure: 1.4 bar}
demands: {base: {power: 30 kW}}
"""


def test_a_booster_that_does_not_run_takes_nothing_of_a_larger_flow(tmp_path: Path) -> None:
    """A compressor may stand at the bullets too, and fills none of them there."""
    file = tmp_path / "chain.yaml"
    file.write_text(CHAIN, encoding="utf-8")
    site = read_site(file)
    plan = make_plan(site, EXACT).plan
    assert plan is not None
    assert [booster.start for booster in plan.boosters] == ["cell"]
    assert check(site) > 0
