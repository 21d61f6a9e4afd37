"""Supply mixes side by side: what differs, what is conserved, what the sentence says."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest

from allocator.base.rendering import csv_of
from allocator.base.status import Status
from allocator.network.reading import read_site
from allocator.plans.records import GoalResult
from allocator.search import Settings
from allocator.site.records import Mix, Site
from allocator.studies import comparison
from allocator.studies.compare_result import compare, compare_result
from allocator.studies.compare_words import said
from allocator.studies.comparison import Compared, bought, compared_mixes
from allocator.studies.mixes import mixes_of
from allocator.studies.results import Result
from allocator.studies.running import StudyCase
from allocator.verify import audit

NETWORKS = Path(__file__).parents[2] / "networks"
QUICK = Settings(node_limit=300, gap=0.02)


@pytest.fixture(scope="module")
def island() -> Site:
    site = read_site(NETWORKS / "island.yaml")
    mix = Mix("no new diesel", machines=("gas_engine",), goals=("served_power", "money"))
    return replace(site, mixes={"no new diesel": mix})


@pytest.fixture(scope="module")
def rows(island: Site) -> list[Compared]:
    return compared_mixes(island, QUICK)


def test_every_mix_has_an_audited_plan_of_the_site_itself(
    island: Site, rows: list[Compared]
) -> None:
    assert [row.name for row in rows] == [
        "clean only",
        "diesel_set only",
        "clean first",
        "least emissions",
        "cheapest at full service",
        "no new diesel",
    ]
    for row in rows:
        assert row.plan is not None
        assert row.plan.verified
        assert audit(island, row.plan).accepted
        assert row.plan.limits[0].startswith(f"mix: this plan is of the supply mix '{row.name}'")


def test_clean_only_emits_nothing_and_the_standing_sets_are_idle(rows: list[Compared]) -> None:
    plan, figures = rows[0].plan, rows[0].figures
    assert plan is not None
    assert figures is not None
    assert figures.counted == 0.0
    assert figures.bought == {}
    assert figures.firm_total == figures.firm_clean > 0
    (idle,) = [use for use in plan.machines if use.type == "diesel_set"]
    assert (idle.count, idle.new, idle.running, idle.flat_load) == (2, 0, 0, 0.0)


def test_fuel_and_its_carbon_dioxide_agree(island: Site, rows: list[Compared]) -> None:
    """Carbon in is carbon out: the set's own 3.17 kg a kg of diesel, as IPCC 2006 has it.

    IPCC 2006 Guidelines, Vol. 2, Tables 1.2 and 2.2: 43.0 TJ/Gg * 74 100 kg/TJ = 3.186 kg/kg.
    """
    figures = rows[1].figures
    assert figures is not None
    burnt = figures.bought["diesel_boat"]
    assert figures.counted == pytest.approx(burnt * 3.17, rel=1e-6)
    assert figures.counted == pytest.approx(burnt * 43.0e-6 * 74_100, rel=0.01)
    assert figures.counted <= (island.limits.emission or 0.0)
    assert figures.products["fossil_co2"].given == pytest.approx(figures.counted, rel=1e-9)


def test_the_goals_of_each_mix_are_met_best_by_it(rows: list[Compared]) -> None:
    by_name = {row.name: row.figures for row in rows}
    clean, first = by_name["clean only"], by_name["clean first"]
    emissions, money = by_name["least emissions"], by_name["cheapest at full service"]
    assert clean is not None
    assert first is not None
    assert emissions is not None
    assert money is not None
    assert first.firm_clean == pytest.approx(clean.firm_clean, rel=0.03)
    assert emissions.firm_total >= first.firm_total * (1 - 0.03)
    assert money.firm_total == pytest.approx(emissions.firm_total, rel=0.03)


def test_power_by_machine_adds_up_to_no_less_than_what_is_served(rows: list[Compared]) -> None:
    for row in rows:
        assert row.figures is not None
        assert sum(row.figures.power.values()) >= row.figures.firm_total * (1 - 1e-6)


def test_the_sentence_tells_the_difference_between_two_plans(rows: list[Compared]) -> None:
    clean, backed = rows[0].figures, rows[2].figures
    assert clean is not None
    assert backed is not None
    step = bought(clean, backed)
    assert step is not None
    assert step.power == pytest.approx(backed.firm_total - clean.firm_total)
    assert step.counted == pytest.approx(backed.counted)
    text = said(rows)
    assert text.startswith("Clean supply alone serves 5")
    assert "120 t/a of counted emission" in text
    assert "a year from 'diesel_boat'" in text


def test_a_search_that_ran_out_is_not_taken_for_an_answer(rows: list[Compared]) -> None:
    clean = rows[0]
    assert clean.figures is not None
    starved = replace(clean, figures=replace(clean.figures, firm_clean=0.0, firm_total=0.0))
    text = said([starved, *rows[1:]])
    assert "allow more time before comparing the two" in text


def test_another_mix_tells_what_emitting_supply_buys_where_clean_first_had_no_time(
    rows: list[Compared],
) -> None:
    clean, first = rows[0].figures, rows[2]
    assert clean is not None
    hurried = replace(first, figures=replace(clean, status="time_limit"))
    text = said([*rows[:2], hurried, *rows[3:]])
    assert re.search("by emitting supply as in '(least|cheapest) ", text)
    proven = replace(first, figures=replace(clean, status="optimal"))
    assert "emitting supply adds no firm power." in said([*rows[:2], proven])


def test_a_mix_that_serves_more_in_place_of_clean_supply_is_told(tmp_path: Path) -> None:
    """One source: 6 kW clean or 9 kW emitting of it, so that clean first gets none of the 3 kW."""
    text = """
