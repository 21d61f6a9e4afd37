"""The page as text: the plan's own figures, no outside address, names that cannot do anything."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from handmade_cove import COVE, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from hostile_cove import EMOJI, HOSTILE, HOSTILE_PLAN, QUOTED, RIGHT_TO_LEFT, SCRIPT

from allocator.base.labels import LABELS
from allocator.base.table import Column, Table
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.file import plan_to_json
from allocator.plans.records import (
    BoosterUse,
    Ceiling,
    FlowHeat,
    Heat,
    HeatLimit,
    Plan,
    Price,
    Run,
)
from allocator.report.handover.build_order import build_order
from allocator.report.page import page_html
from allocator.report.page.balance import balance_of, together
from allocator.report.page.build_view import first_steps
from allocator.report.page.drawing import existing_plan
from allocator.report.page.figures import figures_of
from allocator.report.page.first_screen import said_of
from allocator.report.page.heat_view import along_runs
from allocator.report.page.listing import listings
from allocator.report.page.map import map_of
from allocator.report.page.simulation import SimulationFileError, read_simulation
from allocator.site.records import BoosterType, Site
from allocator.thermal import profiles_of

CASES = [(COVE, COVE_PLAN), (RIDGE, RIDGE_PLAN), (HOSTILE, HOSTILE_PLAN)]
NETWORKS = Path(__file__).parents[3] / "networks"
NAMES = ["cove", "ridge", "hostile"]


class Reader(HTMLParser):
    """Elements with their attributes, and the text outside of scripts and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self._inside and tag == self._inside[-1]:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.words.append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_the_same_plan_gives_the_same_page(site: Site, plan: Plan) -> None:
    page = page_html(site, plan)
    assert page == page_html(site, plan)
    assert len(page.encode()) < 6_000_000


