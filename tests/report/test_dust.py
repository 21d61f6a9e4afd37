"""Goals whose values are rounding are told as 0, on the page and in the text alike."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.base.status import Status
from allocator.network.deriving import network_of
from allocator.plans.records import Emissions, GoalResult, Plan, Run
from allocator.report.bill import bill_of_materials, running_money
from allocator.report.handover.set_points import set_points
from allocator.report.page import page_html
from allocator.report.page.balance import balance_of
from allocator.report.page.figures import figures_of
from allocator.report.parts import storage
from allocator.report.summary import full_summary
from allocator.report.tables import sources_used
from allocator.report.words import without_dust
from allocator.studies.trade_off import _changes


def with_emissions(value: float, bound: float | None) -> Plan:
    gap = None if bound is None else abs(value - bound) / max(abs(value), abs(bound), 1e-15)
    goal = GoalResult("emissions", "kg/s", "min", value, bound, gap, Status.OPTIMAL, "solver")
    kept = tuple(one for one in COVE_PLAN.goals if one.name != "emissions")
    counted = replace(COVE_PLAN.emissions, counted=max(0.0, value))
    assert isinstance(counted, Emissions)
    return replace(COVE_PLAN, goals=(*kept, goal), emissions=counted)


@pytest.mark.parametrize(("value", "bound"), [(-6.9e-18, -6.9e-18), (7.8e-13, 0.0)])
def test_dust_is_nothing(value: float, bound: float) -> None:
    plan = with_emissions(value, bound)
    text = full_summary(network_of(COVE), plan)
    (line,) = [line for line in text.splitlines() if "minimum emissions" in line]
    assert re.search(r"emissions +0 kg/a +0 kg/a +0 %", line), line
    page = " ".join(page_html(network_of(COVE), plan).split())
    assert "e-1" not in re.sub(r'data-x="[^"]*"', "", page[page.index("minimum emissions") :][:400])
    assert "limit 0 kg/a" in page


def test_small_amounts_that_are_there_stay() -> None:
    told = without_dust(with_emissions(1e-6, 9e-7)).goals[-1]
    assert (told.value, told.bound) == (1e-6, 9e-7)


def test_rounding_is_no_running_cost() -> None:
    built = sum(line.counted for line in bill_of_materials(network_of(COVE), COVE_PLAN))
    plan = replace(COVE_PLAN, money=built + 1.8e-12 * built)
    assert running_money(network_of(COVE), plan) == 0.0
    page = " ".join(page_html(network_of(COVE), plan).split())
    assert "to build" in page
    assert "to run for" not in page


def test_settings_flows_and_parts_below_rounding_are_not_shown() -> None:
    """A millionth of the largest of its kind; of a battery, a part for a second of power."""
    network = network_of(COVE)
    shapes = {"flat": 0.02, "town": 8e-9}
    sources = tuple(
        replace(use, direct=shapes) if use.name == "kiln" else use for use in COVE_PLAN.sources
    )
    batteries = tuple(
        replace(use, burst_part={"clean": 3e-6 * use.size}, level_part=0.5 * use.size)
        for use in COVE_PLAN.batteries
    )
    plan = replace(COVE_PLAN, sources=sources, batteries=batteries)
    told = set_points(network, plan)
    released = [s.value for s in told if (s.thing, s.setting) == ("kiln", "release")]
    assert released == [0.02]
    assert not any("bursts" in s.setting for s in told if s.unit == "J")
    assert any(s.setting == "part for levelling to demands" for s in told)
    feeds = [row["goes_to"] for row in sources_used(network, plan).records()]
    assert "supply:flat" in feeds
    assert "supply:town" not in feeds
    assert all("bursts" not in str(p) for p in storage(network, plan).column("purpose"))


def test_links_below_rounding_are_not_drawn() -> None:
    figures = figures_of(network_of(COVE), COVE_PLAN)
    way = next(way for way in figures.ways if way.giver.startswith("source:"))
    dust = replace(way, giver="source:north", taker="machine:oil_set@works", rate=1e-9 * way.rate)
    known = balance_of(figures).links
    links = balance_of(replace(figures, ways=(*figures.ways, dust))).links
    assert len(links) == len(known)
    assert min(link.power for link in links) > 1e-6 * max(link.power for link in links)


def test_a_cooler_among_the_changes_is_named_by_its_place() -> None:
    def laid(route: str, build: str) -> Plan:
        return replace(COVE_PLAN, runs=(Run(route, build, "gas", True),), machines=())

    none = replace(COVE_PLAN, runs=(), machines=())
    cooler = "scrubber at kiln: 320 degC to 60 degC"
    assert _changes(none, laid(cooler, "scrubber x 1")) == (
        "+scrubber at kiln, 320 degC to 60 degC",
    )
    assert _changes(none, laid(cooler, "scrubber (1 exist) x 2")) == (
        "+2 scrubber (1 exist) at kiln, 320 degC to 60 degC",
    )
    assert _changes(none, laid("lane", "dn25")) == ("+dn25 on lane",)
