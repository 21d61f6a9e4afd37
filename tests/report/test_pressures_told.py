"""Pressures, boosters and valves in the summary, the tables, the set-points and the bill."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from pressed_sites import LINE

from allocator.base.rendering import shown_cells, text_of
from allocator.network.deriving import network_of
from allocator.network.pressure_curves import losses_at
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.bill import bill_of_materials
from allocator.report.files import plan_tables
from allocator.report.handover.build_order import build_order
from allocator.report.handover.geojson import plan_geojson
from allocator.report.handover.lists import set_points_table
from allocator.report.handover.set_points import set_points
from allocator.report.handover.things import things_of
from allocator.report.line_tables import boosters, runs
from allocator.report.page import page_html
from allocator.report.page.charts import stocks
from allocator.report.page.drawing import existing_plan
from allocator.report.parts import least_margins
from allocator.report.pressure_ways import pressure_ways
from allocator.report.pressures import pressure_ends, valves_of
from allocator.report.summary import full_summary as summary
from allocator.report.tags import scheme_of, valve_tags
from allocator.search import Settings, make_plan

FARMS = """
format: allocator.site/2
name: Two farms and a mill
ambient: {temperature: 12 degC, pressure: 1 bar}
fluids:
  biogas:
    {heating_value: 19 MJ/kg, phase: gas, constants: {density: 1.15 kg/m^3,
      viscosity: 1.2e-5 Pa*s, molar_mass: 27 g/mol, specific_heat: 1600 J/(kg*K)}}
  co2: {emission: biogenic}
materials:
  steel: {stock: 25 t, price: 2 /kg}
places:
  north: {at: [0 m, 900 m]}
  south: {at: [200 m, -700 m]}
  cross: {at: [300 m, 0 m]}
  mill: {at: [1500 m, 100 m]}
sources:
  north_digester: {place: north, fluid: biogas, flow: 9 g/s, pressure: 3 kPa(g),
    cycle: [{on: 5 h, every: 8 h}]}
  south_digester: {place: south, fluid: biogas, flow: 7 g/s, pressure: 0.8 kPa(g),
    cycle: [{on: 3 h, every: 5 h}, {on: 20 d, every: 24 d}]}
storage:
  bag: {holds: biogas, pressure: 2 kPa(g), places: [cross, mill],
    size: {max: 900 kg}, materials: {steel: 2 kg/kg}}
pipes:
  dn50: {bore: 52.5 mm, layers: [{material: steel, mass: 5.44 kg/m}]}
  dn80: {bore: 77.9 mm, layers: [{material: steel, mass: 11.3 kg/m}]}
boosters:
  fan: {kind: blower, fluids: [biogas], places: {south: 1, cross: 1}, ratio: 1.2,
    efficiency: 50 %, discharge_temperature: 35 degC, max_flow: 30 g/s, materials: {steel: 100 kg}}
routes:
  a: {between: [north, cross]}
  b: {between: [south, cross]}
  c: {between: [cross, mill]}
machines:
  engine: {inputs: {biogas: 4 g/s}, min_inlet_pressure: 1.2 kPa(g),
    outputs: {power: 28 kW, co2: 7 g/s}, no_load: 12 %, min_load: 40 %,
    materials: {steel: 300 kg}, places: [mill]}
demands:
  mill_power: {power: 60 kW, place: mill}
"""
"""Gas goes through a bag on the way, and through one beside the engine. Invented."""


def planned(folder: Path, text: str) -> tuple[Network, Plan]:
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    site = network_of(read_site(folder / "site.yaml"))
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    return site, plan


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> tuple[Network, Plan]:
    return planned(tmp_path_factory.mktemp("line"), LINE)


@pytest.fixture(scope="module")
def farms(tmp_path_factory: pytest.TempPathFactory) -> tuple[Network, Plan]:
    return planned(tmp_path_factory.mktemp("farms"), FARMS)


def test_every_place_has_its_margin(line: tuple[Network, Plan]) -> None:
    ends = {end.place: end for end in pressure_ends(*line)}
    assert set(ends) == {"mouth", "fork", "yard", "works"}
    assert ends["works"].needs == pytest.approx(102_500)
    assert ends["works"].margin == pytest.approx(ends["works"].at.low - 102_500)
    assert ends["yard"].needs == pytest.approx(103_000)
    assert all(end.margin >= -0.2 for end in ends.values())
    assert ends["yard"].rating == pytest.approx(1.5e5)


BLOWN = """format: allocator.site/2
name: Long gas line
ambient: {temperature: 10 degC, pressure: 101325 Pa}
fluids:
  gas: {catalogue: landfill gas}
  bio_co2: {phase: gas, emission: biogenic}
