"""The page takes its heads from the glossary: tables, axes of charts and the cards of the map."""

from __future__ import annotations

import ast
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from handmade_cove import COVE, COVE_PLAN
from study_results import files, sweep_file

from allocator.base.labels import LABELS
from allocator.network.deriving import network_of
from allocator.plans.records import FlowHeat, Heat, HeatLimit, Plan, Price
from allocator.report.files import plan_tables
from allocator.report.page import PageStudies, page_html
from allocator.report.page.study_files import read_frontier, read_mixes, read_sweep
from allocator.report.parts import limits_by_unit
from allocator.site.records import Site

ROOM = Path(__file__).parents[3] / "allocator" / "report" / "page"
TERMS = {label.head for label in LABELS.values()}


class Heads(HTMLParser):
    """Heads of columns without their units, names of axes, and the data of the page."""

    def __init__(self) -> None:
        super().__init__()
        self.columns: list[str] = []
        self.axes: list[str] = []
        self.data = ""
        self._open: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._open.append((tag, given))
        if tag == "th" and given.get("scope") == "col":
            self.columns.append("")

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        tags = [tag for tag, _ in self._open]
        if (
            "th" in tags
            and "small" not in tags
            and self._open[tags.index("th")][1].get("scope") == "col"
        ):
            self.columns[-1] += data
        if tags and tags[-1] == "text" and self._open[-1][1].get("class") == "axis":
            self.axes.append(data)
        if tags and tags[-1] == "script" and self._open[-1][1].get("id") == "data":
            self.data += data


def heads_of(page: str) -> Heads:
    reader = Heads()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def whole(
    first: tuple[Site, Plan], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Site, Plan, Heads]:
    """A page with temperatures, marginal values, a search and all studies."""
    site, plan = first
    net, folder = network_of(site), tmp_path_factory.mktemp("studies")
    files(site, folder)
    run = plan.runs[0]
    heat = Heat(
        flows=(
            FlowHeat(
                run.route,
                run.build,
                run.fluid,
                net.routes[run.route].start,
                "busiest",
                0.01,
                320.0,
                310.0,
                400.0,
            ),
        ),
        limits=(
            HeatLimit("run", "surface", "K", 323.0, 328.0),
            HeatLimit("run", "heat", "W", 5.0, 8.0),
        ),
    )
    price = Price("stock", "steel", 900.0, "mass", "clean_power", "W", 3.5, 100.0, 20.0, True)
    plan = replace(plan, heat=heat, prices=(price,))
    trail = [
        {"goal": g.name, "seconds": t, "value": g.value * t, "bound": g.value * (3 - t)}
        for g in plan.goals
        for t in (1.0, 2.0)
    ]
    page = page_html(
        site,
        plan,
        run={"search": trail},
        studies=PageStudies(
            read_mixes(folder, net),
            [read_frontier(folder, net)],
            [read_sweep(sweep_file(site, folder), net)],
        ),
    )
    return site, plan, heads_of(page)


def test_heads_of_tables_are_terms(whole: tuple[Site, Plan, Heads]) -> None:
    site, plan, found = whole
    net = network_of(site)
    tables = (*plan_tables(net, plan), *limits_by_unit(plan))
    columns = {column.head for table in tables for column in table.columns} | {"name"}
    theirs = {*site.materials, "what", "this plan", "clean only", "stock.steel"}
    strange = {head.strip() for head in found.columns} - TERMS - columns - theirs
    assert len(found.columns) > 60
    assert not strange


def test_axes_are_terms(whole: tuple[Site, Plan, Heads]) -> None:
    found = whole[2].axes
    assert {"firm flow", "storage", "time since the search began"} <= set(found)
    assert {axis for axis in found if axis} <= TERMS | {"stock.steel"}


def test_cards_of_the_map_are_terms(whole: tuple[Site, Plan, Heads]) -> None:
    told = {key for _, facts in json.loads(whole[2].data)["things"] for key, _ in facts}
    assert {"build", "flow when on", "duty", "share of capacity"} <= told
    assert told <= TERMS


def test_no_term_is_written_a_second_time() -> None:
    """Terms of several words stand in the glossary alone; templates have no head of their own."""
    terms = {term for term in TERMS if " " in term}
    for path in ROOM.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not (isinstance(node, ast.Constant) and node.value in terms), (
                path.name,
                node.value,
            )
    for path in (ROOM / "templates").glob("*.j2"):
        text = path.read_text(encoding="utf-8")
        own = re.findall(r'<th scope="col"[^>]*>(?:<button[^>]*>)?([^{<]+)', text)
        assert [one for one in own if one.strip() and one != "what"] == [], path.name


def test_money_has_the_currency_of_the_site() -> None:
    """Goals, charts of the search, and the axis and points of a frontier against cost."""
    site = replace(COVE, currency="EUR")
    trail = [
        {"goal": "money", "seconds": t, "value": 2e4 / t, "bound": 1e4 * t} for t in (1.0, 1.5)
    ]
    page = page_html(site, COVE_PLAN, run={"search": trail})
    assert 'class="axis">EUR<' in page
    assert "16\u00a0217\u00a0EUR" in page
    assert "EUR" not in page_html(COVE, COVE_PLAN, run={"search": trail})


def frontier_of_money(site: Site) -> Any:
    from allocator.report.page.frontier_chart import frontier_view
    from allocator.report.page.study_files import frontier_of_text

    point = {
        "power_w": 5e3,
        "bound_w": 6e3,
        "gap": 0.1,
        "status": "optimal",
        "end": "",
        "knee": None,
        "audited": True,
        "changes": [],
    }
    facts = {
        "format": "allocator.frontier/1",
        "site": {"sha256": site.sha256},
        "give": "money",
        "points": [{**point, "given": 0.0, "power_w": 0.0}, {**point, "given": 4e4}],
    }
    return frontier_view(
        frontier_of_text(json.dumps(facts), network_of(site), Path("frontier.json"))
    )


def test_a_frontier_of_cost_has_the_currency_on_its_axis() -> None:
    view = frontier_of_money(replace(COVE, currency="EUR"))
    drawing = str(view.drawings[0][3])
    assert "limits.money" in drawing
    assert "20\u00a0000\u00a0EUR" in drawing
    assert view.rows[1][0].shown == "40\u00a0000\u00a0EUR"
    assert "EUR" not in str(frontier_of_money(COVE).drawings[0][3])
