"""Mixes and frontiers on the page: the figures of their files, the plan among them, faults."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from study_results import MIX, POINTS, files, sweep_file

from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.report.page import PageStudies, page_html, study_page
from allocator.report.page.frontier_chart import frontier_view
from allocator.report.page.study_files import (
    FRONTIER_FORMAT,
    MIXES_FORMAT,
    SWEEP_FORMAT,
    StudyFileError,
    read_frontier,
    read_mixes,
    read_sweep,
)
from allocator.site.records import Site
from allocator.studies import compare_result, frontier_result, sweep_result


class Exact(HTMLParser):
    """Rows of tables as their exact figures, by the id of the section that they stand in."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: dict[str, list[list[float]]] = {}
        self._section = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "section":
            self._section = given.get("id") or ""
        if tag == "tr":
            self.rows.setdefault(self._section, []).append([])
        if tag == "td" and given.get("data-x") not in (None, ""):
            self.rows[self._section][-1].append(float(given["data-x"] or "nan"))


def exact_rows(page: str) -> dict[str, list[list[float]]]:
    reader = Exact()
    reader.feed(page)
    return reader.rows


def test_the_formats_are_those_that_the_studies_write() -> None:
    assert compare_result.FORMAT == MIXES_FORMAT
    assert frontier_result.FORMAT == FRONTIER_FORMAT
    assert sweep_result.FORMAT == SWEEP_FORMAT


def test_figures_are_those_of_the_files(first: tuple[Site, Plan], tmp_path: Path) -> None:
    site, plan = first
    files(site, tmp_path)
    mixes, frontier = (
        read_mixes(tmp_path, network_of(site)),
        read_frontier(tmp_path, network_of(site)),
    )
    page = page_html(site, plan, studies=PageStudies(mixes, [frontier]))
    rows = exact_rows(page)
    figures: dict[str, Any] = MIX["figures"]  # type: ignore[assignment]
    shown = [
        [
            figures["firm_clean"],
            figures["firm_total"] - figures["firm_clean"],
            figures["firm_total"] / figures["demand_mean"],
            figures["mean_clean"],
            figures["mean_total"],
            figures["counted"],
            figures["money"],
            figures["materials"]["steel"],
            3.25,
            0.0,
        ]
    ]
    own = rows["mixes"][1]
    assert rows["mixes"][2:3] == shown
    assert own[0] == plan.power.firm_clean
    assert own[6] == plan.money
    assert own[7] == plan.materials[0].used
    assert rows["frontier-1"][1:] == [[p["given"], p["power_w"], p["bound_w"], 0.0] for p in POINTS]
    assert "A sentence." in page
    assert "&lt;b&gt;none&lt;/b&gt;" in page
    assert "no plan exists" in page


def test_the_bars_are_in_proportion(first: tuple[Site, Plan], tmp_path: Path) -> None:
    site, _ = first
    page = study_page(network_of(site), mixes=read_mixes(files(site, tmp_path), network_of(site)))
    clean, emitting = re.search(
        r'class="clean" style="width:([\d.]+)%"></i><i class="emitting" style="left:[\d.]+%;'
        r'width:([\d.]+)%"',
        page,
    ).groups()  # type: ignore[union-attr]
    assert float(clean) == pytest.approx(100 * 12_345.678 / 25_000, abs=1e-3)
    assert float(emitting) == pytest.approx(100 * 3000 / 25_000, abs=1e-3)


def test_the_curve_shows_no_more_than_is_known_between_points(
    first: tuple[Site, Plan], tmp_path: Path
) -> None:
    site, plan = first
    view = frontier_view(read_frontier(files(site, tmp_path), network_of(site)), plan)
    for _, _, _, drawing in view.drawings:
        corners = re.search(r'class="found" points="|points="([^"]+)" class="found"', str(drawing))
        assert corners is not None
        line = [tuple(map(float, pair.split(","))) for pair in corners[1].split()]
        start, before, after, level, end, _ = line
        assert before[1] == start[1]  # with less than the tap takes there is nothing
        assert after[0] == before[0]
        assert after[1] < before[1]
        assert level[0] > after[0]  # amounts alone may give more on the way: it is not known
        assert level[1] == after[1]
        assert end[0] == level[0]
        assert end[1] < level[1]
        assert str(drawing).count('class="jump"') == 1
        assert str(drawing).count('class="knee"') == 1
        assert str(drawing).count('class="chosen"') == 1
    (knee,) = view.knees
    assert knee.startswith("700 kg for 9 kW: up to the next point each unit gains 3.5 times less")
    assert frontier_view(read_frontier(tmp_path, network_of(site))).own == ""


