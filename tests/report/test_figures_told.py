"""Figures that a reader compares: against which energy, which demand, which number of cases."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.cli.entry import main
from allocator.engine import simulate_plan
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.report.brief import brief_summary as summary
from allocator.report.simulated import simulation_text, unserved_share
from allocator.report.words import emission_a_kwh, emissions_of
from allocator.search import Settings, make_plan
from allocator.search.found import gap_of
from allocator.simulation import SimulationSettings
from allocator.site.records import Site
from allocator.studies.insulate_result import insulate
from allocator.verify import audit

CASES = Path(__file__).parents[1] / "cases"
QUICK = Settings(gap=1e-6, node_limit=300)


@pytest.fixture(scope="module")
def site() -> Site:
    return read_site(CASES / "fifth_unserved.yaml")


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    plan = make_plan(site, QUICK).plan
    assert plan is not None
    assert audit(site, plan).accepted
    return plan


def test_emissions_a_kwh_are_of_the_power_that_the_plan_promises(site: Site, plan: Plan) -> None:
    """1.6 g/s at 8 kW is 0.72 kg a kWh at any load, whatever the mean might come to."""
    assert plan.power.firm_total == pytest.approx(8e3 / 3, rel=1e-4)
    assert plan.power.mean_total > 1.2 * plan.power.firm_total
    assert emission_a_kwh(plan) == "720 g/kWh"
    assert "720 g/kWh of firm power" in summary(site, plan, None)
    mean = make_plan(site, replace(QUICK, basis="mean")).plan
    assert mean is not None
    assert emission_a_kwh(mean) == "720 g/kWh"
    assert "720 g/kWh of mean power" in summary(site, mean, None)


def test_a_simulation_tells_what_is_not_served_of_the_demand(site: Site, plan: Plan) -> None:
    """The promise is never short, and yet a part of the demand is not served."""
    trace = simulate_plan(site, plan, SimulationSettings(days=60, phases=2, seed=1))
    assert trace.kept
    served = trace.mean("mean_total_w")
    assert unserved_share(plan, trace) == pytest.approx(1 - served / 5e3)
    assert 0.1 < unserved_share(plan, trace) < 0.5
    text = simulation_text(plan, trace)
    lines = [line.split() for line in text.splitlines()]
    assert ["short", "of", "the", "firm", "output", "0", "%", "of", "the", "time"] in lines
    share = f"{100 * unserved_share(plan, trace):.3g}"
    assert ["demand", "not", "served", share, "%"] in lines
    assert ["counted", "emission", "a", "kWh", "served", "720", "g/kWh"] in lines


def test_a_gap_is_a_share_of_the_larger_of_value_and_bound() -> None:
    assert gap_of(40_000.0, 0.0) == 1.0
    assert gap_of(1e-15, 0.0) == pytest.approx(1e-6)
    assert gap_of(90.0, 100.0) == pytest.approx(0.1)
    assert gap_of(100.0, 90.0) == pytest.approx(0.1)
    assert gap_of(5.0, None) is None


def test_the_audit_takes_no_other_gap(site: Site, plan: Plan) -> None:
    def with_gap(gap: float) -> Plan:
        *others, last = plan.goals
        assert last.name == "emissions"
        assert last.value > 0
        return replace(plan, goals=(*others, replace(last, bound=0.0, gap=gap)))

    assert "goal_gap" not in audit(site, with_gap(1.0)).rules
    assert "goal_gap" in audit(site, with_gap(plan.goals[-1].value / 1e-9)).rules


def test_insulation_is_told_of_the_fluids_that_are_known() -> None:
    two = read_site(CASES / "two_fluids_one_known.yaml")
    told: list[str] = []
    rows = insulate(two, "lane", tell=told.append).rows
    assert {row.fluid for row in rows} == {"gas"}
    (left_out,) = told
    assert left_out.startswith("left out: fluid 'tar': has no known specific heat")
    with pytest.raises(Exception, match="fluid 'tar': has no known specific heat"):
        insulate(two, "lane", fluid="tar")


NO_ROUTES = """\
format: allocator.site/2
fluids:
  gas: {heating_value: 20 MJ/kg, constants: {specific_heat: 1100 J/(kg*K), density: 1.1 kg/m^3}}
places: {yard: {}}
sources: {kiln: {place: yard, fluid: gas, flow: 2 g/s, temperature: 300 degC}}
coolers: {fan: {fluid: gas, set_point: 60 degC, duty: 5 kW, places: [yard]}}
machines:
  engine:
    {inputs: {gas: 2 g/s}, outputs: {power: 10 kW}, places: [yard],
     max_inlet_temperature: 80 degC}
demands: {town: {power: 10 kW}}
"""


def test_no_routes_are_told_of_a_site_without_any(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Coolers and passages between levels of temperature are ways of the program, no routes."""
    path = tmp_path / "site.yaml"
    path.write_text(NO_ROUTES, encoding="utf-8")
    assert main(["check", str(path)]) == 0
    assert " route" not in capsys.readouterr().out
    derived = network_of(read_site(path))
    assert derived.routes
    with pytest.raises(Exception, match="there is no route 'track'; the site has none"):
        insulate(derived, "track")


def test_the_rounding_of_a_sum_is_no_emission(plan: Plan) -> None:
    taken = sum(rate for use in plan.sources for rate in use.collect.values())
    assert taken > 0
    found = replace(plan.emissions, counted=1e-12 * taken, vented={"gas": 2e-12 * taken})
    told = replace(plan, emissions=found)
    assert emissions_of(told).counted == 0
    assert emissions_of(told).vented == {"gas": 0.0}
    assert emission_a_kwh(told) == ""
    assert emissions_of(plan) == plan.emissions
