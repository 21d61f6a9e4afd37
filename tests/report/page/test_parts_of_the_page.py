"""Parts of the page that work together, in a browser: time, build order, lists, search, paper."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from study_results import files, sweep_file

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import MachineUse, Plan, Run, SourceUse, StoreUse
from allocator.report.page import PageStudies, page_html
from allocator.report.page.drawing import existing_plan
from allocator.report.page.study_files import read_frontier, read_mixes, read_sweep
from allocator.site.records import POWER, Site

NETWORKS = Path(__file__).parents[3] / "networks"
Show = Callable[..., Any]


def harbour_in_full() -> tuple[Site, Plan]:
    """The demo with a source connected, a store and machines everywhere, a pipe on every route."""
    site = network_of(read_site(NETWORKS / "harbour_capacities.yaml"))
    runs = []
    for route in site.routes.values():
        build = site.pipes[route.pipes[0]]
        if route.stream is None or route.stream.kind == "pipe":
            fluid = build.fluids[0] if build.fluids else "raw_gas"
            runs.append(Run(route.name, build.name, fluid, True))
    stores = tuple(
        StoreUse(f"{kind.name}@{at}", kind.name, at, kind.holds, 100.0, 100.0, None, {"flat": 1e-3})
        for kind in site.storage.values()
        for at in kind.places
        if kind.holds != POWER
    )
    machines = tuple(
        MachineUse(f"{kind.name}@{at}", kind.name, at, 2, 2, 2, 1.0)
        for kind in site.machines.values()
        for at in kind.places
    )
    sources = tuple(SourceUse(name, True, True) for name in site.own_sources)
    plan = replace(existing_plan(site), sources=sources, stores=stores, machines=machines)
    return site, replace(plan, runs=tuple(runs), cautions=("Mind the gas.",) * 12)


@pytest.fixture
def shown(browser: Any, tmp_path: Path) -> Iterator[Show]:
    """Shows a page of a plan; at the end nothing must have gone wrong in it."""
    said: list[str] = []
    contexts = []

    def show(site: Site, plan: Plan, width: int = 1280, **parts: Any) -> Any:
        path = tmp_path / "page.html"
        path.write_text(page_html(site, plan, **parts), encoding="utf-8")
        contexts.append(browser.new_context(viewport={"width": width, "height": 900}))
        page = contexts[-1].new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready]")
        return page

    yield show
    for context in contexts:
        context.close()
    assert said == []


def seek(page: Any, pick: str, value: float) -> None:
    page.locator(pick).evaluate(
        "(e, v) => { e.value = v; e.dispatchEvent(new Event('input')); }", str(value)
    )


def test_the_time_slider_drives_strips_and_map(shown: Show, first: tuple[Site, Plan]) -> None:
    """The digester is on for the first quarter of each day; its pipe flows then."""
    page = shown(*first)
    source, pipe = page.locator("#map .source.tapped").first, page.locator("#map .run").first
    assert not page.locator("#cursor").is_visible()
    seek(page, "#time", 1000 / 36)  # 2 h of 3 d
    assert "on" in (source.get_attribute("class") or "").split()
    assert "still" not in (pipe.get_attribute("class") or "")
    assert re.search(r"1 of 1 sources on, [\d.]+ g/s", page.locator("#time-words").inner_text())
    before = page.locator("#cursor").bounding_box()["x"]
    seek(page, "#time", 1000 / 6)  # 12 h
    assert "off" in (source.get_attribute("class") or "").split()
    assert "still" in (pipe.get_attribute("class") or "")
    assert page.locator("#cursor").bounding_box()["x"] > before
    opacity = "getComputedStyle(document.querySelector('#map .run .pipe')).opacity"
    assert page.evaluate(opacity) == "1"  # thin, not faint
    page.get_by_role("button", name="All times").click()
    assert not page.locator("#cursor").is_visible()
    page.get_by_role("button", name="Run", exact=True).click()
    page.locator("#time-words", has_text="1 sources on").or_(
        page.locator("#time-words", has_text="0 of 1")
    ).wait_for()
    page.get_by_role("button", name="Pause").click()


def test_values_are_read_under_the_pointer(shown: Show, first: tuple[Site, Plan]) -> None:
    page = shown(*first)
    page.locator("#strips").evaluate("e => e.scrollIntoView({block: 'center'})")
    block = page.locator("#strips .on").first.bounding_box()
    page.mouse.move(block["x"] + 3, block["y"] + 5)
    assert re.search(r"digester on, [\d.]+ g/s", page.locator("#tip").inner_text())
    page.mouse.click(block["x"] + 3, block["y"] + 5)
    assert page.locator("#cursor").is_visible()


def test_stepping_lights_what_is_built_so_far(shown: Show, first: tuple[Site, Plan]) -> None:
    page = shown(*first)
    steps = int(page.locator("#step").get_attribute("max"))
    assert page.locator("#bars .step").count() == steps
    seek(page, "#step", 0)
    new = page.locator("#map .later").count()
    assert new >= 4  # pipe, store, machine, connection
    page.get_by_role("button", name="Step on").click()
    assert page.locator("#map .later").count() < new
    assert page.locator("#step-words").inner_text().startswith(f"1 of {steps}: ")
    page.locator("#build").get_by_role("button", name="All").click()
    assert page.locator("#map .later").count() == 0
    assert page.locator("#bars .spells").count() == 0
    page.locator("#crew").fill("100")
    assert page.locator("#bars .spells").count() == 1
    assert "d" in page.locator("#bars text.tick").last.text_content()


def test_rows_and_the_flow_picture_light_the_map(shown: Show, first: tuple[Site, Plan]) -> None:
    page = shown(*first)
    page.locator('#list-sources_used tr[data-t="source:digester"]').hover()
    assert page.locator("#map .source.lit").count() == 1
    assert page.locator('#balance .ribbon.lit[data-from="source:digester"]').count() == 1
    page.locator("#map .run .grip").first.hover(force=True)
    assert page.locator("#map .source.lit").count() == 0
    assert page.locator("#list-runs tr.lit").count() == 1


def test_search_finds_things_and_rows(shown: Show, inlet_nodes: tuple[Site, Plan]) -> None:
    page = shown(*inlet_nodes)
    rows = page.locator("#lists tbody tr:not([hidden])").count()
    page.locator("#find").fill("engine")
    found = page.locator("#map .match").count()
    assert page.locator("#found").inner_text() == f"{found} found"
    assert 0 < page.locator("#lists tbody tr:not([hidden])").count() < rows
    page.locator("#find").press("Enter")
    assert "engine" in page.locator("#card h3").inner_text()
    page.locator("#find").press("Escape")
    assert page.locator("#lists tbody tr:not([hidden])").count() == rows
    page.locator("#find").fill("no such thing")
    assert page.locator("#found").inner_text() == "none found"


@pytest.mark.parametrize("width", [1280, 1024])
def test_tables_fit_their_box_and_the_rest_is_on_demand(shown: Show, width: int) -> None:
    page = shown(*harbour_in_full(), width=width)
    page.evaluate("for (const d of document.querySelectorAll('#lists details')) d.open = true")
    wide = """[...document.querySelectorAll('#lists .scroll')]
        .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))"""
    assert page.evaluate(wide) == []
    heads = "[...document.querySelectorAll('#list-build_order th')].filter(e => e.offsetWidth > 0)"
    few = page.evaluate(f"{heads}.length")
    page.locator("details", has=page.locator("#list-build_order")).locator(".columns").click()
    assert page.evaluate(f"{heads}.length") > few


def test_one_chart_is_shown_at_a_time(shown: Show, inlet_nodes: tuple[Site, Plan]) -> None:
    page = shown(*inlet_nodes)
    figures = page.locator("#curves > figure")
    assert figures.count() >= 2
    assert page.locator("#curves > figure:visible").count() == 1
    last = page.locator("#draws option").last.inner_text()
    page.locator("#draws select").select_option(last)
    assert page.locator("#curves > figure:visible h3").inner_text() == last


def test_studies_are_tabs(shown: Show, first: tuple[Site, Plan], tmp_path: Path) -> None:
    network = network_of(first[0])
    files(first[0], tmp_path)
    sweep_file(first[0], tmp_path)
    studies = PageStudies(
        read_mixes(tmp_path, network),
        [read_frontier(tmp_path, network)],
        [read_sweep(tmp_path, network)],
    )
    page = shown(*first, studies=studies)
    assert page.get_by_role("tab").count() == 3
    assert page.locator("#mixes").is_visible()
    assert not page.locator("#frontier-1").is_visible()
    page.get_by_role("tab").first.focus()
    page.keyboard.press("ArrowLeft")
    assert page.locator("#sweep-1").is_visible()
    assert not page.locator("#mixes").is_visible()
    assert "12 kW" in page.locator("#sweep-1").inner_text()
    assert "70 % of 10 draws" in page.locator("#sweep-1").inner_text()


def test_a_full_plan_prints_on_six_pages_with_the_map_first(shown: Show) -> None:
    page = shown(*harbour_in_full())
    printed = page.pdf(prefer_css_page_size=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 6
    page.emulate_media(media="print")
    top = "document.querySelector({!r}).getBoundingClientRect().top"
    assert page.evaluate(top.format("#map")) < page.evaluate(top.format("#said"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_at_all_in_the_demo(browser: Any, tmp_path: Path, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    path = tmp_path / "page.html"
    path.write_text(page_html(*harbour_in_full()), encoding="utf-8")
    context = browser.new_context(
        viewport={"width": 1280, "height": 900}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]")
    seek(page, "#time", 300)
    page.locator("#map .run .grip").first.hover(force=True)
    found = Axe().run(page).response["violations"]
    context.close()
    assert [f"{fault['id']}: {fault['nodes'][0]['html'][:120]}" for fault in found] == []


def test_the_first_screen_says_what_why_and_what_first(
    shown: Show, first: tuple[Site, Plan]
) -> None:
    """All of it above the fold of a small laptop, beside the map."""
    page = shown(*first)
    for words in ("What is built", "What holds it back", "What to do first"):
        box = page.get_by_role("heading", name=words).bounding_box()
        assert box["y"] + box["height"] < 900
    link = page.get_by_role("link", name=re.compile("caution"))
    assert link.bounding_box()["y"] < 900
    told, drawn = page.locator("#said").bounding_box(), page.locator("#map").bounding_box()
    assert drawn["x"] + drawn["width"] <= told["x"]
    assert drawn["y"] + drawn["height"] <= 900


def test_on_a_phone_the_time_slider_does_not_cover_the_first_screen(
    shown: Show, first: tuple[Site, Plan]
) -> None:
    page = shown(*first, width=400)
    page.set_viewport_size({"width": 400, "height": 400})
    clock = page.locator(".clock")
    clock.wait_for(state="hidden")
    page.locator("#map").scroll_into_view_if_needed()
    clock.wait_for(state="visible")
    page.set_viewport_size({"width": 1280, "height": 900})
    page.evaluate("scrollTo(0, 0)")
    assert clock.is_visible()


def test_a_long_figure_does_not_run_into_its_words(shown: Show, first: tuple[Site, Plan]) -> None:
    site, plan = first
    page = shown(replace(site, currency="EUR"), replace(plan, money=123_456_789.0))
    over = """[...document.querySelectorAll('.said li')].filter(
        e => e.children[0].scrollWidth > e.children[0].clientWidth + 1).map(e => e.innerText)"""
    grid = """[...document.querySelectorAll('.said li')].filter(e => {
        const range = document.createRange(); range.selectNodeContents(e.children[0]);
        return range.getBoundingClientRect().right > e.children[1].getBoundingClientRect().left;
        }).map(e => e.innerText)"""
    assert page.evaluate(over) == page.evaluate(grid) == []


def test_labels_of_two_pipes_on_one_route_are_apart(shown: Show, first: tuple[Site, Plan]) -> None:
    """The second pipe of a route is drawn bent; its label is beyond the bend, not on the first."""
    site, plan = first
    run, pipe = plan.runs[0], site.pipes[plan.runs[0].build]
    other = next(fluid for fluid in site.fluids if fluid != run.fluid)
    second = replace(run, fluid=other, flows=())
    pipes = {**site.pipes, run.build: replace(pipe, fluids=())}
    page = shown(replace(site, pipes=pipes), replace(plan, runs=(run, second)))
    boxes = page.evaluate(
        """[...document.querySelectorAll('.pipe-labels text')].map(e => {
            const b = e.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom] })"""
    )
    pipes_met = page.evaluate(
        """[...document.querySelectorAll('.pipe-labels > g')]
            .filter(g => g.style.display !== 'none')
            .map(g => { const m = g.getCTM(), near = [];
                document.querySelectorAll('.run path.pipe').forEach((path, k) => {
                    const n = path.getTotalLength(), t = path.getCTM();
                    for (let i = 0; i <= 60; i++) {
                        const p = path.getPointAtLength(n * i / 60).matrixTransform(t);
                        if (Math.hypot(p.x - m.e, p.y - m.f) < 5) { near.push(k); break; }
                    } });
                return near; })"""
    )
    assert len(boxes) == 2
    assert pipes_met == [[], []]