materials: {steel: {stock: 90 t, density: 7850 kg/m^3}}
places:
  header: {at: [0 m, 0 m]}
  yard: {at: [900 m, 0 m], elevation: 20 m}
sources:
  field: {place: header, fluid: gas, flow: 60 g/s, temperature: 30 degC, pressure: 12 kPa(g)}
pipes:
  dn80: {catalogue: NPS 3 SCH 40, layers: [{material: steel}], price: 30 /m}
routes:
  line: {between: [header, yard]}
boosters:
  blower: {kind: blower, fluids: [gas], places: [header], ratio: 1.25, efficiency: 55 %,
           discharge_temperature: 60 degC, price: 4000}
machines:
  engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW, bio_co2: 14.7 g/s},
           min_inlet_pressure: 5 kPa(g), places: {yard: 6}}
demands:
  grid: {power: 288 kW, place: yard}
"""


def test_a_pipe_behind_a_booster_bears_what_it_gives(tmp_path: Path) -> None:
    """1.25 times (1013.25 + 120) mbar absolute are 403.3 mbar(g); the header itself has 120."""
    site, plan = planned(tmp_path, BLOWN)
    outlet = 1.25 * (101325.0 + 12000.0)
    bears = {
        (one.thing, one.place): one.value
        for one in set_points(site, plan)
        if one.setting.startswith("bear at")
    }
    assert bears["blower", "header"] == pytest.approx(outlet)
    assert bears["gas", "header"] == pytest.approx(113325.0)
    assert "pipe for gas, to bear 403.4 mbar(g)" in " ".join(
        row.item for row in bill_of_materials(site, plan)
    )
    (row,) = boosters(site, plan).records()
    assert row["inlet_pa"] == pytest.approx(113325.0)
    assert row["outlet_pa"] == row["outlet_shut_in_pa"] == pytest.approx(outlet)
    assert "403.3" in page_html(site, plan)


SOLD = re.sub("boosters:.*?machines:", "machines:", BLOWN, flags=re.DOTALL).replace(
    "grid: {power: 288 kW, place: yard}",
    "shop: {fluid: gas, flow: FLOW g/s, place: yard, min_inlet_pressure: 5 kPa(g)}",
)
SOLD = SOLD.replace("flow: 60 g/s", "flow: 900 g/s").replace("NPS 3", "NPS 4")


def test_the_capacity_of_a_pipe_is_no_more_than_pressure_allows(tmp_path: Path) -> None:
    """By velocity it would be 200 g/s; a little more than is told finds too little pressure."""

    def carried(flow: float) -> tuple[float, float, float]:
        site, plan = planned(tmp_path, SOLD.replace("FLOW", f"{flow:.6g}"))
        (row,) = runs(site, plan).records()
        share = plan.demands[0].clean_share + plan.demands[0].emitting_share
        return row["capacity_kg_per_s"], row["used_share"], share

    most, used, served = carried(60.0)
    assert used == pytest.approx(0.06 / most)
    assert 0.07 < most < 0.1
    assert served == pytest.approx(1.0)
    assert carried(990.0 * most)[2] == pytest.approx(1.0)
    assert carried(1010.0 * most)[2] < 0.999


def test_what_pipes_onward_lose_is_no_room_of_those_before(tmp_path: Path) -> None:
    """Of two halves of a line each has to spare what the whole has: s2 / 2 of 1 - s2 / 2."""
    level = SOLD.replace("FLOW", "60").replace(", elevation: 20 m", "")
    (whole,) = runs(*planned(tmp_path, level)).records()
    halves = level.replace("  yard:", "  half: {at: [450 m, 0 m]}\n  yard:").replace(
        "  line: {between: [header, yard]}",
        "  a: {between: [header, half]}\n  b: {between: [half, yard]}",
    )
    squared = whole["used_share"] ** 2 / 2.0
    for row in runs(*planned(tmp_path, halves)).records():
        assert row["used_share"] ** 2 == pytest.approx(squared / (1.0 - squared), rel=0.05)


def test_no_power_is_firm_before_the_boosters_on_its_way(farms: tuple[Network, Plan]) -> None:
    """Gas of the southern farm comes to the bag at the cross by a fan alone."""
    steps = build_order(*farms)
    fans = {step.number for step in steps if "fan for biogas" in step.what}
    assert len(fans) == 4  # two are installed and tested
    starts = [step for step in steps if step.action == "purge and start"]
    assert starts[0].firm_power > 0.0
    assert all(fans <= set(step.after) for step in starts)


def test_ways_that_are_alike_are_told_once(farms: tuple[Network, Plan]) -> None:
    """Past the bag at the mill and through it gas has the same pressures on the way."""
    site, plan = farms
    assert {store.place for store in plan.stores if store.size > 0} == {"cross", "mill"}
    ways = [(way.start, way.end) for way in pressure_ways(site, plan)]
    assert sorted(ways) == [(f"{side}_digester", "engine at mill") for side in ("north", "south")]


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


def test_what_things_must_bear_is_ordered_and_told(line: tuple[Network, Plan]) -> None:
    """Shut in, 3 % more behind each fan: 106 kPa at the mouth, 109.2 at the fork, 112.5 on."""
    site, plan = line
    bears = {
        one.place: one.value for one in set_points(site, plan) if one.setting == "bear at least"
    }
    assert bears == {row.node: pytest.approx(row.shut_in) for row in plan.pressures}
    assert bears["fork"] == pytest.approx(106e3 * 1.03)
    items = {row.item for row in bill_of_materials(site, plan) if row.unit == "m"}
    assert items == {
        "dn50 pipe for gas, to bear 78.6 mbar(g)",  # 109.18 kPa, over 101.325 kPa
        "dn50 pipe for gas, to bear 111.4 mbar(g)",
    }


def test_pressures_are_set_as_gauges_show_them(line: tuple[Network, Plan]) -> None:
    """The mouth's 106 kPa are 46.75 mbar over the ambient 101.325 kPa."""
    site, plan = line
    rows = set_points_table(site, plan).records()
    assert {row["unit"] for row in rows} >= {"Pa absolute", "kg/s"}
    (mouth,) = [r for r in rows if (r["setting"], r["place"]) == ("bear at least", "mouth")]
    assert mouth["value"] == pytest.approx(106_000)
    assert mouth["set_to"] == pytest.approx(46.75, abs=0.051)
    assert (mouth["set_unit"], mouth["set_absolute_mbar"]) == ("mbar(g)", 1060.0)
    assert not any(row["set_absolute_mbar"] for row in rows if row["set_unit"] != "mbar(g)")
    page = page_html(site, plan)
    assert re.search(r">mbar\(g\)</td>(<td[^>]*></td>)?<td[^>]*>1060<", page)


