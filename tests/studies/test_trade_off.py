"""The frontier: its points against brute force, its ends against plans, its knees by hand."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.base.errors import AllocatorError
from allocator.base.rendering import csv_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.frontier_points import Point, frontier_of, without_dust
from allocator.site.records import Material, Site
from allocator.studies.frontier_result import FrontierResult, frontier, frontier_result
from allocator.studies.trade_off import frontier_steps, given_of

NETWORKS = Path(__file__).parents[2] / "networks"
EXACT = Settings(node_limit=100_000, gap=5e-7)


def with_stock(site: Site, kg: float) -> Site:
    return replace(site, materials={"steel": Material("steel", stock=kg)})


@pytest.mark.parametrize("seed", range(60, 68))
def test_points_are_the_best_of_every_choice_under_their_cap(seed: int) -> None:
    """scipy's linear programs over all whole numbers, with what the point takes as the stock."""
    site = replace(tiny_site(seed, battery=False, stores=True), goals=("clean_power",))
    points = frontier_of(site, "steel", 5, EXACT)
    assert points
    for point in points:
        assert point.status == "optimal"
        capped = with_stock(site, point.given * (1 + 1e-6) + 1e-6)
        best, _, _ = best_goals(capped, FirmBasis)
        assert point.power == pytest.approx(best, rel=2e-5, abs=0.1)
    if len(points) > 1:
        # no plan with a little less steel gives as much
        last = points[-1]
        less, _, _ = best_goals(with_stock(site, last.given * 0.995), FirmBasis)
        assert less < last.power * (1 - 1e-6)


def test_the_ends_are_those_of_single_plans() -> None:
    site = read_site(NETWORKS / "first.yaml")
    first, *_, last = frontier_of(site, "steel", 6, EXACT)
    plan = make_plan(site, EXACT).plan
    assert plan is not None
    assert last.power == pytest.approx(plan.power.firm_clean, rel=1e-6)
    assert last.power == pytest.approx(130 / 64_800 / 1.5e-3 * 1e4, rel=1e-6)  # by hand, its head
    assert (first.given, first.power, first.end, last.end) == (0.0, 0.0, "least", "most")


def test_points_by_hand() -> None:
    """A run is 500 kg, an engine 150 kg, a holder 2 kg/kg; B kg of it give B / 64.8 ks.

    So one engine, 10 kW, takes 650 + 2 * 97.2 = 844.4 kg, and no second engine is of use before
    its 150 kg more.
    """
    site = read_site(NETWORKS / "first.yaml")
    points = frontier_of(site, "steel", 9, EXACT)
    for point in points:
        firm = 0.0
        if point.given > 650:
            holder = (point.given - 650) / 2
            firm = min(10_000.0, holder / 64_800 / 1.5e-3 * 1e4)
        if point.given > 844.4 + 150:
            firm = (point.given - 800) / 2 / 64_800 / 1.5e-3 * 1e4
        assert point.power == pytest.approx(firm, rel=1e-5, abs=1e-3)
    assert any(p.given == pytest.approx(844.4, rel=1e-5) for p in points)


def test_dominated_points_are_dropped_and_all_are_audited() -> None:
    site = read_site(NETWORKS / "first.yaml")
    steps = frontier_steps(site, "steel", 9, EXACT)
    assert all(step.plan.verified for step in steps)
    given = [step.point.given for step in steps]
    power = [step.point.power for step in steps]
    assert given == sorted(given)
    assert power == sorted(set(power))
    assert len(steps) < 9  # below 650 kg nothing can be had, however much is asked for
    jumps = [step.changes for step in steps]
    assert any("+small_engine at mill" in change for change in jumps[1])
    result = frontier_result(site, "steel", steps)
    assert all(len(line) <= 100 for line in result.summary().splitlines())
    rows = list(csv.DictReader(io.StringIO(csv_of(result.frontier))))
    assert [float(row["steel_kg"]) for row in rows] == pytest.approx(given, rel=1e-8, abs=1e-9)


def test_a_knee_is_where_more_buys_half_as_much() -> None:
    """844.4 kg give 10 kW; the 150 kg of a second engine then give nothing by themselves."""
    site = read_site(NETWORKS / "first.yaml")
    steps = frontier_steps(site, "steel", 9, EXACT)
    told = " ".join(frontier_result(site, "steel", steps).summary().split())
    assert "at least the power of the former can be had" in told
    assert "firm clean power, kW" in told
    knees = [step.point.power for step in steps if step.knee is not None]
    assert knees == [pytest.approx(10_000.0, rel=1e-5)]


@pytest.mark.slow
def test_against_emissions_all_power_counts() -> None:
    site = read_site(NETWORKS / "island.yaml")
    points: tuple[Point, ...] = frontier_of(
        site, "emissions", 3, Settings(node_limit=200, gap=0.05)
    )
    assert points[0].given == pytest.approx(0.0, abs=1e-9)
    assert points[-1].given <= (site.limits.emission or 0.0)
    assert points[-1].power > points[0].power > 0


def test_only_what_the_site_has_can_be_given() -> None:
    site = read_site(NETWORKS / "first.yaml")
    assert given_of(site, "limits.money") == "money"
    with pytest.raises(
        AllocatorError, match=r"no stock or limit 'stel'; did you mean stock\.steel"
    ):
        frontier(site, "stel")
    with pytest.raises(ValueError, match="steps must be 2 or more"):
        frontier(site, "stock.steel", steps=1)


