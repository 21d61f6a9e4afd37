"""The pictures of the guide, drawn again: the first screen of the demo's page, and its map.

Plans ``networks/harbour.yaml`` (a minute), or takes the folder of a plan of it, and writes
``networks/harbour_page.png`` and ``networks/harbour_map.svg``:

    python benchmarks/pictures.py [PLAN_FOLDER]
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from allocator.engine import plan_site, simulate_plan
from allocator.network.reading import read_site
from allocator.plans.file import read_plan
from allocator.plans.records import Plan
from allocator.report.page import page_html
from allocator.report.page.drawing import plan_svg
from allocator.report.page.simulation import Simulation, read_simulation, simulation_of
from allocator.search import Settings
from allocator.simulation import SimulationSettings
from allocator.simulation.files import simulation_files
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[1] / "networks"
WIDE, TALL = 1280, 900
LARGEST = 300_000
"""Bytes that a picture of the guide may have."""


def planned(site: Site, folder: str | None) -> tuple[Plan, Simulation]:
    """The plan in a folder with its simulation, or a new one."""
    if folder is not None:
        plan = read_plan(Path(folder) / "plan.json")
        return plan, read_simulation(folder, plan)
    plan = plan_site(site, Settings(time_limit=60)).plan
    trace = simulate_plan(site, plan, SimulationSettings(days=20, phases=1, adversarial=False))
    texts = simulation_files(trace)
    path = Path("simulation.json")
    return plan, simulation_of(texts[path.name], texts["levels.csv"], plan, None, path)


def screen(page: str) -> bytes:
    """The first screen of a page as PNG."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as tool:
        path = Path(folder) / "page.html"
        path.write_text(page, encoding="utf-8")
        switches = ["--no-sandbox", "--disable-gpu"]
        browser = tool.chromium.launch(executable_path=shutil.which("chromium"), args=switches)
        tab = browser.new_page(viewport={"width": WIDE, "height": TALL}, color_scheme="light")
        tab.goto(path.as_uri())
        tab.wait_for_selector("html[data-ready]")
        picture: bytes = tab.screenshot()
        browser.close()
        return picture


def main(folder: str | None = None) -> None:
    """Draw both pictures."""
    site = read_site(NETWORKS / "harbour.yaml")
    plan, simulation = planned(site, folder)
    picture = screen(page_html(site, plan, simulation))
    assert len(picture) < LARGEST
    (NETWORKS / "harbour_page.png").write_bytes(picture)
    (NETWORKS / "harbour_map.svg").write_text(plan_svg(site, plan), encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:2])
