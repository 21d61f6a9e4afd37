"""Pressures, boosters and valves in the summary, the tables, the set-points and the bill."""

from __future__ import annotations

import json

import pytest
from pressed_sites import LINE

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import bill_of_materials
from allocator.report.files import plan_tables
from allocator.report.handover.geojson import plan_geojson
from allocator.report.handover.set_points import set_points
from allocator.report.handover.things import things_of
from allocator.report.page.charts import stocks
from allocator.report.pressures import pressure_ends, valves_of
from allocator.report.summary import full_summary as summary
from allocator.report.tags import scheme_of, valve_tags
from allocator.search import Settings, make_plan


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> tuple[Network, Plan]:
    path = tmp_path_factory.mktemp("line") / "site.yaml"
    path.write_text(LINE, encoding="utf-8")
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    return site, plan


def test_every_place_has_its_margin(line: tuple[Network, Plan]) -> None:
    ends = {end.place: end for end in pressure_ends(*line)}
    assert set(ends) == {"mouth", "fork", "yard", "works"}
    assert ends["works"].needs == pytest.approx(102_500)
    assert ends["works"].margin == pytest.approx(ends["works"].at.low - 102_500)
    assert ends["yard"].needs == pytest.approx(103_000)
    assert all(end.margin >= -0.2 for end in ends.values())
    assert ends["yard"].rating == pytest.approx(1.5e5)


def test_valves_that_the_proof_needs(line: tuple[Network, Plan]) -> None:
    valves = {(valve.item, valve.place): valve.count for valve in valves_of(*line)}
    assert valves == {
        ("non-return valve for gas, source well", "mouth"): 1.0,
        ("non-return valve for gas, source kiln", "mouth"): 1.0,
        ("non-return valve for gas, holder", "yard"): 1.0,
        ("control valve for gas, where flow splits", "fork"): 2.0,
    }


def test_bill_and_set_points(line: tuple[Network, Plan]) -> None:
    site, plan = line
    assert plan.boosters
    bill = bill_of_materials(site, plan)
    assert sum(row.kg or 0.0 for row in bill if row.material == "steel") == pytest.approx(
        next(m.used for m in plan.materials if m.name == "steel")
    )
    assert sum(row.money for row in bill) == pytest.approx(plan.money)
    fans = [row for row in bill if " fan for gas, into " in row.item]
    assert len(fans) == 2 * len(plan.boosters)
    assert [row for row in bill if row.item == "NRV-0301 non-return valve for gas, holder"]
    settings = set_points(site, plan)
    draws = [one for one in settings if one.setting == "draws at most"]
    assert [one.value for one in draws] == [use.power for use in plan.boosters]
    holds = {one.place: one.value for one in settings if one.setting == "hold"}
    assert holds["works"] == pytest.approx(102_500, rel=1e-2)
    kinds = [thing for thing in things_of(site, plan).values() if thing.kind == "booster"]
    assert [thing.materials for thing in kinds] == [{"steel": 20.0}] * len(plan.boosters)


def test_boosters_and_non_return_valves_have_tags(line: tuple[Network, Plan]) -> None:
    """Places: mouth 1, fork 2, yard 3; at the mouth first the well, the kiln, then the fan."""
    site, plan = line
    place = {"mouth": "B-0103", "fork": "B-0201"}
    own = {place[site.ground(use.start)] for use in plan.boosters}
    settings = set_points(site, plan)
    assert {one.tag for one in settings if one.setting == "move at most"} == own
    assert {one.tag for one in settings if one.setting == "draws at most"} == own
    fitted = {one.thing: one.tag for one in settings if one.setting == "fit"}
    assert fitted == {
        "non-return valve for gas, source well": "NRV-0101",
        "non-return valve for gas, source kiln": "NRV-0102",
        "non-return valve for gas, holder": "NRV-0301",
        "control valve for gas, where flow splits": "",
    }
    bill = {row.item.partition(" ")[0] for row in bill_of_materials(site, plan)}
    assert own | set(fitted.values()) - {""} <= bill
    tags = [valve.tag for valve in valve_tags(site, plan).values()]
    assert len(tags) == len(set(tags))
    assert "P pump" in scheme_of(plan)
    features = json.loads(plan_geojson(site, plan))["features"]
    boosters = [one["properties"] for one in features if one["properties"]["kind"] == "booster"]
    assert {one["tag"] for one in boosters} == own


def test_the_page_shows_the_material_of_boosters(line: tuple[Network, Plan]) -> None:
    site, plan = line
    (steel,) = (one for one in stocks(site, plan) if one.name == "steel")
    assert ("boosters", 20.0 * len(plan.boosters)) in [part[:2] for part in steel.parts]


def test_tables_and_summary(line: tuple[Network, Plan]) -> None:
    site, plan = line
    names = {table.name: table for table in plan_tables(site, plan)}
    assert len(names["pressures"].rows) == 4
    assert len(names["boosters"].rows) == len(plan.boosters)
    built = {str(cell) for row in names["build_order"].rows for cell in row}
    assert any("fan for gas" in cell for cell in built)
    text = summary(site, plan)
    assert "Pressures along lines" in text
    assert "They hold with 5 non-return and control valves" in text
    assert "Boosters" in text
    assert max(len(row) for row in text.splitlines()) <= 100
