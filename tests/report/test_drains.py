"""Drains where water condenses: in build order, set-points, bill and cautions; hot kiln gas."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.base.quantities import format_quantity
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import bill_of_materials
from allocator.report.handover.build_order import build_order
from allocator.report.handover.set_points import set_points
from allocator.report.words import quantity
from allocator.search import Settings, make_plan

CASE = Path(__file__).parents[1] / "cases" / "wet_and_dry.yaml"


@pytest.fixture(scope="module")
def planned() -> tuple[Network, Plan]:
    found = check_site(CASE).site
    assert found is not None
    site = network_of(found)
    plan = make_plan(site, Settings(gap=1e-3, node_limit=100)).plan
    assert plan is not None
    return site, plan


def test_a_drain_is_in_every_list_of_the_crew(planned: tuple[Network, Plan]) -> None:
    site, plan = planned
    assert plan.heat is not None
    (drain,) = [one for one in plan.heat.drains if one.route.startswith("lane")]
    assert drain.water
    rate = format_quantity(drain.water, "mass_rate")
    assert any(f"{rate} of water" in note for note in plan.heat.notes)
    a_day = f"{quantity(drain.water * 86400, 'mass')} a day"
    steps = build_order(site, plan)
    (fitted,) = [s for s in steps if s.key == f"drain:{drain.route}:{drain.fluid}"]
    assert a_day in fitted.what
    assert "lane: low points and its end" in fitted.where
    first_gas = min(s.number for s in steps if s.key.startswith("start "))
    assert fitted.number < first_gas
    (setting,) = [s for s in set_points(site, plan) if s.setting == "drain up to"]
    assert setting.value == drain.water
    assert setting.note.startswith(a_day)
    bought = [one for one in bill_of_materials(site, plan) if "drain (pot)" in one.item]
    assert [(one.quantity, one.money) for one in bought] == [(1.0, 0.0)]
    assert any(text.startswith("Wet gas") for text in cautions_for(site))


def test_no_drain_is_bought_for_pipe_that_stands(planned: tuple[Network, Plan]) -> None:
    site, plan = planned
    standing = replace(plan, runs=tuple(replace(run, new=False) for run in plan.runs))
    assert not any("drain (pot)" in one.item for one in bill_of_materials(site, standing))
    assert any(s.setting == "drain up to" for s in set_points(site, standing))


KILN = """
format: allocator.site/2
name: Kiln
fluids: {FLUID: {phase: gas, heating_value: 5 MJ/kg}}
materials: {steel: {stock: 9 t}}
places: {kiln: {at: [0 m, 0 m]}, yard: {at: [100 m, 0 m]}}
sources: {k1: {place: kiln, fluid: FLUID, flow: 30 g/s, temperature: 320 degC}}
pipes: {dn40: {capacity: 60 g/s, layers: [{material: steel, mass: 4 kg/m}]}}
routes: {line: {between: [kiln, yard]}}
machines: {engine: {inputs: {FLUID: 10 g/s}, outputs: {power: 15 kW}, places: {yard: 3}}}
demands: {works: {power: 45 kW}}
"""


@pytest.mark.parametrize(
    ("fluid", "old", "new", "told"),
    [
        ("wood_gas", "", "", True),
        ("retort_gas", "", "", True),
        ("wood_gas", "320 degC", "60 degC", False),
        ("wood_gas", "320 degC", "320 degC, water: 20 %", False),
        ("steam_gas", "", "", False),
    ],
)
def test_hot_kiln_gas_without_water_is_told(
    fluid: str, old: str, new: str, told: bool, tmp_path: Path
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(KILN.replace("FLUID", fluid).replace(old or "#", new or "#"), encoding="utf-8")
    report = check_site(path)
    assert report.faults == ()
    assert any("tar and water" in str(warning) for warning in report.warnings) == told
    assert report.site is not None
    tar = [text for text in cautions_for(report.site) if "tar" in text.lower().split()]
    assert tar  # by the name of the place as well
