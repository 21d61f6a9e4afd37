"""Pressures along lines in the states of a simulation: what holds, and plans that were doctored."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from pressed_sites import LINE

from allocator.cli.entry import main
from allocator.cli.terminal import BREACHES
from allocator.engine.simulating import prove_plan
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.file import plan_to_json
from allocator.plans.records import Plan
from allocator.report.brief import heading
from allocator.report.page import page_html
from allocator.report.page.simulation import SimulationFileError, simulation_of
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


def test_the_page_and_the_proof_tell_of_it(line: tuple[Network, Plan], trace: Trace) -> None:
    site, plan = line
    files = simulation_files(trace)
    told = (files["simulation.json"], files["levels.csv"], plan, None, Path("simulation.json"))
    page = page_html(site, plan, simulation_of(*told))
    assert "least margin of pressure, 2 of 2 states checked" in page
    spoilt = files["simulation.json"].replace('"lowest"', '"loest"')
    with pytest.raises(SimulationFileError, match="lacks what a simulation holds"):
        simulation_of(spoilt, *told[1:])
    proven, proof = prove_plan(site, replace(plan, verified=True))
    assert (proven.verified, proof.kept) == (True, True)
    proven, proof = prove_plan(site, replace(plan, verified=True, boosters=()))
    assert (proven.verified, proof.kept, proof.broken) == (False, False, ())
    assert "LACKED PRESSURE ALONG ITS LINES" in " ".join(heading(proven, proof))


def test_the_command_ends_in_a_breach(
    line: tuple[Network, Plan], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, plan = no_fan(*line)
    file, folder = tmp_path / "site.yaml", tmp_path / "simulated"
    file.write_text(LINE, encoding="utf-8")
    (tmp_path / "plan.json").write_text(plan_to_json(plan), encoding="utf-8")
    given = ["simulate", str(file), str(tmp_path / "plan.json"), "-o", str(folder)]
    assert main([*given, "--days", "5", "--phases", "1", "--foresight", "0"]) == BREACHES
    out, err = capsys.readouterr()
    assert "TOO LOW" in out
    assert "pressure is too low along lines" in err
    assert not (folder / "broken.json").exists()


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


@pytest.mark.slow
def test_of_many_states_those_with_the_greatest_flows_are_checked(tmp_path: Path) -> None:
    """Eight wells with periods of their own: some hundred states, and that of all of them."""
    wells = "".join(
        f"  w{n}: {{place: mouth, fluid: gas, flow: 2 g/s, pressure: 106 kPa, "
        f"cycle: [{{on: {100 + n} min, every: {160 + 7 * n} min}}]}}\n"
        for n in range(8)
    )
    start, end = LINE.index("  well:"), LINE.index("storage:")
    path = tmp_path / "site.yaml"
    path.write_text(LINE[:start] + wells + LINE[end:], encoding="utf-8")
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=20, threads=1)).plan
    assert plan is not None
    used = {use.name for use in plan.sources if any(use.collect.values())}
    assert len(used) >= 4
    found = simulate(site, plan, SHORT).pressures
    assert found is not None
    assert found.checked <= 32 < found.states <= 2**8
    assert not found.short
    assert max(len(end.on) for end in found.ends if end.kind == "store") == len(used)
