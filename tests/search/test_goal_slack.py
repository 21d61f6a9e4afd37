"""What each goal may give up for the goals after it; plans to start from are not lost to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.search import Settings, lexicographic, make_plan
from allocator.search.goal_search import GoalSearch
from allocator.search.strategy.goal import GoalPhases
from allocator.site.records import Site
from allocator.verify import audit

TEXT = """
format: allocator.site/2
name: Last kilogram
fluids:
  gas: {heating_value: 20 MJ/kg}
  oil: {phase: liquid, heating_value: 40 MJ/kg}
  co2: {emission: counted}
materials: {steel: {stock: 1 t}}
places: {works: {at: [0 m, 0 m]}}
sources:
  kiln: {place: works, fluid: gas, flow: 4 g/s, cycle: [{on: 6 h, every: 24 h}]}
  barrel: {place: works, fluid: oil, flow: 0.1 g/s}
storage:
  bag: {holds: gas, places: [works], size: {max: 1 t}, materials: {steel: 20 kg/kg}}
machines:
  gas_set: {inputs: {gas: 1 g/s}, outputs: {power: 10 kW}, places: [works]}
  oil_set:
    inputs: {oil: 0.1 g/s}
    outputs: {power: 2 kW, co2: 0.3 g/s}
    places: [works]
    materials: {steel: 15 kg}
demands: {camp: {power: 50 kW}}
"""


def site_with(folder: Path, slack: float) -> Site:
    file = folder / "site.yaml"
    file.write_text(TEXT, encoding="utf-8")
    return dataclasses.replace(read_site(file), goal_slack=slack)


def test_without_slack_the_first_goal_takes_all(tmp_path: Path) -> None:
    # The bag uses all the steel: 50 kg of gas bridge 18 h at 50 / 64800 kg/s, 7.716 kW.
    plan = make_plan(site_with(tmp_path, 0.0), Settings(node_limit=1000)).plan
    assert plan is not None
    assert plan.power.firm_clean == pytest.approx(50 / 64800 * 10e6, rel=1e-5)
    assert plan.power.firm_total == pytest.approx(plan.power.firm_clean)
    assert [goal.status for goal in plan.goals[:2]] == ["optimal", "optimal"]


def test_with_slack_it_gives_up_no_more_than_its_share_and_only_for_a_gain(tmp_path: Path) -> None:
    whole = make_plan(site_with(tmp_path, 0.0), Settings(node_limit=1000)).plan
    site = site_with(tmp_path, 0.02)
    plan = make_plan(site, Settings(node_limit=1000)).plan
    assert whole is not None
    assert plan is not None
    # 15 kg of steel less is 0.75 kg of gas, 1.5 % of the clean power, and buys 2 kW of oil power
    assert plan.power.firm_clean >= 0.98 * whole.power.firm_clean * (1 - 1e-6)
    assert plan.power.firm_clean < whole.power.firm_clean
    # the power in all gives up its own share for the goals after it: less steel, less money
    best = 0.985 * whole.power.firm_clean + 2e3
    assert 0.98 * best * (1 - 1e-6) <= plan.power.firm_total <= best * (1 + 1e-6)
    assert plan.materials[0].used < 1000
    assert audit(site, plan).accepted
    clean = plan.goals[0]
    assert clean.status == "yielded"
    assert clean.bound == pytest.approx(whole.power.firm_clean, rel=1e-4)
    assert clean.gap == pytest.approx(1 - clean.value / (clean.bound or 0.0))


def test_a_slack_too_small_for_the_next_piece_serves_no_more(tmp_path: Path) -> None:
    plan = make_plan(site_with(tmp_path, 0.01), Settings(node_limit=1000)).plan
    assert plan is not None
    assert plan.power.firm_total == pytest.approx(plan.power.firm_clean)


EXACT = Settings(node_limit=1000)


def test_a_start_that_later_goals_like_is_tried_by_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The start gives up 1.5 % of clean power for oil power, as the slack of 2 % allows.

    The search is without luck after the first goal: all that later goals have is their starts.
    """
    site = site_with(tmp_path, 0.02)
    start = make_plan(site, EXACT).plan
    assert start is not None
    greedy = 50 / 64800 * 10e6  # W, of all the steel
    assert 0.98 < start.power.firm_clean / greedy < 0.99
    _only_the_first_goal_is_searched(monkeypatch)
    alone = make_plan(site, EXACT).plan
    begun = make_plan(site, dataclasses.replace(EXACT, start=start)).plan
    assert alone is not None
    assert begun is not None
    # all that is left of it without the start is the first goal's best, or little less
    assert alone.power.firm_total == pytest.approx(alone.power.firm_clean, rel=1e-6)
    assert begun.power.firm_total == pytest.approx(start.power.firm_total, rel=1e-6)
    assert begun.goals[0].bound == pytest.approx(greedy, rel=1e-4)


def test_a_start_that_gives_up_too_much_stays_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without slack, 1.5 % less clean power is no plan, whatever it serves beside."""
    start = make_plan(site_with(tmp_path, 0.02), EXACT).plan
    assert start is not None
    _only_the_first_goal_is_searched(monkeypatch)
    plan = make_plan(site_with(tmp_path, 0.0), dataclasses.replace(EXACT, start=start)).plan
    assert plan is not None
    assert plan.power.firm_clean > 1.01 * start.power.firm_clean
    assert plan.power.firm_total == pytest.approx(plan.power.firm_clean)


def _only_the_first_goal_is_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    """Later goals have no phases but the earlier plan, the warm start and relaxations."""
    kept = {"earlier plan", "warm start", "relaxation", "multicommodity relaxation"}
    for name in ("opening_phases", "main_phases"):
        phases = getattr(lexicographic, name)

        def fewer(
            search: GoalSearch, phases: Callable[[GoalSearch], GoalPhases] = phases
        ) -> GoalPhases:
            all_ = phases(search)
            first = search.goal.name == "clean_power"
            return all_ if first else tuple(phase for phase in all_ if phase.name in kept)

        monkeypatch.setattr(lexicographic, name, fewer)
