"""Cut list, build order and set-points of plans that were worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN, DAY
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.network.deriving import network_of
from allocator.report.bill import bill_of_materials
from allocator.report.handover.build_order import BuildStep, build_order
from allocator.report.handover.chains import chains_of
from allocator.report.handover.cut_list import cut_list
from allocator.report.handover.lists import spans
from allocator.report.handover.set_points import set_points
from allocator.report.handover.stock import stock_table
from allocator.report.ways import ways_of

BOTH = [(network_of(COVE), COVE_PLAN), (network_of(RIDGE), RIDGE_PLAN)]


def test_ways_lead_from_each_giver_to_its_taker() -> None:
    found = {
        (w.layer, w.giver, w.taker): (w.rate, w.routes)
        for w in ways_of(network_of(COVE), COVE_PLAN)
    }
    rate, routes = found["collect", "source:north", "store:holder@works"]
    assert rate == pytest.approx(0.016)
    assert routes == ("lane",)
    # the holder gives 0.0024 flat, the kiln 0.0003; the set takes 0.00208 flat, the burner 0.0002
    taken = sum(rate for (layer, *_), (rate, _) in found.items() if layer == "supply")
    assert found["collect", "source:drum", "store:tank@works"] == (0.05, ())
    assert taken > 0.00208 + 0.0012


def test_the_cut_list_has_each_layer_with_spares_and_totals() -> None:
    pipe, insulation, order, steel, wool = cut_list(network_of(COVE), COVE_PLAN, spares=0.1)
    # the lane is 100 m of dn25: 2.5 kg/m steel, 0.5 kg/m wool; the quay's pipe stands
    assert (pipe.run, pipe.kind, pipe.mass) == ("lane", "pipe", 250.0)
    assert pipe.cut_length == pytest.approx(110.0)
    assert (insulation.kind, insulation.material, insulation.mass) == ("layer", "wool", 50.0)
    assert (order.kind, order.build, order.length, order.mass) == ("order", "dn25", 100.0, 300.0)
    assert (steel.kind, steel.cut_mass) == ("total", pytest.approx(275))
    assert steel.stock_left == pytest.approx(15.0)  # of 40 kg, less 25 kg of spares
    assert steel.note == ""
    assert wool.stock_left == pytest.approx(5.0)  # of 10 kg


@pytest.mark.parametrize(("site", "plan"), BOTH, ids=["cove", "ridge"])
def test_cut_list_and_stock_list_leave_the_same(site, plan) -> None:  # type: ignore[no-untyped-def]
    left = {row["material"]: row["left_kg"] for row in stock_table(site, plan).records()}
    totals = [line for line in cut_list(site, plan) if line.kind == "total"]
    assert totals
    assert {line.material: line.stock_left for line in totals} == {
        line.material: left[line.material] for line in totals
    }


def test_spares_that_the_stock_does_not_cover_are_told() -> None:
    *_, wool = cut_list(network_of(COVE), COVE_PLAN, spares=0.5)
    assert wool.note == "15 kg of the spares are not in stock"


@pytest.mark.parametrize(("site", "plan"), BOTH, ids=["cove", "ridge"])
def test_the_build_order_holds_all_that_is_new_once(site, plan) -> None:  # type: ignore[no-untyped-def]
    steps = build_order(site, plan)
    mass = sum(line.kg or 0.0 for line in bill_of_materials(site, plan))
    assert steps[-1].mass_so_far == pytest.approx(mass)
    assert steps[-1].firm_power == pytest.approx(plan.power.firm_total)
    assert [step.number for step in steps] == list(range(1, len(steps) + 1))
    assert all(before < step.number for step in steps for before in step.after)
    powers = [step.firm_power for step in steps]
    assert powers == sorted(powers)
    assert all(step.done is None for step in steps)


def _one(steps: tuple[BuildStep, ...], action: str, text: str = "") -> BuildStep:
    return next(s for s in steps if s.action == action and text in f"{s.what} {s.where}")


def test_pipe_is_tested_before_its_tap_and_purged_before_first_gas() -> None:
    steps = build_order(network_of(COVE), COVE_PLAN)
    laid, tested = _one(steps, "lay", "lane"), _one(steps, "pressure-test", "lane")
    tap, start = _one(steps, "connect", "north"), _one(steps, "purge and start", "holder at works")
    assert laid.number in tested.after
    assert tested.number in tap.after
    assert {tap.number, tested.number} <= set(start.after)
    assert "purge all air before the first gas" in start.note
    assert "no firm output before it is full: holder of 250 kg" in start.note


def test_standing_sets_come_first_for_they_need_least() -> None:
    # the oil set and its tank stand; only 150 kg of tank and the battery are new for it
    chains = chains_of(network_of(COVE), COVE_PLAN)
    assert {chain.title for chain in chains if chain.power > 0} >= {
        "oil_set at works, from tank at works",
        "set at works, from holder at works",
    }
    first = next(s for s in build_order(network_of(COVE), COVE_PLAN) if s.unlocks)
    assert first.what == "oil_set at works, from tank at works"


def test_a_crew_makes_days_and_a_tap_goes_ahead_of_its_spell() -> None:
    north = replace(COVE.sources["north"], next_start=1 * DAY)
    site = replace(COVE, sources={**COVE.sources, "north": north})
    crew = 100.0 / DAY  # 590 kg take 5.9 days; the tap alone takes 0.4
    late = _one(build_order(network_of(site), COVE_PLAN), "connect", "north")
    early = _one(build_order(network_of(site), COVE_PLAN, crew), "connect", "north")
    assert late.number > 1
    assert early.number == 1
    assert early.done == pytest.approx(0.4 * DAY)
    assert "14.4 h before the next active spell" in early.note
    assert build_order(network_of(site), COVE_PLAN, crew)[-1].done == pytest.approx(
        build_order(network_of(site), COVE_PLAN)[-1].mass_so_far / crew
    )
    hopeless = _one(build_order(network_of(site), COVE_PLAN, 10.0 / DAY), "connect", "north")
    assert "MISSES the next active spell by" in hopeless.note


@pytest.mark.parametrize("crew", [0.0, -1.0, float("nan"), float("inf")])
def test_a_crew_that_builds_nothing_is_refused(crew: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        build_order(network_of(COVE), COVE_PLAN, crew)


def test_set_points_say_what_the_plan_promises() -> None:
    found = {
        (s.thing, s.setting, s.note.split(";")[0]): s
        for s in set_points(network_of(COVE), COVE_PLAN)
    }
    assert found["holder", "release", "steady"].value == 0.0024
    evening = found["holder", "release", "following town"]
    assert (evening.value, evening.highest) == (0.0012, pytest.approx(0.0018))
    give = found["set", "power output", "steady, all running units together"]
    assert (give.value, give.unit) == (4000.0, "W")
    assert found["oil_set", "run on and off, share of time", "one more unit"].value == 0.35
    with_reserve = set_points(network_of(COVE), COVE_PLAN, {"holder@works": (246.3, "kg")})
    assert with_reserve[-1].setting == "surplus use permitted only above"
    assert "firm output may take it lower" in with_reserve[-1].note
    assert with_reserve[-1].tag.startswith("LS-")
    assert with_reserve[-1].value == 246.3


def test_spans() -> None:
    assert spans([]) == ""
    assert spans([3, 5, 6, 7, 9]) == "3, 5 to 7, 9"
