"""The page in a real browser: it opens quietly, and every control does what it says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hostile_cove import EMOJI, HOSTILE, HOSTILE_PLAN, QUOTED, RIGHT_TO_LEFT, SCRIPT
from study_results import files

from allocator.engine import simulate_plan
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.report.page import PageStudies, page_html, study_page
from allocator.report.page.drawing import existing_plan
from allocator.report.page.simulation import simulation_of
from allocator.report.page.study_files import read_frontier, read_mixes
from allocator.simulation import SimulationSettings
from allocator.simulation.files import simulation_files
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[3] / "networks"
Open = Callable[..., Any]


@pytest.fixture
def opened(browser: Any, tmp_path: Path) -> Iterator[Open]:
    """Opens a page of a plan; at the end nothing must have been said or asked for."""
    said: list[str] = []
    asked: list[str] = []
    contexts = []

    def open_page(
        site: Site,
        plan: Plan,
        simulation: Any = None,
        mixes: Any = None,
        frontiers: Any = (),
        **context: Any,
    ) -> Any:
        path = tmp_path / "page.html"
        text = page_html(site, plan, simulation, studies=PageStudies(mixes, frontiers))
        path.write_text(text, encoding="utf-8")
        context.setdefault("viewport", {"width": 1280, "height": 900})
        contexts.append(browser.new_context(**context))
        page = contexts[-1].new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda dialog: (said.append("dialog"), dialog.dismiss()))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready]")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert said == []
    outside = [url for url in asked if not url.startswith(("file:", "data:"))]
    assert outside == []


def test_all_parts_are_there(opened: Open, inlet_nodes: tuple[Site, Plan]) -> None:
    page = opened(*inlet_nodes)
    for part in ("#site-map", "#flows", "#times", "#draws", "#stock", "#search", "#lists"):
        assert page.locator(part).count() == 1, part
    assert page.locator("#map .run").count() >= 1
    assert page.locator("#map .line").count() == len(inlet_nodes[1].lines)
    assert page.locator("#strips .on").count() >= 1
    assert page.locator("#draws svg polyline").count() >= 1
    assert page.locator("#balance .ribbon").count() >= 3
    heads = page.locator("#list-build_order thead th").count()
    assert heads >= 6


def test_the_switch_changes_widths(opened: Open, first: tuple[Site, Plan]) -> None:
    page = opened(*first)
    width = "getComputedStyle(document.querySelector('#map .run .pipe')).strokeWidth"
    before = page.evaluate(width)
    assert page.locator("#map").get_attribute("data-layer") == "mean"
    page.get_by_label("firm supply").check()
    assert page.locator("#map").get_attribute("data-layer") == "supply"
    assert page.evaluate(width) != before
    page.get_by_label("all sources on").check()
    assert page.locator("#map").get_attribute("data-layer") == "collect"
    faded = "[...document.querySelectorAll('.pipe')].filter(p => getComputedStyle(p).opacity < 1)"
    assert page.evaluate(f"{faded}.length") == 0


def test_hover_and_keys_tell_figures(opened: Open, first: tuple[Site, Plan]) -> None:
    page = opened(*first)
    page.locator("#map .source").first.hover()
    card = page.locator("#card")
    assert "digester: new connection" in card.inner_text()
    assert "12 g/s" in card.inner_text()
    symbol, shown = page.locator("#map .source").first.bounding_box(), card.bounding_box()
    assert abs(shown["x"] - symbol["x"]) < 60  # where the pointer is
    page.locator("#map").focus()
    seen = set()
    for _ in range(4):
        page.keyboard.press("n")
        seen.add(card.locator("h3").inner_text())
    assert len(seen) >= 3
    page.keyboard.press("Escape")
    assert not card.is_visible()


def test_the_map_zooms_and_moves(opened: Open, first: tuple[Site, Plan]) -> None:
    page = opened(*first)
    view = "document.querySelector('#map').getAttribute('viewBox').split(' ').map(Number)"
    whole = page.evaluate(view)
    page.locator("#map").focus()
    page.keyboard.press("+")
    near = page.evaluate(view)
    assert near[2] < whole[2]
    page.keyboard.press("ArrowRight")
    assert page.evaluate(view)[0] > near[0]
    page.keyboard.press("0")
    assert page.evaluate(view) == whole
    page.get_by_role("button", name="zoom in").click()
    near = page.evaluate(view)
    box = page.locator("#map").bounding_box()
    page.mouse.move(box["x"] + 300, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 200, box["y"] + 200, steps=4)
    page.mouse.up()
    assert page.evaluate(view)[0] > near[0]


def test_what_is_not_built_can_be_hidden(opened: Open) -> None:
    page = opened(HOSTILE, HOSTILE_PLAN)
    shown = "getComputedStyle(document.querySelector('#map .unbuilt')).display"
    assert page.locator("#map .unbuilt path").count() == 1
    assert page.evaluate(shown) == "inline"
    page.get_by_label("not built").uncheck()
    assert page.evaluate(shown) == "none"


def test_tables_sort_by_figure_both_ways(opened: Open, inlet_nodes: tuple[Site, Plan]) -> None:
    page = opened(*inlet_nodes)
    page.locator("details", has=page.locator("#list-bill_of_materials")).evaluate("d => d.open = 1")
    table = page.locator("#list-bill_of_materials")
    heads = [text.split()[0] for text in table.locator("thead th").all_inner_texts()]
    column = heads.index("mass,")
    cells = f"#list-bill_of_materials tbody tr td:nth-child({column + 1})"
    figures = f"[...document.querySelectorAll('{cells}')].flatMap(c => +c.dataset.x || [])"
    table.locator("thead th button").nth(column).click()
    assert table.locator("thead th").nth(column).get_attribute("aria-sort") == "ascending"
    rising = page.evaluate(figures)
    assert rising == sorted(rising)
    assert len(rising) > 3
    table.locator("thead th button").nth(column).click()
    assert page.evaluate(figures) == sorted(rising, reverse=True)


def test_a_table_is_copied_with_all_digits(opened: Open, first: tuple[Site, Plan]) -> None:
    page = opened(*first, permissions=["clipboard-read", "clipboard-write"])
    page.locator("details", has=page.locator("#list-store_sizes")).get_by_role(
        "button", name="Copy"
    ).click()
    page.get_by_text("Copied").wait_for()
    text = page.evaluate("navigator.clipboard.readText()")
    rows = [row.split("\t") for row in text.split("\n")]
    assert rows[1][0] == "gas_holder@mill"
    assert "firm output kg/s" in rows[0]  # the unit of what is copied, whatever is shown
    assert f"{first[1].stores[0].size:.9g}" in rows[1]


def test_the_span_is_chosen(opened: Open, first: tuple[Site, Plan]) -> None:
    page = opened(*first)
    every = page.locator("#span-words").inner_text()
    page.get_by_role("button", name="1 day").click()
    assert page.locator("#span-words").inner_text() != every
    # the digester is on for 6 h of every 24 h: one block of a quarter of the width
    box = page.locator("#strips .on").first.bounding_box()
    grid = page.locator("#strips .grid").first.bounding_box()
    assert box["width"] == pytest.approx(grid["width"] / 4, rel=0.02)


def test_paper_shows_what_is_built(opened: Open, first: tuple[Site, Plan]) -> None:
    page = opened(*first)
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("document.querySelectorAll('details.paper:not([open])').length") == 0
    assert not page.locator("nav").is_visible()
    assert page.locator("#list-runs").is_visible()
    assert len(page.pdf()) > 20_000
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.evaluate("document.querySelectorAll('details:not([open])').length") > 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_has_no_sideways_scroll(
    opened: Open, inlet_nodes: tuple[Site, Plan], scheme: str
) -> None:
    page = opened(*inlet_nodes, viewport={"width": 400, "height": 800}, color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= 400


def test_hostile_names_are_words_and_nothing_more(opened: Open) -> None:
    page = opened(HOSTILE, HOSTILE_PLAN)
    words = page.evaluate("document.body.textContent")
    for name in (SCRIPT, QUOTED, RIGHT_TO_LEFT, EMOJI):
        assert name in words
    assert page.evaluate("document.querySelectorAll('script').length") == 2
    page.locator("#map").focus()
    told = set()
    for _ in range(12):
        page.keyboard.press("n")
        told.add(page.locator("#card").inner_text())
    assert any(SCRIPT in text for text in told)


def test_dragging_the_map_lays_nothing_out_again(
    opened: Open, inlet_nodes: tuple[Site, Plan]
) -> None:
    """Strokes that do not scale with the map are worked out anew when the map itself is moved."""
    page = opened(*inlet_nodes)
    page.get_by_role("button", name="zoom in").click()
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable")
    box = page.locator("#map").bounding_box()
    x, y = box["x"] + 300, box["y"] + 200
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 10, y)
    counts = []
    for step in range(2):
        for k in range(30):
            page.mouse.move(x + 10 + k, y + k + step)
            page.evaluate("new Promise(requestAnimationFrame)")
        metrics = session.send("Performance.getMetrics")["metrics"]
        counts.append(next(m["value"] for m in metrics if m["name"] == "LayoutCount"))
    page.mouse.up()
    assert counts[1] - counts[0] <= 3


LABELS = """
() => {
  const box = e => e.getBoundingClientRect(), frame = box(document.querySelector('#map'));
  const seen = [...document.querySelectorAll('.labels > g')]
    .filter(g => getComputedStyle(g).display !== 'none').map(g => box(g.querySelector('text')));
  const meet = (a, b) => a.left + 3 < b.right && b.left + 3 < a.right
    && a.top + 3 < b.bottom && b.top + 3 < a.bottom;
  const symbols = [...document.querySelectorAll('.things .thing:not(.spot)')]
    .filter(e => box(e).width > 0).map(box);
  const within = seen.filter(a => a.left >= frame.left - 1 && a.right <= frame.right + 1
    && a.top >= frame.top - 1 && a.bottom <= frame.bottom + 1);
  return {
    shown: seen.length, within: within.length,
    crossed: seen.filter((a, i) => seen.some((b, j) => j < i && meet(a, b))).length,
    covered: seen.filter(a => symbols.some(b => meet(a, b))).length,
    cut: symbols.filter(b => b.right > frame.right + 1 || b.left < frame.left - 1).length,
  };
}
"""


@pytest.mark.parametrize("width", [1280, 400])
def test_labels_keep_clear_of_each_other_and_of_symbols(opened: Open, width: int) -> None:
    site = read_site(NETWORKS / "harbour_capacities.yaml")
    page = opened(site, existing_plan(network_of(site)), viewport={"width": width, "height": 800})
    whole = page.evaluate(LABELS)
    assert whole["shown"] >= (20 if width > 640 else 3)
    for view in range(2):
        found = page.evaluate(LABELS)
        assert found["within"] == found["shown"]
        assert found["crossed"] == found["covered"] == 0
        if view == 0:
            assert found["cut"] == 0
            for _ in range(3):
                page.get_by_role("button", name="zoom in").click()


def serious_faults(page: Any) -> list[str]:
    """What axe-core (Deque), whose rules follow WCAG 2.2, calls serious or critical, unfolded."""
    from axe_playwright_python.sync_playwright import Axe

    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    found = Axe().run(page).response
    assert len(found["passes"]) >= 15
    return [
        f"{fault['id']}: {fault['nodes'][0]['html'][:120]}"
        for fault in found["violations"]
        if fault["impact"] in ("serious", "critical")
    ]


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(
    opened: Open, inlet_nodes: tuple[Site, Plan], tmp_path: Path, scheme: str
) -> None:
    site, plan = inlet_nodes
    studies = files(site, tmp_path, give=next(iter(site.materials)))
    page = opened(
        site,
        plan,
        mixes=read_mixes(studies, network_of(site)),
        frontiers=[read_frontier(studies, network_of(site))],
        color_scheme=scheme,
        bypass_csp=True,
    )
    assert serious_faults(page) == []
    page.evaluate("document.querySelector('#layers input').setAttribute('role', 'nonsense')")
    assert serious_faults(page) != []  # it looks


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_of_studies_are_sound_too(
    browser: Any, first: tuple[Site, Plan], tmp_path: Path, scheme: str
) -> None:
    site = first[0]
    files(site, tmp_path)
    pages = {
        "mixes": study_page(network_of(site), mixes=read_mixes(tmp_path, network_of(site))),
        "frontier": study_page(
            network_of(site), frontier=read_frontier(tmp_path, network_of(site))
        ),
    }
    context = browser.new_context(
        viewport={"width": 400, "height": 800}, color_scheme=scheme, bypass_csp=True
    )
    for name, text in pages.items():
        said: list[str] = []
        path = tmp_path / f"{name}.html"
        path.write_text(text, encoding="utf-8")
        page = context.new_page()
        page.on("console", lambda message, said=said: said.append(message.text))
        page.on("pageerror", lambda error, said=said: said.append(str(error)))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-tables]")
        assert page.evaluate("document.documentElement.scrollWidth") <= 400
        assert serious_faults(page) == []
        column = page.locator("table.sortable").first.locator("thead th").nth(1)
        column.get_by_role("button").click()
        assert column.get_attribute("aria-sort") == "ascending"
        assert said == []
    context.close()


CONTRAST = """
() => {
  const parse = c => c.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = e => { for (; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] > 0) return c; }
    return [255, 255, 255]; };
  const poor = [];
  const words = 'p,li,td,th,h1,h2,h3,button,label,summary,dt,dd,small,a,figcaption,span,data';
  for (const e of document.querySelectorAll(words)) {
    const shown = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    if (!shown || e.closest('.sr,.skip') || !e.getClientRects().length) continue;
    const a = light(parse(getComputedStyle(e).color)), b = light(ground(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) poor.push(e.tagName + ratio.toFixed(2) + e.textContent.slice(0, 40));
  }
  return poor;
}
"""
"""WCAG 2.2, success criterion 1.4.3, with relative luminance as it defines it: 4.5 to 1."""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_and_controls_have_names(
    opened: Open, inlet_nodes: tuple[Site, Plan], scheme: str
) -> None:
    page = opened(*inlet_nodes, color_scheme=scheme)
    assert page.evaluate(CONTRAST) == []
    nameless = page.evaluate(
        """() => [...document.querySelectorAll('button,input,[role=img],[role=region]')]
        .filter(e => !(e.getAttribute('aria-label') || e.textContent.trim()
                       || (e.labels && e.labels.length))).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert nameless == []
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(h => +h.tagName[1])")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert page.evaluate("document.documentElement.lang") == "en"
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))


def test_levels_of_a_simulation_are_drawn_beside_the_strips(
    opened: Open, first: tuple[Site, Plan], tmp_path: Path
) -> None:
    site, plan = first
    trace = simulate_plan(site, plan, SimulationSettings(days=20, phases=1, adversarial=False))
    texts = simulation_files(trace)
    levels = texts["levels.csv"]
    found = simulation_of(texts["simulation.json"], levels, plan, None, tmp_path)
    page = opened(site, plan, found)
    assert page.locator("#strips .level").count() == len(trace.recording.tanks) > 0
    assert "simulated: firm output kept" in page.locator("header").inner_text()
    page.get_by_role("button", name="1 week").click()
    assert page.locator("#span-words").inner_text() == "0 s to 7 d"
    page.locator("#time").fill("1000")
    assert page.locator("#span-words").inner_text() == "13 d to 20 d"
