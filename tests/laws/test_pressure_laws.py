"""Laws of pressure along lines, on drawn sites solved to proven optimum.

``ALLOCATOR_LAWS`` says on how many; three hundred were tried. Fluids with temperatures are another
matter: what is certain of their cooling is known for whole corridors alone.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace
from pathlib import Path

import pytest
from laws.changes import route_cut
from pressed_sites import pressed_site

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.search.as_built import as_built
from allocator.site.records import Site
from allocator.verify import audit

MANY = int(os.environ.get("ALLOCATOR_LAWS", "8"))
SAME = 1e-6


def planned(site: Site) -> Plan:
    """The best plan, proven."""
    plan = make_plan(site, Settings(gap=1e-7, node_limit=20_000)).plan
    assert plan is not None
    goal = plan.goals[0]
    assert goal.bound is not None
    assert goal.bound <= goal.value * (1.0 + SAME) + 1e-3
    return plan


def power(plan: Plan) -> float:
    """Firm clean power, W."""
    return plan.goals[0].value


@pytest.mark.parametrize("number", range(MANY))
def test_a_corridor_cut_into_pieces_changes_no_answer(number: int, tmp_path: Path) -> None:
    site = pressed_site(number, tmp_path)
    whole = power(planned(site))
    name = list(site.routes)[number % len(site.routes)]
    pieces = power(planned(route_cut(site, name, 2 + number % 4)))
    assert pieces == pytest.approx(whole, rel=SAME, abs=1e-3)


@pytest.mark.parametrize("number", range(-(-MANY // 4)))
def test_nor_where_any_pipe_may_be_laid_if_its_pieces_are_held_to_one(
    number: int, tmp_path: Path
) -> None:
    """The best of the pieces of each pipe type alone; pieces of mixed types could be better."""
    site = pressed_site(number, tmp_path, any_pipe=True)
    name = list(site.routes)[number % len(site.routes)]

    def held(pipe: str) -> float:
        route = replace(site.routes[name], pipes=(pipe,))
        alone = replace(site, routes={**site.routes, name: route})
        return power(planned(route_cut(alone, name, 3)))

    best = max(map(held, site.routes[name].pipes))
    assert best == pytest.approx(power(planned(site)), rel=SAME, abs=1e-3)


@pytest.mark.parametrize("number", range(MANY))
def test_at_equal_capacities_pressure_never_gives_more(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, boosters=False))
    assert site.pressures
    without = power(planned(replace(site, pressures={})))
    assert power(planned(site)) <= without * (1.0 + SAME) + 1e-3


@pytest.mark.parametrize("number", range(MANY))
def test_longer_is_never_better(number: int, tmp_path: Path) -> None:
    site = pressed_site(number, tmp_path)
    name = list(site.routes)[number % len(site.routes)]
    route = replace(site.routes[name], length=1.7 * site.routes[name].length)
    longer = power(planned(replace(site, routes={**site.routes, name: route})))
    assert longer <= power(planned(site)) * (1.0 + SAME) + 1e-3


HOT = """format: allocator.site/2
name: Hot line
goals: [clean_power]
fluids:
  gas: {{phase: gas, heating_value: 20 MJ/kg, constants: {{viscosity: 2.0e-5, molar_mass: 0.027,
    specific_heat: 1500, conductivity: 0.03}}}}
  co2: {{phase: gas, emission: biogenic}}
materials: {{steel: {{density: 7850 kg/m^3, conductivity: 45, emissivity: 0.8}}}}
places: {{kiln: {{at: [0 m, 0 m]}}, works: {{at: [0.4 m, 0 m]}}}}
sources:
  kiln: {{place: kiln, fluid: gas, flow: 2 g/s, pressure: 106 kPa, temperature: 200 degC}}
pipes: {{dn15: {{bore: 16.1 mm, layers: [{{material: steel, thickness: 2.6 mm}}]}}}}
routes: {{lane: {{between: [kiln, works], length: {length} m}}}}
machines:
  engine: {{inputs: {{gas: 0.5 g/s}}, outputs: {{power: 3 kW, co2: 0.8 g/s}}, places: {{works: 4}},
           min_inlet_pressure: 102.5 kPa{limit}}}
demands: {{town: {{power: 20 kW}}}}
"""
"""A bare pipe: the engine's inlet asks for pressure, and may ask for gas that has cooled."""
COOL = ", max_inlet_temperature: 60 degC"


def hot_line(length: float, limit: str, folder: Path) -> float:
    path = folder / "hot.yaml"
    path.write_text(HOT.format(length=length, limit=limit), encoding="utf-8")
    return power(planned(read_site(path)))


def cooled(length: float, film: float) -> float:
    """degC of 2 g/s at the end of the line, with a loss of heat in W/(m2 K) by hand."""
    across = math.pi * (0.0161 + 2 * 0.0026)
    return 15.0 + 185.0 * math.exp(-film * across * length / (2e-3 * 1500.0))


def pressed_through(length: float) -> float:
    """kg/s that 106 kPa press through to 102.5 kPa at 200 degC, by hand."""
    bore, law = 0.0161, 8.314462618 / 0.027 * 473.15
    low, high = 0.0, 0.1
    for _ in range(60):
        flow = (low + high) / 2
        flux = 4.0 * flow / (math.pi * bore**2)
        x = 5.0
        for _ in range(60):
            x = -2.0 * math.log10(4.5e-5 / bore / 3.7 + 2.51 * x / (flux * bore / 2e-5))
        lost = flux**2 * law * (length / x**2 / bore + 2.0 * math.log(106 / 102.5))
        low, high = (flow, high) if lost <= 106e3**2 - 102.5e3**2 else (low, flow)
    return low


@pytest.mark.slow
def test_longer_is_better_where_heat_that_is_lost_meets_a_limit(tmp_path: Path) -> None:
    """At 1 m the gas is too hot for the engine, at 20 m it has cooled, at 50 m pressure lacks.

    Bare pipe loses between 8 and 20 W/(m2 K) in still air. Without the limit longer is not better.
    """
    assert cooled(1.0, 20.0) > 60.0
    assert cooled(20.0, 8.0) < 60.0
    lengths = (1.0, 20.0, 50.0)
    at_most = 4 * 3e3
    by_hand = [min(at_most, 3e3 / 0.5e-3 * pressed_through(length)) for length in lengths]
    assert by_hand[1] == at_most > by_hand[2]
    near, middle, far = (hot_line(length, COOL, tmp_path) for length in lengths)
    assert near == 0.0
    assert (middle, far) == (pytest.approx(by_hand[1]), pytest.approx(by_hand[2], rel=1e-4))
    anywhere = [hot_line(length, "", tmp_path) for length in lengths]
    assert anywhere == sorted(anywhere, reverse=True)
    assert anywhere[0] == pytest.approx(at_most)


@pytest.mark.parametrize("number", [1, 9, 26, 31, 60, 64])
def test_what_is_built_gives_what_was_planned(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path))
    plan = planned(site)
    assert power(planned(as_built(site, plan))) == pytest.approx(power(plan), rel=SAME)


@pytest.mark.slow
@pytest.mark.parametrize("number", [*range(MANY), 61, 63, 64, 98, 174])
def test_the_audit_accepts_what_the_model_calls_a_plan(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, any_pipe=number % 2 == 0))
    for basis in ("firm", "mean"):
        plan = make_plan(site, Settings(basis=basis, gap=1e-7, node_limit=5000)).plan
        assert plan is not None
        assert audit(site, plan).breaches == ()