EMITTING = """
format: allocator.site/2
name: Two ways
fluids:
  gas: {phase: gas, heating_value: 19 MJ/kg}
  oil: {phase: liquid, heating_value: 42.8 MJ/kg}
  co2: {phase: gas, emission: counted}
materials: {steel: {stock: 3 t}}
places: {bog: {at: [0 m, 0 m]}, fen: {at: [400 m, 100 m]}, hut: {at: [300 m, 0 m]}}
sources:
  bog_well: {place: bog, fluid: gas, flow: 4 g/s, cycle: [{on: 8 h, every: 24 h}]}
  fen_well: {place: fen, fluid: gas, flow: 6 g/s, cycle: [{on: 4 h, every: 12 h}]}
  drum: {place: hut, fluid: oil, flow: 1 g/s, price: 1.2 /kg}
storage: {bag: {holds: gas, places: [hut, bog], size: {max: 300 kg}, materials: {steel: 3 kg/kg}}}
pipes: {pipe: {capacity: 8 g/s, layers: [{material: steel, mass: 2.5 kg/m}]}}
routes: {a: {between: [bog, hut], pipes: [pipe]}, b: {between: [fen, hut], pipes: [pipe]}}
machines:
  engine:
    {inputs: {gas: 1 g/s}, outputs: {power: 6 kW}, places: {hut: 5},
     materials: {steel: 100 kg}}
  oil_set:
    inputs: {oil: 0.5 g/s}
    outputs: {power: 8 kW, co2: 1.6 g/s}
    places: {hut: 2}
    materials: {steel: 60 kg}
demands: {village: {power: 40 kW}}
"""


def test_the_end_without_emissions_has_none(tmp_path: Path) -> None:
    """Gas: 4/3 and 6/3 g/s of mean, 6 kJ/g, 20 kW; both sets 16 kW more, for 3.2 g/s of CO2."""
    file = tmp_path / "site.yaml"
    file.write_text(EMITTING, encoding="utf-8")
    least, most = frontier_of(read_site(file), "emissions", 2, Settings(node_limit=1000))
    assert least.given == 0.0  # not the solver's tolerance of it
    assert least.power == pytest.approx(20e3, rel=1e-4)
    assert most.given == pytest.approx(3.2e-3, rel=1e-4)
    assert most.power == pytest.approx(36e3, rel=1e-4)


@pytest.mark.parametrize("give", ["steel", "money"])
def test_a_site_without_the_goal_of_clean_power_may_be_asked(give: str) -> None:
    site = read_site(NETWORKS / "first.yaml")
    site = replace(site, goals=("served_power", "scarce_material"))
    steps = frontier_steps(site, give, 3, EXACT)
    assert steps[-1].point.power == pytest.approx(130 / 64_800 / 1.5e-3 * 1e4, rel=1e-6)
    for step in steps:
        assert step.plan.verified
        assert {goal.name for goal in step.plan.goals} == {*site.goals}


def test_a_bound_under_a_cap_is_none_of_the_site() -> None:
    """A plan says what no plan of its site can pass, whatever it was given."""
    site = read_site(NETWORKS / "first.yaml")
    steps = frontier_steps(site, "steel", 3, EXACT)
    most = max(step.point.power for step in steps)
    for step in steps:
        for goal in step.plan.goals:
            if goal.name == "clean_power":
                assert goal.bound is None or goal.bound >= most * (1 - 1e-6)


def test_the_end_without_emissions_of_a_site_without_served_power(tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(f"{EMITTING}goals: [clean_power, money]\n", encoding="utf-8")
    steps = frontier_steps(read_site(file), "emissions", 2, Settings(node_limit=1000))
    assert [step.plan.verified for step in steps] == [True, True]
    assert steps[0].point.given == 0.0
    assert steps[0].point.power == pytest.approx(20e3, rel=1e-4)


TWO = """
format: allocator.site/2
name: two demands
fluids: {gas: {heating_value: 20 MJ/kg}, air: {emission: biogenic}}
materials: {steel: {stock: 100 kg}}
places: {yard: {at: [0, 0]}}
sources: {well: {place: yard, fluid: gas, flow: 1 g/s}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 6 kW, air: 2 g/s}, places: {yard: 1},
    materials: {steel: 50 kg}}
demands:
  first: {power: 4 kW, profile: [1, 3], priority: 1}
  second: {power: 6 kW, priority: PRIORITY}
"""


def two_demands(tmp_path: Path, priority: str) -> FrontierResult:
    file = tmp_path / "site.yaml"
    file.write_text(TWO.replace("PRIORITY", priority), encoding="utf-8")
    return frontier(file, "stock.steel", steps=3, settings=Settings(node_limit=300))


def test_a_frontier_says_that_it_does_not_regard_priorities(tmp_path: Path) -> None:
    """The engine gives 6 kW to the second demand; the first, of 4 kW, would come before it."""
    result = two_demands(tmp_path, "2")
    assert result.steps[-1].point.power == pytest.approx(6e3, rel=1e-6)
    said = "emands count alike here, whatever their priorities, which 'plan' keeps to"
    assert f"D{said}." in " ".join(result.summary().split())
    assert f"d{said}" in " ".join(unescape(result.other_files()["page.html"]).split())
    assert '"demands_alike": true' in result.to_json()
    assert said not in " ".join(two_demands(tmp_path, "1").summary().split())


def test_no_power_has_no_gap_and_nothing_given_is_a_zero(tmp_path: Path) -> None:
    """Bounds of 5e-11 W, and of -4e-321 kg, are what the solver's tolerance leaves of nothing."""
    (least, *_) = two_demands(tmp_path, "2").steps
    figures = (least.point.given, least.point.power, least.point.bound, least.point.gap)
    assert (*figures, least.point.least_given) == (0.0, 0.0, 0.0, 0.0, 0.0)
    assert [without_dust(x, 1e-3) for x in (None, -4e-321, 1e-3, 2e-3)] == [None, 0.0, 0.0, 2e-3]
