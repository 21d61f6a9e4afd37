"""Gas that leaves a booster hotter than it came, on sites planned with temperatures."""

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.verify import audit

SITE = """format: allocator.site/2
goals: [clean_power]
fluids:
  biogas: {phase: gas, heating_value: 19 MJ/kg, constants: {density: 1.1 kg/m^3, viscosity: 1.3e-5,
    specific_heat: 1500, molar_mass: 0.027, conductivity: 0.03}}
places: {digesters: {at: [0 m, 0 m]}, engines: {at: [400 m, 0 m]}}
sources:
  digester: {place: digesters, fluid: biogas, flow: 10 g/s, pressure: 1.03 bar,
             temperature: 30 degC}
pipes: {dn80: {bore: 80.7 mm}}
routes: {lane: {between: [digesters, engines]}}
boosters:
  roots: {kind: blower, fluids: [biogas], places: {digesters: 1}, ratio: 1.2, efficiency: 55 %,
          discharge_temperature: 60 degC}
machines:
  engine: {inputs: {biogas: 3 g/s}, outputs: {power: 20 kW}, min_inlet_pressure: 1.04 bar,
           places: {engines: 3}, max_inlet_temperature: 200 degC}
demands: {crusher: {power: 60 kW}}
"""
COOL = ("max_inlet_temperature: 200 degC", "max_inlet_temperature: 40 degC")
COOLER = (
    "boosters:",
    "coolers: {after: {fluid: biogas, set_point: 40 degC, places: [engines], "
    "duty: 2 kW}}\nboosters:",
)
BARE = ("dn80: {bore: 80.7 mm}", "dn80: {bore: 80.7 mm, max_temperature: 50 degC}")


def planned(path: Path, *changes: tuple[str, str]) -> Plan:
    text = SITE
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(gap=1e-4, time_limit=60.0)).plan
    assert plan is not None
    assert audit(site, plan).accepted
    return plan


@pytest.mark.parametrize("changes", [(), (COOL, COOLER)], ids=["plain", "aftercooler"])
def test_a_booster_hotter_than_its_source_counts(
    changes: tuple[tuple[str, str], ...], tmp_path: Path
) -> None:
    plan = planned(tmp_path / "site.yaml", *changes)
    assert [one.booster for one in plan.boosters] == ["roots"]
    assert plan.power.firm_clean == pytest.approx(59.7e3, rel=5e-3)
    assert plan.heat is not None
    lane = [flow for flow in plan.heat.flows if flow.route.startswith("lane")]
    assert [flow.inlet for flow in lane] == pytest.approx([333.15] * len(lane))
    assert lane


def test_a_booster_hotter_than_the_stream_that_it_gives_is_refused(tmp_path: Path) -> None:
    plan = planned(tmp_path / "site.yaml")
    site = network_of(read_site(tmp_path / "site.yaml"))
    roots = replace(site.boosters["roots"], discharge_temperature=273.15 + 61)
    assert "level" in audit(replace(site, boosters={"roots": roots}), plan).rules


def test_gas_is_as_hot_as_it_leaves_the_booster(tmp_path: Path) -> None:
    """At 60 degC the pipe does not bear it, and without a booster its pressure is too low."""
    plan = planned(tmp_path / "site.yaml", BARE)
    assert plan.boosters == ()
    assert plan.power.firm_clean == 0.0
    told = [str(one) for one in check_site(tmp_path / "site.yaml").warnings]
    (one,) = [text for text in told if "booster 'roots'" in text]
    assert "does not count for 'biogas': its gas leaves at 60 degC" in one