def test_a_fan_at_a_holder_counts_in_its_margin(tmp_path: Path) -> None:
    """The well's 104.5 kPa are below the holder's 106 kPa, and enough with the fan at its inlet."""
    path = tmp_path / "site.yaml"
    holder = ("pressure: 103 kPa", "pressure: 106 kPa")
    fan = ("places: {fork: 1, mouth: 1}, ratio: 1.03", "places: [yard], ratio: 1.03")
    text = (
        LINE.replace(*holder).replace(*fan).replace("pressure: 106 kPa,", "pressure: 104.5 kPa,", 1)
    )
    path.write_text(text.replace("min_inlet_pressure: 102.5 kPa", "min_inlet_pressure: 101.4 kPa"))
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    (use,) = plan.boosters
    assert use.store == "holder@yard"
    ends = {end.place: end for end in pressure_ends(site, plan)}
    needs = 106e3**2 - (1.03**2 - 1) * 101_325.0**2
    assert ends["yard"].needs == pytest.approx(math.sqrt(needs))
    assert ends["yard"].margin >= -0.2
    for line in plan.limits:
        assert "holder@yard' with no more than the 106 kPa" not in line
    for way in pressure_ways(site, plan):
        assert way.margin >= -0.2


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
    ways = names["pressure_paths"].records()
    assert {row["place"] for row in ways} == {"mouth", "fork", "yard", "works"}
    built = {str(cell) for row in names["build_order"].rows for cell in row}
    assert any("fan for gas" in cell for cell in built)
    text = summary(site, plan)
    assert "Pressures along lines" in text
    assert "They hold with 5 non-return and control valves" in text
    assert "Boosters" in text
    assert max(len(row) for row in text.splitlines()) <= 100