@pytest.mark.parametrize(("site", "plan"), CASES, ids=NAMES)
def test_nothing_is_fetched(site: Site, plan: Plan) -> None:
    page = page_html(site, plan)
    for tag, attributes in read(page).elements:
        assert tag not in ("iframe", "object", "embed", "base", "form")
        for name in ("src", "srcset", "href", "xlink:href", "action", "poster"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:,"))
    assert not re.search(r"url\((?!#)|@import|\bfetch\(|XMLHttpRequest|import\(", page)


def test_the_figures_are_those_of_the_plan_file() -> None:
    written = json.loads(plan_to_json(COVE_PLAN))
    reader = read(page_html(COVE, COVE_PLAN))
    shown = [
        float(attributes["value"] or "nan")
        for tag, attributes in reader.elements
        if tag == "data" and attributes.get("value")
    ]
    assert shown[0] == written["power"]["firm_clean_w"]
    assert shown[1] == written["power"]["firm_total_w"]
    assert shown[2] == sum(source["tapped"] for source in written["sources"])
    assert shown[-1] == written["money"]
    text = " ".join(reader.words)
    assert "6.75 kW" in text
    assert COVE_PLAN.site_sha256 in text


def test_names_are_shown_literally_and_do_nothing() -> None:
    page = page_html(HOSTILE, HOSTILE_PLAN)
    assert SCRIPT not in page
    reader = read(page)
    text = "".join(reader.words)
    for name in (SCRIPT, QUOTED, RIGHT_TO_LEFT, EMOJI):
        assert name in text
    scripts = [attributes for tag, attributes in reader.elements if tag == "script"]
    assert len(scripts) == 2  # the data and our own
    assert not any(
        name.startswith("on") for _, attributes in reader.elements for name in attributes
    )


def test_an_unverified_plan_says_so_first() -> None:
    page = page_html(COVE, replace(COVE_PLAN, verified=False))
    assert "Do not build from it" in page
    assert "not verified" in page


def test_the_mean_basis_promises_nothing() -> None:
    plan = replace(COVE_PLAN, basis="mean")
    assert "averages, not firm" in "".join(read(page_html(COVE, plan)).words)


@pytest.mark.parametrize("stages", [(), None])
def test_a_plan_that_builds_nothing_has_a_page(stages: Any) -> None:
    empty = replace(
        COVE_PLAN, sources=(), stores=(), batteries=(), runs=(), machines=(), goals=(), materials=()
    )
    assert "Cautions" in page_html(COVE, empty)


def test_the_balance_loses_nothing_on_the_way() -> None:
    """What enters a store or a machine leaves it; see the figures in the handmade cove."""
    balance = balance_of(figures_of(network_of(COVE), COVE_PLAN))
    inflow: dict[str, float] = {}
    outflow: dict[str, float] = {}
    for link in balance.links:
        outflow[link.giver] = outflow.get(link.giver, 0.0) + link.power
        inflow[link.taker] = inflow.get(link.taker, 0.0) + link.power
    middle = [name for name in inflow if name in outflow]
    assert {"store:holder@works", "machine:set@works"} <= set(middle)
    for name in middle:
        assert inflow[name] == pytest.approx(outflow[name], rel=1e-6), name
    # the holder gets 0.016 kg/s for a quarter of the time, at 20 MJ/kg: 80 kW
    assert inflow["store:holder@works"] == pytest.approx(0.016 * 0.25 * 20e6)
    # both demands: 7.75 kW served
    served = inflow["demand:town"] + inflow["demand:hall"]
    assert served == pytest.approx(COVE_PLAN.power.firm_total)


def test_the_balance_has_the_clean_power_of_the_plan() -> None:
    """Own load is charged to one supply or the other as the plan has it, not to both."""
    balance = balance_of(figures_of(network_of(COVE), COVE_PLAN))
    served = {"clean": 0.0, "emitting": 0.0, "other": 0.0}
    for link in balance.links:
        if link.taker.startswith("demand:"):
            served[link.look if link.look in served else "other"] += link.power
    power = COVE_PLAN.power
    assert served["clean"] == pytest.approx(power.firm_clean)
    assert served["emitting"] == pytest.approx(power.firm_total - power.firm_clean)


def test_the_map_draws_what_is_built_and_what_is_not() -> None:
    drawn = map_of(figures_of(network_of(COVE), COVE_PLAN))
    headings = [heading for heading, _ in drawn.details.things]
    assert "lane: gas" in headings
    assert "bank: not built" in headings
    assert "bog: not connected" in headings
    assert "north: new connection" in headings
    plain = map_of(figures_of(network_of(COVE), COVE_PLAN), faint=False)
    assert "bank: not built" not in [heading for heading, _ in plain.details.things]


def test_boosters_are_on_the_map() -> None:
    use = BoosterUse("blower", "gas", "lane", "well", "", True, 0.01, 500.0)
    blower = BoosterType(
        *("blower", "blower", ("gas",), {"well": 1}),
        ratio=1.2,
        efficiency=0.6,
        discharge_temperature=330.0,
    )
    site = replace(COVE, boosters={"blower": blower})
    page = page_html(site, replace(COVE_PLAN, boosters=(use,)))
    assert "boosters: 1 blower" in page
    assert '["blower at well",[["fluid","gas"],["into","pipe lane"]' in page
    assert "blower, compressor or pump" not in page_html(COVE, COVE_PLAN)


def test_a_simulation_that_is_not_there_or_of_another_site(tmp_path: Path) -> None:
    with pytest.raises(SimulationFileError, match="cannot be opened"):
        read_simulation(tmp_path / "none", COVE_PLAN)
    file = tmp_path / "simulation.json"
    (tmp_path / "levels.csv").write_text("time_s,store,unit,level,lowest,highest,spilt\n")
    ours = {
        "format": "allocator.simulation/1",
        "site": {"sha256": COVE_PLAN.site_sha256},
        "draws": [{"phases_s": {}, "seconds": 1.0}],
    }
    for text, told in (
        ("{", "not whole JSON"),
        ("[]", "no simulation of the format"),
        ('{"format": "allocator.simulation/1"}', "lacks what a simulation holds"),
        (
            json.dumps({"format": "allocator.simulation/1", "site": {"sha256": "0"}}),
            "another site file",
        ),
        (json.dumps({**ours, "plan_sha256": "of another"}), "is of another plan"),
    ):
        file.write_text(text)
        with pytest.raises(SimulationFileError, match=told):
            read_simulation(tmp_path, COVE_PLAN, "of this one")


def test_temperatures_and_what_more_is_worth_are_told() -> None:
    heat = Heat(
        flows=(FlowHeat("lane", "dn25", "gas", "well", "busiest", 0.016, 330.0, 310.0, 400.0),),
        limits=(
            HeatLimit("run lane", "surface", "K", 323.15, 328.15),
            HeatLimit("run lane", "heat lost", "W", 500.0, 400.0),
        ),
        notes=("Wet gas: drain the low points.",),
    )
    price = Price("stock", "steel", 900.0, "mass", "clean_power", "W", 3.5)
    page = page_html(COVE, replace(COVE_PLAN, heat=heat, prices=(price,)))
    text = " ".join("".join(read(page).words).split())
    assert "run lane: surface" in text
    assert "50 degC, limit 55 degC" in text
    assert "500 W, limit 400 W: EXCEEDED" in text
    assert "inlet temperature degC" in text
    assert ">56.9<" in page  # 330 K
    assert "Wet gas: drain the low points." in text
    assert "stock.steel" in text
    assert "3.5 W clean power" in text
    # 50 C of 55 C over an ambient of 15 C
    assert f"width:{100 * (323.15 - 288.15) / (328.15 - 288.15):.3f}%" in page


def test_a_run_is_drawn_with_its_temperatures_and_limits() -> None:
    site = network_of(read_site(NETWORKS / "cool_first.yaml"))
    pipe = next(name for name, r in site.routes.items() if r.stream and r.stream.kind == "pipe")
    start, limit = site.routes[pipe].start, site.routes[pipe].max_surface_temperature
    assert limit is not None
    flow = FlowHeat(pipe, "thin", "hydrogen", start, "busiest", 0.01, 320.0, 310.0, 0.0)
    run = Run(pipe, "thin", "hydrogen", True)
    plan = replace(existing_plan(site), runs=(run,), heat=Heat(flows=(flow,)))
    (chart,) = along_runs(site, plan)
    (found,) = profiles_of(site, [flow])
    lines = re.findall(r'points="([^"]+)" class="(curve c\d|outside)"', str(chart.drawing))
    assert [look[:5] for _, look in lines] == ["outsi", "curve"]
    points = [tuple(map(float, pair.split(","))) for pair in lines[1][0].split()]
    # heights fall in proportion to the temperatures, and the limit stands above them all
    falls, drops = np.diff([y for _, y in points]), -np.diff(found.fluid)
    assert falls == pytest.approx(drops * falls.sum() / drops.sum(), abs=0.02)
    (level,) = re.findall(r'd="M[\d.]+ ([\d.]+)H[\d.]+" class="limit', str(chart.drawing))
    assert float(level) < min(y for _, y in points)
    assert chart.said.startswith("hydrogen 46.9 degC to ")
    assert "surface limit 55 degC" in chart.note
    axes = re.findall(r'class="axis"[^>]*>([^<]+)', str(chart.drawing))
    assert axes == [LABELS["length"].head, LABELS["temperature"].head]
    assert "Along a pipe" in page_html(site, plan)


def test_units_that_people_read_beside_those_that_are_copied() -> None:
    columns = (
        Column("run", "run"),
        Column("surface_temperature", "surface", "temperature"),
        Column("margin", "margin", "temperature_difference"),
        Column("peak", "peak", "mass_rate"),
        Column("size", "size", "energy"),
    )
    table = Table("runs", "Runs", columns, (("a", 323.15, 5.0, 0.0025, 7.2e6),))
    (listing,) = listings([table])
    assert [(head.words, head.unit, head.exact) for head in listing.heads[1:]] == [
        ("surface", "degC", "surface K"),
        ("margin", "K", "margin K"),
        ("peak", "g/s", "peak kg/s"),
        ("size", "kWh", "size J"),
    ]
    cells = listing.rows[0][1:]
    assert [cell.shown for cell in cells] == ["50", "5", "2.5", "2"]
    assert [cell.exact for cell in cells] == ["323.15", "5", "0.0025", "7200000"]


def test_what_a_converter_passes_on_is_not_lost(inlet_nodes: tuple[Site, Plan]) -> None:
    """The gasifier turns chips into wood gas: what it gives on is fuel, not heat."""
    balance = balance_of(figures_of(*inlet_nodes))
    into = sum(link.power for link in balance.links if link.taker == "machine:gasifier@west_works")
    out = [link for link in balance.links if link.giver == "machine:gasifier@west_works"]
    assert {link.taker for link in out} == {"machine:wood_gas_engine@west_works", "heat"}
    assert sum(link.power for link in out) == pytest.approx(into, rel=1e-6)


def test_many_sources_are_shown_together() -> None:
    balance = balance_of(figures_of(network_of(COVE), COVE_PLAN))
    for number in range(40):
        name = balance.node(f"source:s{number}", 0, f"s{number}", "gas")
        balance.link(name, "store:holder@works", 10.0 + number, "c0")
    few = together(balance)
    sources = [words for column, words, _ in few.nodes.values() if column == 0]
    assert len(sources) <= 22
    assert any(words.endswith("more of gas") for words in sources)
    assert sum(link.power for link in few.links) == pytest.approx(
        sum(link.power for link in balance.links)
    )


def test_a_plan_that_collects_nothing_for_a_store_has_a_page() -> None:
    """Its audit fails; `report` shows it all the same, and divided by nothing."""
    sources = tuple(
        replace(use, collect=dict.fromkeys(use.collect, 0.0)) for use in RIDGE_PLAN.sources
    )
    assert any(to.startswith("store:") for use in sources for to in use.collect)
    assert page_html(RIDGE, replace(RIDGE_PLAN, sources=sources)).startswith("<!")


def test_units_of_one_type_are_one_of_the_first_steps(first: tuple[Site, Plan]) -> None:
    """Two engines at the mill, installed one after the other, are said once."""
    site, plan = first
    steps = build_order(network_of(site), plan)
    start = first_steps(steps)
    assert "install 2 small_engine at mill" in start.steps
    power = next(k for k, step in enumerate(steps) if step.firm_power > 0)
    assert start.more == power + 1 - sum(2 if "2 small" in one else 1 for one in start.steps)
    single = first_steps([step for step in steps if "#2" not in step.key])
    assert any(one.startswith("install small_engine, 1 of 2 new at mill") for one in single.steps)


def test_the_page_states_no_other_limit_than_the_summary() -> None:
    """Clean power that is no goal has no bound; the limit of any control is called so."""
    goals = tuple(goal for goal in COVE_PLAN.goals if goal.name != "clean_power")
    plan = replace(COVE_PLAN, goals=goals, ceiling=Ceiling(99e3, 99e3))
    (clean, *_) = said_of(plan)
    assert "proven limit" not in clean.words
    (clean, *_) = said_of(COVE_PLAN)
    assert "proven limit" in clean.words
