"""Lists, summary and page name the user's places; a level of temperature has a field of its own."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest

from allocator.engine import plan_files, plan_site
from allocator.model.limits import Want
from allocator.network.deriving import network_of
from allocator.network.draft import degrees
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.report.summary import full_summary as summary
from allocator.report.words import at, destination, destination_key, plain
from allocator.search import Settings
from allocator.site.records import Site
from allocator.studies.wanted import want_of
from allocator.studies.why_result import conflict_for

NETWORKS = Path(__file__).resolve().parents[2] / "networks"


@pytest.fixture(scope="module")
def site() -> Site:
    return network_of(read_site(NETWORKS / "cool_first.yaml"))


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    return plan_site(site, Settings(node_limit=100, gap=1e-3)).plan


def test_words() -> None:
    name = "holder@works: hydrogen inlets to 50 degC"
    assert plain(name) == "holder@works"
    assert at(name) == "holder at works"
    assert at("bank@hub levelling") == "bank at hub levelling"
    assert destination(f"store:{name}") == "holder at works"
    assert destination_key(f"store:{name}") == "store:holder@works"
    burn = "burn:set@works: hydrogen inlets to 50 degC>bank@hub"
    assert destination_key(burn) == "burn:set@works>bank@hub"
    assert destination(burn) == "direct to set at works, charging bank at hub"


def test_tables(site: Site, plan: Plan) -> None:
    files = plan_files(site, plan)

    def rows(name: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(files[name].decode("utf-8"))))

    (run,) = rows("runs.csv")
    assert (run["name"], run["start"], run["end"]) == ("track", "furnaces", "works")
    assert float(run["planned_inlet_temperature_k"]) == 323.15
    assert float(run["planned_end_temperature_k"]) == 323.15
    (store,) = rows("store_sizes.csv")
    assert (store["store"], store["place"]) == ("holder@works", "works")
    assert {row["goes_to"] for row in rows("sources_used.csv")} == {"store:holder@works"}
    where = {row["where"] for row in rows("bill_of_materials.csv") if row["kind"] == "item"}
    assert where == {"furnaces", "works", "track: furnaces to works"}
    level = re.compile("hydrogen (inlets|[0-9])")
    for name, content in files.items():
        if name.endswith(".csv") and name != "heat_limits.csv":
            assert not level.search(content.decode("utf-8")), name


def test_the_summary(site: Site, plan: Plan) -> None:
    text = summary(site, plan)
    assert "store holder at works " in text
    assert "inlets to" not in text
    assert re.search(r"^  track +furnaces +works +bare ", text, re.MULTILINE)
    assert "run track: hydrogen 50 degC" in text  # a limit is one of a stream


NEAR = """format: allocator.site/2
name: Levels
ambient: {temperature: 10 degC}
fluids:
  hydrogen: {phase: gas, heating_value: 119.96 MJ/kg, substance: Hydrogen}
  water: {phase: liquid}
materials:
  steel: {stock: 40 t}
places:
  furnace: {at: [0 m, 0 m]}
sources:
  furnace: {place: furnace, fluid: hydrogen, flow: 2 g/s, temperature: HOT degC}
machines:
  turbine:
    inputs: {hydrogen: 1 g/s}
    outputs: {power: 30 kW, water: 9 g/s}
    places: {furnace: 2}
    max_inlet_temperature: 400 degC
coolers:
  bath: {fluid: hydrogen, places: {furnace: 1}, set_point: 399.9996 degC, duty: 500 W,
         materials: {steel: 1 kg}}
demands:
  town: {power: 60 kW}
"""


@pytest.mark.parametrize("hot", ["400.4", "400.000002"])
def test_levels_that_round_alike_are_nodes_apart(tmp_path: Path, hot: str) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(NEAR.replace("HOT", hot), encoding="utf-8")
    site = network_of(read_site(path))
    assert site.own_sources["furnace"].place == f"furnace: hydrogen {hot} degC"
    cooled = {arc.end for arc in site.routes.values() if arc.stream and arc.stream.kind == "cooler"}
    assert cooled == {"furnace: hydrogen 399.9996 degC"}
    assert not any(name.endswith("'") for name in site.routes)
    found = plan_site(site, Settings(node_limit=100))
    assert found.audit.accepted
    assert [run.build for run in found.plan.runs] == ["bath x 1", "passage"]


def test_temperatures_have_more_digits_only_where_needed() -> None:
    assert degrees(673.15) == degrees(673.15, 673.1500001, 683.15) == "400 degC"
    near = (673.15, 673.55, 673.59)
    said = [degrees(kelvin, *near) for kelvin in near]
    assert said == ["400 degC", "400.4 degC", "400.44 degC"]


def test_a_machine_is_wanted_by_the_place_of_the_file(tmp_path: Path) -> None:
    """Where a store has the place to itself, machines stand at a part of it."""
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    text = text.replace("storage:\n", "storage:\n  tank: {holds: hydrogen, places: [works], "
                        "size: {max: 9 kg}, max_inlet_temperature: 50 degC}\n")  # fmt: skip
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    site = network_of(read_site(path))
    assert site.machines["fuel_cell"].places.keys() == {"works: hydrogen inlets to 60 degC"}
    want = want_of(site, "machines.fuel_cell.places.works=7")
    assert want == Want("machines", "fuel_cell@works", 7.0, want.words)
    found = conflict_for(site, Settings(node_limit=200), [want])
    (limit,) = (one for one in found.limits if one.kind == "places")
    assert limit.stated == "machines.fuel_cell.places.works is 6"
    assert limit.path == ("machines", "fuel_cell", "places", "works")
