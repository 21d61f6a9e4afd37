"""Plans to look at, and a browser that may talk to nobody."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from allocator.engine import plan_site
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[3] / "networks"
CHROMIUM = os.environ.get("ALLOCATOR_CHROMIUM") or "/usr/bin/chromium"


def planned(name: str) -> tuple[Site, Plan]:
    """A network and a quick plan for it."""
    site = network_of(read_site(NETWORKS / f"{name}.yaml"))
    return site, plan_site(site, Settings(node_limit=50)).plan


@pytest.fixture(scope="session")
def first() -> tuple[Site, Plan]:
    """One source, one store, one machine."""
    return planned("first")


@pytest.fixture(scope="session")
def inlet_nodes() -> tuple[Site, Plan]:
    """Power lines, a by-product, a converter."""
    return planned("two_bays")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, headless; skipped where it is not installed."""
    if shutil.which(CHROMIUM) is None:
        pytest.skip(f"no browser at {CHROMIUM}: install chromium, or set ALLOCATOR_CHROMIUM")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    switches = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_api.sync_playwright() as tool:
        running = tool.chromium.launch(executable_path=CHROMIUM, args=switches)
        yield running
        running.close()
