"""The page: seconds to write, size, frames a second while the map is dragged and time runs.

For the harbour demo, for a drawn field of 100 sources (the baseline) and for one of 1,000. The
answers that are asserted: the page shows the plan's own figure, its size, and all its sources.
Frames are counted in chromium where it is installed, without a graphics card: a lower bound.
Of frames the median of five is told.
"""

from __future__ import annotations

import math
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from allocator.base.status import Status
from allocator.engine import plan_site
from allocator.network.reading import read_site
from allocator.plans.records import (
    Ceiling,
    DemandUse,
    Emissions,
    MachineUse,
    MaterialUse,
    PipeFlow,
    Plan,
    Power,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.report.page import page_html
from allocator.search import Settings
from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    Layer,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

ROOT = Path(__file__).parents[1]
HOUR = 3600.0
SHARE = 10
"""Sources to a hub."""


def field(number: int) -> tuple[Site, Plan]:
    """A field of hubs in a square grid, each with ten sources around it, a store and an engine.

    A source gives 10 g/s for 6 h of every 24 h; the store makes its mean of 2.5 g/s firm.
    """
    hubs = number // SHARE
    wide = math.ceil(math.sqrt(hubs))
    places, sources, routes = {}, {}, {}
    uses, stores, runs, machines = [], [], [], []
    for h in range(hubs):
        x, y = 1000.0 * (h % wide), 1000.0 * (h // wide)
        hub = f"hub_{h}"
        places[hub] = Place(hub, x, y)
        for k in range(SHARE):
            name, turn = f"well_{h}_{k}", 2 * math.pi * k / SHARE
            places[name] = Place(name, x + 330 * math.cos(turn), y + 330 * math.sin(turn))
            sources[name] = Source(name, name, "gas", 0.01, (Stage(6 * HOUR, 24 * HOUR),))
            routes[name] = Route(name, name, hub, 330.0, ("dn25",))
            uses.append(SourceUse(name, True, True, {f"store:holder@{hub}": 0.01}))
            flow = PipeFlow(name, hub, "collect", hub, 0.01)
            runs.append(Run(name, "dn25", "gas", True, (flow,)))
        if h:  # a way to the hub before, which nothing is laid on
            routes[f"way_{h}"] = Route(f"way_{h}", f"hub_{h - 1}", hub, 1000.0, ("dn25",))
        stores.append(
            StoreUse(f"holder@{hub}", "holder", hub, "gas", 1620.0, 1620.0, None, {"flat": 0.025})
        )
        machines.append(MachineUse(f"engine@{hub}", "engine", hub, 1, 1, 1, 1.0))
    gas = Fluid("gas", heating_value=17e6)
    engine = MachineType("engine", {"gas": 0.025}, {}, {f"hub_{h}": 1 for h in range(hubs)}, 150e3)
    holder = StoreType("holder", "gas", tuple(f"hub_{h}" for h in range(hubs)), 2000.0)
    site = Site(
        name=f"A field of {number}",
        fluids={"gas": gas},
        materials={"steel": Material("steel", stock=1e6)},
        places=places,
        sources=sources,
        storage={"holder": holder},
        pipes={"dn25": PipeType("dn25", 0.02, (Layer("steel", 2.5),))},
        routes=routes,
        machines={"engine": engine},
        demands={"town": Demand("town", POWER, 150e3 * hubs)},
        sha256="0" * 64,
    )
    power = 150e3 * hubs
    plan = Plan(
        site_name=site.name,
        site_sha256=site.sha256,
        basis="firm",
        status=Status.OPTIMAL,
        goals=(),
        ceiling=Ceiling(power, power),
        power=Power(power, power, power, power, power, 1.0),
        sources=tuple(uses),
        stores=tuple(stores),
        batteries=(),
        runs=tuple(runs),
        lines=(),
        machines=tuple(machines),
        demands=(DemandUse("town", POWER, power, 1.0, 0.0),),
        materials=(MaterialUse("steel", 330 * 2.5 * number, 1e6),),
        emissions=Emissions(0.0, 0.0),
        money=0.0,
    )
    return site, plan


BARE = """<!doctype html><html data-ready><div id="map" style="width:1100px;height:750px"></div>
<script>let h = null; map.onpointerdown = e => h = e; map.onpointermove = e => {
if (h) map.style.transform = `translate(${e.clientX - h.clientX}px,0)`; }</script></html>"""
"""A page with nothing on it but what is dragged: the frames that the machine has to give."""

RUNS = 5
"""Measurements of which the median is told."""
SECONDS = 2.0
"""How long frames are counted in each."""
COUNT = "window.seen = 0; const on = () => { seen += 1; requestAnimationFrame(on); }; on()"


@dataclass(frozen=True)
class Frames:
    """Seconds until a page is open; frames a second while its map is dragged, and while its time

    slider runs (None without one), and main-thread ms of work a frame in both."""

    opened: float
    dragged: float
    drag_work: float
    running: float | None = None
    run_work: float = 0.0


def frames(page: str) -> Frames:
    """One measurement of a page in chromium."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as tool:
        path = Path(folder) / "page.html"
        path.write_text(page, encoding="utf-8")
        switches = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        browser = tool.chromium.launch(executable_path=shutil.which("chromium"), args=switches)
        tab = browser.new_page(viewport={"width": 1280, "height": 900})
        start = time.perf_counter()
        tab.goto(path.as_uri())
        tab.wait_for_selector("html[data-ready]")
        opened = time.perf_counter() - start
        tab.evaluate("document.querySelector('#map').scrollIntoView()")
        tab.evaluate(COUNT)
        work = tab.context.new_cdp_session(tab)
        work.send("Performance.enable")

        def drag() -> None:
            turn, start = 0, time.perf_counter()
            while time.perf_counter() - start < SECONDS:
                turn += 1
                tab.mouse.move(440 + 90 * math.sin(turn / 9), 400 + 60 * math.cos(turn / 7))

        running: float | None = None
        run_work = 0.0
        if tab.locator("#play:visible").count():
            tab.locator("#play").click()
            running, run_work = _counted(tab, work, lambda: tab.wait_for_timeout(1000 * SECONDS))
            tab.locator("#play").click()
            tab.locator("#off").click()
        for button in tab.get_by_role("button", name="zoom in").all():
            button.click()
        tab.mouse.move(440, 400)
        tab.mouse.down()
        tab.mouse.move(450, 405)
        dragged, drag_work = _counted(tab, work, drag)
        tab.mouse.up()
        browser.close()
        return Frames(opened, dragged, drag_work, running, run_work)


def _counted(tab: Any, work: Any, act: Callable[[], object]) -> tuple[float, float]:
    """Frames a second and main-thread ms a frame while something is done."""
    before, seen, start = _busy(work), tab.evaluate("seen"), time.perf_counter()
    act()
    number = max(1, tab.evaluate("seen") - seen)
    rate = number / (time.perf_counter() - start)
    return rate, 1000.0 * (_busy(work) - before) / number


def _busy(work: Any) -> float:
    metrics = work.send("Performance.getMetrics")["metrics"]
    return float(next(m["value"] for m in metrics if m["name"] == "TaskDuration"))


def drawn(page: str) -> str:
    """What a browser makes of it, in words: medians."""
    if shutil.which("chromium") is None:
        return "no chromium"
    found = [frames(page) for _ in range(RUNS)]
    bare = median(frames(BARE).dragged for _ in range(RUNS))
    dragged, running = median(f.dragged for f in found), median(f.running or 0.0 for f in found)
    words = f"opens in {median(f.opened for f in found):.2f} s; panning {dragged:.0f} frames a "
    words += f"second ({dragged / bare:.0%} of a bare page's), "
    words += f"{median(f.drag_work for f in found):.1f} ms of work a frame; time slider "
    return words + f"{running:.0f}, {median(f.run_work for f in found):.1f} ms"


def measure(name: str, site: Site, plan: Plan, baseline: float | None) -> float:
    """Write the page, assert what it shows, print seconds, size and frames."""
    start = time.perf_counter()
    page = page_html(site, plan)
    seconds = time.perf_counter() - start
    size = len(page.encode("utf-8"))
    assert f'<data value="{plan.power.firm_clean!r}">' in page
    assert page.count('class="thing source') == len(site.sources)
    assert seconds < 2.0 or len(site.sources) > 100
    assert size < (15e6 if len(site.sources) > 100 else 6e6)
    ratio = "" if baseline is None else f", {seconds / baseline:.1f} times the field of 100"
    print(f"{name}: {seconds:.2f} s{ratio}, {size / 1e6:.2f} MB, {drawn(page)}")
    return seconds


if __name__ == "__main__":
    page_html(*field(20))  # imports and templates
    small = measure("field of 100", *field(100), baseline=None)
    measure("field of 1,000", *field(1000), baseline=small)
    harbour = read_site(ROOT / "networks" / "harbour_capacities.yaml")
    plan = plan_site(harbour, Settings(time_limit=30)).plan
    measure("harbour", harbour, plan, baseline=small)