def test_each_way_from_source_to_machine(line: tuple[Network, Plan]) -> None:
    """The well by way of the holder, the kiln straight; every pipe loses what its curve says."""
    site, plan = line
    ways = {way.start: way for way in pressure_ways(site, plan)}
    assert set(ways) == {"well", "kiln"}
    assert {way.end for way in ways.values()} == {"engine at works"}
    assert [step.place for step in ways["well"].steps] == ["mouth", "fork", "yard", "fork", "works"]
    assert [step.metres for step in ways["well"].steps] == [0.0, 400.0, 460.0, 520.0, 1020.0]
    rows = {row.node: row for row in plan.pressures}
    back = ways["well"].steps[3]
    assert back.arrives == rows["fork"].low  # back from the holder
    assert ways["kiln"].steps[1].arrives == rows["fork"].high
    low = site.pressures["gas"]
    for way in ways.values():
        assert way.needs == pytest.approx(102_500)
        assert way.profile[-1][1] == pytest.approx(rows["works"].low)
        assert way.margin == pytest.approx(rows["works"].low - 102_500)
        for step, after in pairwise(way.steps):
            flow = sum(f.rate for r in plan.runs if r.route == step.route for f in r.flows)
            if step.route == "trunk":
                loss = low.losses[step.route, "fork", "dn50"]
                assert step.leaves is not None
                lost = losses_at([loss], [flow])[0][0]
                assert step.leaves**2 - lost >= after.arrives**2 * (1 - 1e-9)


def test_the_page_has_the_pressure_along_each_way(line: tuple[Network, Plan]) -> None:
    page = page_html(*line)
    assert page.count("needed</text>") == 2
    assert "Pressure from source to machine" in page
    assert re.search(r"well to engine at works: gas: mouth 46\.\d mbar\(g\), fork", page)
    assert "boosters" in page  # among the materials


def test_the_page_of_a_site_without_pressures_says_nothing_of_it() -> None:
    site = network_of(read_site(Path(__file__).parents[2] / "networks" / "first.yaml"))
    page = page_html(site, existing_plan(site))
    assert "Pressure from source to machine" not in page


def test_pressures_are_told_over_the_ambient_one(line: tuple[Network, Plan]) -> None:
    """Files hold absolute pressures, people see those of gauges: 46.8 mbar(g) at the mouth."""
    site, plan = line
    table = least_margins(site, plan)
    assert table.note.startswith("(g): over the ambient 101 kPa absolute.")
    (mouth,) = [row for row in table.records() if row["place"] == "mouth"]
    (known,) = [row for row in plan.pressures if row.node == "mouth"]
    assert (mouth["arrives_pa"], mouth["shut_in_pa"]) == (known.high, known.shut_in)
    columns, (heads, *rows) = shown_cells(table)
    names = [column.name for column in columns]
    assert heads[names.index("shut_in")] == "shut in, mbar(g)"
    (shown,) = [row for row in rows if row[0] == "mouth"]
    assert float(shown[names.index("shut_in")]) == pytest.approx(46.75, abs=0.051)
    (margin,) = [head for head in heads if head.startswith("margin")]
    assert margin in ("margin, mbar", "margin, bar")  # a difference
    bore = replace(plan, pressures=tuple(replace(row, shut_in=0.0) for row in plan.pressures))
    assert "shut in" not in text_of(least_margins(site, bore)).split("needed")[0]  # not known


def test_parts_of_a_place_are_told_apart(line: tuple[Network, Plan]) -> None:
    site, plan = line
    level = replace(site.places["yard"], name="yard: gas 60 degC", part_of="yard")
    parted = replace(site, places={**site.places, level.name: level})
    (yard,) = [row for row in plan.pressures if row.node == "yard"]
    rows = (*plan.pressures, replace(yard, node=level.name))
    told = least_margins(parted, replace(plan, pressures=rows)).records()
    places = [row["place"] for row in told]
    assert sorted(map(str, places)) == ["fork", "mouth", "works", "yard", "yard: gas 60 degC"]
