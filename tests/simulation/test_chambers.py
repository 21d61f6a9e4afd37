"""Chambers at sources: what a pump draws between bursts, by hand, and what it does to a promise."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import ChamberHold, Plan
from allocator.report.simulated import simulation_text
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.simulation.files import simulation_json
from allocator.simulation.search import set_points_of
from allocator.simulation.trace import Trace
from allocator.simulation.tracing import assemble
from allocator.site.chambers import GAS_CONSTANT, held
from allocator.site.records import Chamber, Pump, Site, Stage
from allocator.solver.linear import least_value
from allocator.verify.cycle import Cycle, source_cycle
from allocator.verify.tanks.chambers import lengthened

NETWORKS = Path(__file__).parents[2] / "networks"
METHANE = 0.016043
"""kg/mol (handbook value)."""


def on_time(cycle: Cycle) -> float:
    return cycle.total  # s of a rate of 1 in one period


@pytest.mark.parametrize(
    ("held_kg", "seconds"),
    [
        (0.0, 100.0),
        (10.0, 110.0),  # 10 kg at 1 kg/s go on for 10 s
        (100.0, 200.0),  # half of what is spare in a burst
        (200.0, 300.0),  # (3 - 1) kg/s for 100 s fill no more than 200 kg
        (5000.0, 300.0),  # so more volume draws no more
    ],
)
def test_a_pump_goes_on_for_what_the_chamber_holds(held_kg: float, seconds: float) -> None:
    """3 kg/s for 100 s of every 1000 s, drawn at 1 kg/s."""
    cycle = source_cycle((Stage(100.0, 1000.0),))
    assert on_time(lengthened(cycle, 3.0, 1.0, held_kg)) == pytest.approx(seconds)


def test_where_more_comes_than_is_drawn_a_large_chamber_never_runs_dry() -> None:
    """3 kg/s for half of the time at 1 kg/s: 500 kg bridge the pause, and 499 leave a second."""
    cycle = source_cycle((Stage(500.0, 1000.0),))
    assert lengthened(cycle, 3.0, 1.0, 500.0).steady
    assert on_time(lengthened(cycle, 3.0, 1.0, 499.0)) == pytest.approx(999.0)


def test_nested_bursts_settle_to_what_a_march_finds() -> None:
    """A march of tenths of a second over periods until it repeats."""
    stages = (Stage(40.0, 100.0), Stage(330.0, 1000.0))
    cycle = source_cycle(stages)
    flow, rate, most, step = 5.0, 2.0, 150.0, 0.1
    level, drawn = 0.0, 0.0
    for _ in range(4):
        drawn = 0.0
        for number in range(round(cycle.period / step)):
            now = (number + 0.5) * step
            on = cycle.rates[np.searchsorted(cycle.times, now, side="right") - 1] > 0
            if on:
                level = min(most, level + (flow - rate) * step)
                drawn += step
            elif level >= rate * step:
                level -= rate * step
                drawn += step
    assert on_time(lengthened(cycle, flow, rate, most)) == pytest.approx(drawn, abs=1.0)


def chambered(volume: float | None) -> Site:
    """The first example with methane, a pump that takes no power, and a chamber under it."""
    site = read_site(NETWORKS / "first.yaml")
    (source,) = site.sources.values()
    gas = site.fluids[source.fluid]
    gas = replace(gas, constants={**gas.constants, "molar_mass": METHANE})
    pump = Pump(0.0, chamber=None if volume is None else Chamber(volume, 1.1e5))
    return replace(
        site,
        fluids={**site.fluids, gas.name: gas},
        sources={source.name: replace(source, pressure=3e5, temperature=300.0, pump=pump)},
    )


def test_what_a_chamber_holds_is_the_ideal_gas_between_two_pressures() -> None:
    """1.9 bar of methane in 10 m3 at 300 K: 12.2 kg; and none at the pressure of the mouth."""
    site = chambered(10.0)
    (source,) = site.sources.values()
    mass = 1.9e5 * 10.0 * METHANE / (GAS_CONSTANT * 300.0)
    assert held(site, source) == pytest.approx(mass, rel=1e-12)
    assert mass == pytest.approx(12.22, abs=0.01)
    assert held(site, source, least=3e5) == 0.0
    assert held(site, source, least=2.05e5) == pytest.approx(mass / 2, rel=1e-12)


def test_of_a_density_the_molar_mass_follows() -> None:
    """Air of 1.225 kg/m3 at 288.15 K and 101,325 Pa (ICAO standard atmosphere): 28.96 g/mol."""
    site = chambered(10.0)
    (source,) = site.sources.values()
    gas = replace(site.fluids[source.fluid], constants={"density": 1.225})
    dense = replace(site, fluids={**site.fluids, gas.name: gas})
    by_mass = replace(gas, constants={"molar_mass": 0.028964})
    named = replace(site, fluids={**site.fluids, gas.name: by_mass})
    assert held(dense, source) == pytest.approx(held(named, source), rel=2e-4)


def plan_of(site: Site) -> Plan:
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    return plan


@pytest.mark.parametrize("volume", [1.0, 30.0, 400.0])
def test_a_promise_can_only_gain_by_a_chamber(volume: float) -> None:
    """A plan made without one gains in the simulation, one made with it keeps a higher promise.

    Without the chamber that it counts with, the higher promise breaks. Bounds stay above all.
    """
    asked = SimulationSettings(days=12.0, phases=3, foresight=3 * 86400.0)
    site, bare = chambered(volume), chambered(None)
    plan, plain = plan_of(site), plan_of(bare)
    trace = simulate(site, plan, asked, solve=least_value)
    assert trace.kept
    assert trace.worst_firm_w == plan.power.firm_total > 1.0001 * plain.power.firm_total
    assert not simulate(chambered(1e-9), plan, asked, solve=least_value).kept
    check_bounds(plan, trace)
    longer = simulate(site, plain, asked, solve=least_value)
    without = simulate(bare, plain, asked, solve=least_value)
    assert longer.kept
    assert without.kept
    check_bounds(plain, longer)
    for ours, theirs in zip(longer.draws, without.draws, strict=True):
        assert ours.tanks[0].lowest >= theirs.tanks[0].lowest - 1e-9
        assert ours.tanks[0].arrived > theirs.tanks[0].arrived
        assert ours.mean_total_w >= theirs.mean_total_w * (1 - 1e-9)


def check_bounds(plan: Plan, trace: Trace) -> None:
    """No bound on any control is below what was simulated, or below the promise."""
    bounds = trace.foresight
    assert bounds is not None
    assert not bounds.refuted
    assert bounds.beside_total is not None
    assert bounds.mean_total is not None
    assert bounds.beside_total <= bounds.mean_total * (1 + 1e-9)
    assert plan.ceiling.total is not None
    assert bounds.firm_total is not None
    assert plan.power.firm_total <= min(bounds.firm_total, plan.ceiling.total) * (1 + 1e-6)


def test_the_pressure_to_hold_is_a_set_point_that_the_simulation_keeps_to() -> None:
    site, plan = chambered(30.0), plan_of(chambered(None))
    points = set_points_of(network_of(site), plan, {})
    (name,) = site.sources
    assert points.chambers == (ChamberHold(name, 1.1e5),)
    held_plan = replace(plan, set_points=points)
    assert plan_from_json(plan_to_json(held_plan), "plan").set_points == points

    def on(pressure: float) -> float:
        hold = replace(points, chambers=(ChamberHold(name, pressure),))
        clocks = assemble(site, replace(plan, set_points=hold)).circuit.clocks
        (clock,) = (c for c in clocks if c.name == name)
        lengths = np.diff(np.append(clock.times, clock.period))
        return float(lengths @ clock.values)

    burst = source_cycle(site.sources[name].stages).total
    rate = sum(plan.sources[0].collect.values())
    assert on(3e5) == pytest.approx(burst)
    for pressure in (1.1e5, 2e5):
        drawn = min(
            held(site, site.sources[name], pressure),
            (site.sources[name].flow - rate) * burst,
        )
        assert on(pressure) == pytest.approx(burst + drawn / rate)


def test_from_now_a_chamber_is_as_empty_as_a_store() -> None:
    site, plan = chambered(400.0), plan_of(chambered(None))
    asked = SimulationSettings(days=12.0, phases=1, from_now=True)
    ours, bare = (simulate(s, plan, asked).draws[-1] for s in (site, chambered(None)))
    assert ours.name == "from now"
    assert ours.tanks[0].arrived == pytest.approx(bare.tanks[0].arrived)


def test_a_trace_tells_what_a_chamber_does() -> None:
    """30 m3 from 3 to 1.1 bar at 300 K are 36.7 kg of methane; drawn on is longer than on."""
    site, plan = chambered(30.0), plan_of(chambered(None))
    trace = simulate(site, plan, SimulationSettings(days=4.0, phases=1))
    (chamber,) = trace.chambers
    assert chamber.hold == 1.1e5
    assert chamber.held == pytest.approx(36.7, abs=0.1)
    assert chamber.lasts == pytest.approx(36.7 / sum(plan.sources[0].collect.values()), rel=3e-3)
    assert chamber.on == 0.25
    assert chamber.on < chamber.drawn <= 1.0
    assert "1.1 bar" in simulation_text(plan, trace) or "110 kPa" in simulation_text(plan, trace)
    assert json.loads(simulation_json(trace))["chambers"][0]["hold"] == 1.1e5
