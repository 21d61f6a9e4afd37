"""What is built stands in the site file, and planned again with nothing changed it stays."""

from __future__ import annotations

from pathlib import Path

import pytest
from pressed_sites import LINE

import allocator as al
from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.network.records import Network
from allocator.plans.file import read_plan
from allocator.report.bill import bill_of_materials
from allocator.report.handover.build_order import build_order

TESTS = Path(__file__).resolve().parents[1]
NETWORKS = TESTS.parent / "networks"
SOLVED = (
    "first",
    pytest.param("cool_first", marks=pytest.mark.slow),
    "hot_purge",
    pytest.param("island", marks=pytest.mark.slow),
    "near_furnace",
    "ridge_battery",
    "two_bays",
    "warm_kiln",
)
SINK = (TESTS / "cases" / "heat_sink_cools.yaml").read_text(encoding="utf-8")
SINK = SINK.replace("mass: 5 t", "mass: [3 t, 5 t]\n    materials: {steel: 40 g/kg}")
STOVE = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")


def built_of(path: Path, plan: al.Plan, folder: Path) -> Path:
    """The site file once every step of a plan is done."""
    steps = build_order(network_of(al.read_site(path)), plan)
    result = al.built(path, plan, done=[step.number for step in steps])
    (folder / "standing.yaml").write_text(result.site_text, encoding="utf-8")
    return folder / "standing.yaml"


def all_stands(site: Network, plan: al.Plan) -> None:
    """Everything of a plan exists on a site, whatever the site's file calls it."""
    built = site.built
    runs = {(run.route, run.pipe, run.fluid) for run in built.pipes}
    assert {(run.route, run.build, run.fluid) for run in plan.runs} <= runs
    assert {use.name for use in plan.sources if use.tapped} <= {*built.sources}
    assert {line.name for line in plan.lines} <= {*built.power_lines}
    for use in (*plan.stores, *plan.batteries):
        if use.size > 0:
            assert built.storage[use.type, use.place] == pytest.approx(use.size, rel=1e-8)
    for group in plan.machines:
        if group.count:
            assert built.machines[group.type, group.place] == group.count
    fans = {(fan.booster, fan.place, fan.fluid, fan.route, fan.store) for fan in built.boosters}
    assert len(fans) == len(plan.boosters)


def check_given_back(path: Path, plan: al.Plan, folder: Path) -> al.PlanResult:
    standing = built_of(path, plan, folder)
    site = network_of(al.read_site(standing))
    all_stands(site, plan)
    again = al.replan(standing, plan, settings=al.Settings(node_limit=300))
    assert again.audit.accepted
    assert len(again.changes) == 0
    assert sum(line.kg or 0.0 for line in bill_of_materials(site, again.plan)) < 1e-3
    for power in ("firm_clean", "firm_total"):
        former, now = getattr(plan.power, power), getattr(again.plan.power, power)
        assert now == pytest.approx(former, rel=1e-5, abs=1e-3), power
    return again


@pytest.mark.parametrize("name", SOLVED)
def test_every_network_is_given_back(name: str, tmp_path: Path) -> None:
    path = NETWORKS / f"{name}.yaml"
    check_given_back(path, al.plan(path, node_limit=300, prove=0).plan, tmp_path)


def test_all_of_the_demo_stands(tmp_path: Path) -> None:
    """By a stored plan: no search ends in a short time."""
    plan = read_plan(TESTS / "report" / "summaries" / "harbour.json")
    standing = built_of(NETWORKS / "harbour_capacities.yaml", plan, tmp_path)
    all_stands(network_of(al.read_site(standing)), plan)


def written(folder: Path, text: str, *changes: tuple[str, str]) -> Path:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_heat_sink_is_given_back(tmp_path: Path) -> None:
    path = written(tmp_path, SINK)
    plan = al.plan(path, node_limit=200, prove=0).plan
    (used,) = [sink for sink in plan.heat_sinks if sink.used]
    again = check_given_back(path, plan, tmp_path)
    assert [sink for sink in again.plan.heat_sinks if sink.used] == [used]
    (stands,) = al.read_site(tmp_path / "standing.yaml").built.heat_sinks
    assert (stands.heat_sink, stands.mass, stands.recovery) == ("sink", used.mass, used.recovery)


def test_boosters_are_given_back(tmp_path: Path) -> None:
    path = written(tmp_path, LINE)
    plan = al.plan(path, node_limit=200, prove=0).plan
    assert plan.boosters
    check_given_back(path, plan, tmp_path)


def test_a_cooler_at_the_mouth_of_a_source_is_given_back(tmp_path: Path) -> None:
    hot = "temperature: 380 degC"  # of one of two sources
    pump = f"{hot}\n    pump: {{energy: 1 kJ/kg, max_inlet_temperature: 60 degC}}"
    path = written(tmp_path, STOVE, (hot, pump))
    plan = al.plan(path, node_limit=300, prove=0).plan
    check_given_back(path, plan, tmp_path)
    coolers = al.read_site(tmp_path / "standing.yaml").built.coolers
    assert {(one.source, one.temperature) for one in coolers} == {
        ("north_furnace", None),
        (None, 653.15),
    }


def test_a_second_unit_costs_one_unit(tmp_path: Path) -> None:
    """One of two units exists: the plan pays for the other, and ``built`` states both."""
    less = ("duty: 12 kW", "duty: 6 kW")
    one = "built:\n  coolers: [{cooler: fin_fan, place: furnaces}]\n\ndemands:"
    whole = al.plan(written(tmp_path, STOVE, less), node_limit=300, prove=0).plan
    fins = {use.name: use.used for use in whole.materials}["fins"]
    units = round(fins / 40.0)
    assert units > 1
    path = written(tmp_path, STOVE, less, ("demands:", one))
    plan = al.plan(path, node_limit=300, prove=0).plan
    assert {use.name: use.used for use in plan.materials}["fins"] == pytest.approx(fins - 40.0)
    standing = built_of(path, plan, tmp_path)
    (stands,) = al.read_site(standing).built.coolers
    assert stands.units == units


@pytest.mark.parametrize(
    ("built", "problem"),
    [
        ("coolers: [{cooler: fin_fan, place: works}]", "cooler 'fin_fan': no stream reaches"),
        ("heat_sinks: [{heat_sink: sink, mass: 3 t}]", "heat sink 'sink': the existing one is not"),
    ],
)
def test_what_exists_for_nothing_is_told(built: str, problem: str, tmp_path: Path) -> None:
    text = STOVE if built.startswith("coolers") else SINK
    path = written(tmp_path, text + f"\nbuilt:\n  {built}\n")
    report = check_site(path)
    assert report.faults == ()
    assert [str(one) for one in report.warnings if problem in str(one)]
