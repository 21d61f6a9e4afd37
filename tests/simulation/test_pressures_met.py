"""Pressures along lines in the states of a simulation: what holds, and plans that were doctored."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from pressed_sites import LINE

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.simulated import simulation_text
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, Trace, simulate
from allocator.simulation.files import simulation_files

SHORT = SimulationSettings(days=20.0, phases=2)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> tuple[Network, Plan]:
    path = tmp_path_factory.mktemp("line") / "site.yaml"
    path.write_text(LINE, encoding="utf-8")
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    return site, plan


@pytest.fixture(scope="module")
def trace(line: tuple[Network, Plan]) -> Trace:
    return simulate(*line, SHORT)


def test_a_plan_holds_in_every_state(line: tuple[Network, Plan], trace: Trace) -> None:
    """The well is on or off; with it on, pressures are those of the plan, or above.

    The plan counts on a booster for what it adds at the least pressure that it may have.
    """
    _, plan = line
    assert trace.kept
    assert trace.pressures is not None
    assert (trace.pressures.states, trace.pressures.checked) == (2, 2)
    ends = {(end.kind, end.name): end for end in trace.pressures.ends}
    rows = {row.node: row for row in plan.pressures}
    engine, holder = ends["machine", "engine@works"], ends["store", "holder@yard"]
    assert engine.needs == pytest.approx(102_500)
    assert rows["works"].low <= engine.lowest <= rows["works"].low * 1.005
    assert holder.on == ("well", "kiln")
    assert rows["yard"].high <= holder.lowest <= rows["yard"].high * 1.005
    assert not trace.short_of_pressure


def no_fan(site: Network, plan: Plan) -> tuple[Network, Plan]:
    return site, replace(plan, boosters=())


def more_gas(site: Network, plan: Plan) -> tuple[Network, Plan]:
    """The well gives half as much again, and no pipe says so."""
    sources = tuple(
        replace(use, collect={to: 1.5 * rate for to, rate in use.collect.items()})
        for use in plan.sources
    )
    return site, replace(plan, sources=sources)


def less_in_pipes(site: Network, plan: Plan) -> tuple[Network, Plan]:
    """The lane is longer than it was, and the plan says that it carries next to nothing."""
    runs = tuple(
        replace(run, flows=tuple(replace(flow, rate=1e-3 * flow.rate) for flow in run.flows))
        for run in plan.runs
    )
    lane = replace(site.routes["lane"], length=4 * site.routes["lane"].length)
    return replace(site, routes={**site.routes, "lane": lane}), replace(plan, runs=runs)


def hungry(site: Network, plan: Plan) -> tuple[Network, Plan]:
    engine = replace(site.machines["engine"], min_inlet_pressure=1.2e5)
    return replace(site, machines={"engine": engine}), plan


@pytest.mark.parametrize(
    ("change", "kind"),
    [(no_fan, "machine"), (more_gas, "store"), (less_in_pipes, "store"), (hungry, "machine")],
)
def test_a_doctored_plan_fails_where_pressure_lacks(
    change: Callable[[Network, Plan], tuple[Network, Plan]], kind: str, line: tuple[Network, Plan]
) -> None:
    site, plan = change(*line)
    found = simulate(site, plan, SHORT)
    assert not found.kept
    assert kind in {end.kind for end in found.short_of_pressure}
    assert all(end.margin < 0 and math.isfinite(end.margin) for end in found.short_of_pressure)
    text = simulation_text(plan, found)
    assert "NOT KEPT" in text.splitlines()[0]
    assert "TOO LOW" in text
    assert json.loads(simulation_files(found)["simulation.json"])["kept"] is False


def test_what_is_told(line: tuple[Network, Plan], trace: Trace) -> None:
    text = simulation_text(line[1], trace)
    assert "Pressures along lines, in the worst state met" in text
    assert "2 of 2 different states" in text
    assert max(map(len, text.splitlines())) <= 100
    facts = json.loads(simulation_files(trace)["simulation.json"])["pressures"]
    assert facts["states"] == 2
    assert {end["kind"] for end in facts["ends"]} >= {"machine", "store", "booster"}


def test_without_pressures_nothing_is_said(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(LINE.replace("pressure: 106 kPa, ", "").replace("bore: 52.5 mm", "capacity: 1"))
    text = path.read_text()
    for words in (
        ", pressure: 106 kPa",
        ", pressure: 103 kPa",
        "\n           pressure_rating: 2 bar",
        ", pressure_rating: 1.5 bar",
        "    min_inlet_pressure: 102.5 kPa\n",
        text[text.index("boosters:") : text.index("machines:")],
    ):
        assert words in text, words
        text = text.replace(words, "")
    path.write_text(text)
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=50, threads=1)).plan
    assert plan is not None
    found = simulate(site, plan, SimulationSettings(days=2.0, phases=1))
    assert found.pressures is None
    assert "pressures" not in json.loads(simulation_files(found)["simulation.json"])