format: allocator.site/2
name: one of two
fluids: {gas: {heating_value: 20 MJ/kg}, air: {emission: biogenic}, co2: {emission: counted}}
places: {yard: {at: [0, 0]}}
sources: {well: {place: yard, fluid: gas, flow: 1 g/s}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 6 kW, air: 2 g/s}, places: {yard: 1}}
  dirty: {inputs: {gas: 1 g/s}, outputs: {power: 9 kW, co2: 2 g/s}, places: {yard: 1}}
demands: {town: {power: 10 kW}}
mixes: {all first: {goals: [served_power, clean_power]}}
"""
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    result = compare(tmp_path / "site.yaml", settings=Settings(node_limit=300), simulated_days=1)
    told = " ".join(result.summary().split())
    assert "Clean supply alone serves 60 % of the demand. The next 30 % (3 kW)" in told
    assert "63.1 t/a of counted emission and 6 kW of clean power." in told
    assert "adds no firm power" not in told


def test_full_service_that_nothing_reaches_is_told(rows: list[Compared]) -> None:
    assert "cheapest found of those that serve most, 71.5 %." in said(rows)
    (full,) = [row for row in rows if row.name == "cheapest at full service"]
    assert full.figures is not None
    all_of_it = replace(full.figures, firm_total=full.figures.demand_mean)
    told = said([*(row for row in rows if row is not full), replace(full, figures=all_of_it)])
    assert "serves all" not in told


def test_csv_and_text_hold_every_mix(island: Site, rows: list[Compared]) -> None:
    lines = list(csv.DictReader(io.StringIO(csv_of(compare_result(island, rows).comparison))))
    assert [line["mix"] for line in lines] == [row.name for row in rows]
    assert float(lines[0]["counted_kg_per_s"]) == 0.0
    assert lines[0]["bought[diesel_boat]_kg_per_s"] == ""
    text = compare_result(island, rows).summary()
    assert all(len(line) <= 100 for line in text.splitlines())
    assert "no new diesel" in text
    power = {row[0]: row[1:] for row in compare_result(island, rows).power.rows}
    assert power["diesel_set"][0] == 0.0  # clean only: the existing sets are idle
    assert power["diesel_set"][1] == rows[1].figures.power["diesel_set"]  # type: ignore[union-attr]


@pytest.mark.slow
def test_by_products_that_feed_back_are_told(two_bays: Site) -> None:
    rows = compared_mixes(two_bays, QUICK)
    told = compare_result(two_bays, rows).summary()
    assert "used again" in told


@pytest.fixture
def two_bays() -> Site:
    return read_site(NETWORKS / "two_bays.yaml")


def test_a_mix_without_a_plan_says_why() -> None:
    valley = read_site(NETWORKS / "dry_valley.yaml")
    (clean, *_) = compared_mixes(valley, QUICK)
    assert clean.plan is None
    assert "no plan exists" in clean.reason
    assert "No plan" in compare_result(valley, [clean]).summary()


def test_mixes_keep_to_the_stricter_cap(island: Site) -> None:
    site = replace(island, mixes={"cap": Mix("cap", emission=1.0, money=5.0)})
    named = mixes_of(site)[-1]
    assert named.site.limits.emission == island.limits.emission
    assert named.site.limits.money == 5.0


def test_what_the_time_left_open_is_told_beside_emissions(
    island: Site, rows: list[Compared]
) -> None:
    """A poor plan's emissions are not taken for those of its mix."""
    row = next(row for row in rows if row.name == "diesel_set only")
    assert row.plan is not None
    first = row.plan.goals[0]
    goals = (
        replace(first, status=Status.OPTIMAL, gap=0.0),
        GoalResult("emissions", "kg/s", "min", 1.14, 0.1254, 0.89, Status.TIME_LIMIT),
        GoalResult("money", "1", "min", 9e4, None, None, Status.TIME_LIMIT),
    )
    poor = replace(row, plan=replace(row.plan, goals=goals))
    result = compare_result(island, [poor])
    assert result.comparison.column("open") == (
        "time ran out: emissions gap 89 %; cost gap unknown",
    )
    assert result.comparison.column("emissions_gap") == (0.89,)
    assert "What the search left open" in result.summary()
    done = tuple(replace(goal, status=Status.OPTIMAL) for goal in goals)
    settled = compare_result(island, [replace(row, plan=replace(row.plan, goals=done))])
    assert "left open" not in settled.summary()