Spoil = Callable[[dict[str, Any]], object]


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda facts: facts.update(format="allocator.plan/1"), "is no file of the format"),
        (lambda facts: facts["site"].update(sha256="0" * 64), "is of another site"),
        (lambda facts: facts.pop("site"), "is of another site"),
        (lambda facts: facts["mixes"][0]["figures"].pop("money"), "lacks what a comparison holds"),
        (lambda facts: facts["mixes"][0]["figures"].update(counted="much"), "lacks what"),
        (lambda facts: facts["mixes"][0]["figures"].update(firm_clean=True), "lacks what"),
        (lambda facts: facts.update(mixes=3), "lacks what"),
        (lambda facts: facts.update(mixes=[[]]), "lacks what"),
    ],
)
def test_a_damaged_comparison(
    first: tuple[Site, Plan], tmp_path: Path, spoil: Spoil, told: str
) -> None:
    path = files(first[0], tmp_path) / "comparison.json"
    facts = json.loads(path.read_text())
    spoil(facts)
    path.write_text(json.dumps(facts))
    with pytest.raises(StudyFileError, match=told) as raised:
        read_mixes(path, network_of(first[0]))
    assert len(raised.value.faults) == 1


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda facts: facts.update(points=[]), "lacks what a frontier holds"),
        (lambda facts: facts["points"].reverse(), "lacks what a frontier holds"),
        (lambda facts: facts["points"][0].update(power_w=None), "lacks what a frontier holds"),
        (lambda facts: facts.update(give="brass"), "a material that the site does not have"),
    ],
)
def test_a_damaged_frontier(
    first: tuple[Site, Plan], tmp_path: Path, spoil: Spoil, told: str
) -> None:
    path = files(first[0], tmp_path) / "frontier.json"
    facts = json.loads(path.read_text())
    spoil(facts)
    path.write_text(json.dumps(facts))
    with pytest.raises(StudyFileError, match=told):
        read_frontier(tmp_path, network_of(first[0]))


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda facts: facts.pop("site"), "is of another site"),
        (lambda facts: facts["points"][0]["quantiles"].pop(), "lacks what a sweep holds"),
        (lambda facts: facts["points"][0].update(draws="ten"), "lacks what a sweep holds"),
        (lambda facts: facts["effects"][0].pop("rank"), "lacks what a sweep holds"),
    ],
)
def test_a_damaged_sweep(first: tuple[Site, Plan], tmp_path: Path, spoil: Spoil, told: str) -> None:
    path = sweep_file(first[0], tmp_path) / "sweep.json"
    assert read_sweep(path, network_of(first[0])).points[0].kept == 7
    facts = json.loads(path.read_text())
    spoil(facts)
    path.write_text(json.dumps(facts))
    with pytest.raises(StudyFileError, match=told):
        read_sweep(path, network_of(first[0]))


def test_what_cannot_be_read_at_all(first: tuple[Site, Plan], tmp_path: Path) -> None:
    with pytest.raises(StudyFileError, match="cannot be opened"):
        read_mixes(tmp_path / "none", network_of(first[0]))
    (tmp_path / "frontier.json").write_text('{"format": "allocator.front')
    with pytest.raises(StudyFileError, match="is not whole JSON"):
        read_frontier(tmp_path, network_of(first[0]))
    (tmp_path / "frontier.json").write_bytes(b"\xff\xfe{")
    with pytest.raises(StudyFileError, match="UTF-8"):
        read_frontier(tmp_path, network_of(first[0]))
