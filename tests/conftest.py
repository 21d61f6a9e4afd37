"""What all tests share: settings, so that none fails for a busy machine, and a browser."""

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import settings

CHROMIUM = os.environ.get("ALLOCATOR_CHROMIUM") or "/usr/bin/chromium"

# text is laid out for COLUMNS, which a parallel test runner sets
os.environ.pop("COLUMNS", None)

# built on the profile in force: under CI hypothesis draws the same examples every time
settings.register_profile("house", settings(), deadline=None)
settings.load_profile("house")


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