def test_a_mix_without_a_good_plan_has_more_of_the_time(
    island: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is planned once; those with wide gaps again, those that are settled not."""
    planned: list[str] = []

    def none(function: object, cases: list[StudyCase], workers: object) -> dict[str, Result]:
        planned.extend(case.key for case in cases)
        return {case.key: Result(None, "not in time", 0.0) for case in cases}

    monkeypatch.setattr(comparison, "run_cases", none)
    compared_mixes(island, Settings(time_limit=1e6))
    names = [mix.name for mix in mixes_of(island)]
    assert planned == [*names, *names]
    planned.clear()
    compared_mixes(island, QUICK)
    assert planned == names


WELL = """
format: allocator.site/2
fluids:
  gas: {heating_value: 13 MJ/kg, vented_weight: 7.2}
  diesel: {phase: liquid, heating_value: 43 MJ/kg}
  fossil_co2: {emission: counted, emission_weight: 1.5}
places: {yard: {at: [0 m, 0 m]}}
sources:
  well: {place: yard, fluid: gas, flow: 20 g/s, when_untapped: vents}
  truck: {place: yard, fluid: diesel, flow: 20 g/s, price: 1.3 /kg}
machines:
  engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW}, price: 40000, places: {yard: 1}}
  diesel_set:
    {inputs: {diesel: 4 g/s}, outputs: {power: 65 kW, fossil_co2: 12 g/s}, places: {yard: 1}}
demands: {village: {power: 90 kW, place: yard}}
"""


def test_what_makes_the_emission_of_a_mix_adds_up(tmp_path: Path) -> None:
    path = tmp_path / "well.yaml"
    path.write_text(WELL, encoding="utf-8")
    result = compare(path, settings=QUICK)
    table = result["emission"]
    counted = dict(zip(*map(result.comparison.column, ("mix", "counted")), strict=True))
    for mix, total in counted.items():
        assert sum(part or 0.0 for part in table.column(mix)) == pytest.approx(total)
    parts = dict(zip(table.column("fluid"), table.column("diesel_set only"), strict=True))
    assert parts["gas, vented unburnt"] == pytest.approx(20e-3 * 7.2)
    assert parts["fossil_co2"] == pytest.approx(12e-3 * 1.5)
    assert "What makes the counted emission" in result.summary()
