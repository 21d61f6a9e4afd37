"""The view in a real browser: changed, planned again, accepted; ten at a time; nothing goes out."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from view_server import ROOT, Served, end, serving

SECONDS = float(os.environ.get("ALLOCATOR_CLIENTS_SECONDS", "1"))
"""How long ten windows look at a page at once, at least."""
PATIENCE = 120_000
"""ms: ten browsers, a server and its workers may have two busy cores between them."""


@pytest.fixture
def own(planned: Path, tmp_path: Path) -> Iterator[Served]:
    """A view of a copy of the plan, for one test."""
    for file in planned.iterdir():
        if file.is_file():
            (tmp_path / file.name).write_bytes(file.read_bytes())
    site = str(ROOT / "networks" / "first.yaml")
    found = serving(tmp_path, "--node-limit", "50", "--site", site)
    yield found
    end(found)


def last_time(page: Any, address: str, within: float = 60.0) -> str:
    """The last time of a plan's slider, once a year of it is simulated, which takes a while."""
    until = time.monotonic() + within
    while True:
        page.goto(address)
        page.locator("html[data-ready]").wait_for()
        page.locator("#time").press("End")
        words = str(page.locator("#time-words").inner_text()).partition(":")[0]
        if words == "365 d" or time.monotonic() > until:
            return words
        time.sleep(0.5)


@pytest.mark.slow
def test_a_plan_is_changed_compared_and_accepted(browser: Any, own: Served) -> None:
    said: list[str] = []
    asked: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(PATIENCE)
    page = context.new_page()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{own.origin}/{own.token}/")
    page.locator("html[data-ready]").wait_for()

    page.locator("[data-key='demands.mill_drive.power']").fill("nothing")
    page.get_by_role("button", name="Plan again").click()
    page.locator("#faults", has_text="expects a power").wait_for()

    page.locator("[data-key='demands.mill_drive.power']").fill("8 kW")
    assert page.locator("#changed").inner_text() == "1 value changed."
    page.get_by_role("button", name="Plan again").click()
    page.locator("#said", has_text="Planned with demands.mill_drive.power 8 kW.").wait_for()
    assert page.locator("#faults").is_hidden()
    assert "firm clean power" in page.locator("#compared").inner_text()
    marks = page.locator("#chart .tick").all_text_contents()
    times = [float(words.removesuffix(" s")) for words in marks]
    assert times == pytest.approx([number * times[1] for number in range(len(times))])
    assert f"{times[1]:.2e}"[:4] in ("1.00", "2.00", "5.00")
    page.get_by_role("button", name="Side by side").click()
    for which in ("present", "new"):
        source = page.locator(f"#{which}").get_attribute("src")
        assert source is not None
        assert source.startswith(f"plans/{which}?v=")
    for which, power in (("present", "13.4 kW"), ("new", "8 kW")):
        plan = context.new_page()
        assert last_time(plan, f"{own.origin}/{own.token}/plans/{which}") == "365 d"
        assert plan.locator("#said data").first.inner_text() == power
        plan.close()

    page.get_by_role("button", name="Accept the new plan").press("Enter")
    page.locator("#said", has_text="accepted, in accepted-1").wait_for()
    assert (own.folder / "accepted-1" / "plan.json").exists()
    assert page.locator("[data-key='demands.mill_drive.power']").input_value() == "8 kW"
    context.close()
    assert [line for line in said if "400" not in line] == []  # the one refused change
    assert {url for url in asked if not url.startswith((own.origin, "data:"))} == set()


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_the_view(browser: Any, served: Served, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(
        viewport={"width": 1280, "height": 900}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    page.goto(f"{served.origin}/{served.token}/")
    page.locator("html[data-ready]").wait_for()
    page.locator("details summary").first.click()
    found = Axe().run(page).response["violations"]
    context.close()
    assert [f"{fault['id']}: {fault['nodes'][0]['html'][:120]}" for fault in found] == []


@pytest.mark.slow
def test_another_page_cannot_frame_or_read_the_view(browser: Any, served: Served) -> None:
    """A page of another origin in the same browser, which even knows the token."""
    context = browser.new_context()
    page = context.new_page()
    page.goto("data:text/html,<title>other</title>")
    address = f"{served.origin}/{served.token}/"
    ask = (
        "async url => { try { return (await fetch(url, {mode: 'no-cors'})).type; } "
        "catch { return 'refused'; } }"
    )
    assert page.evaluate(ask, f"{address}state") in ("refused", "opaque")
    post = ask.replace("'no-cors'", "'no-cors', method: 'POST', body: '{}'")
    page.evaluate(post, f"{address}plan")
    assert served.json("state")["run"] is None
    context.close()


@pytest.mark.slow
def test_ten_windows_at_once(browser: Any, served: Served) -> None:
    """Ten browser contexts load everything again and again, while plans are made and stopped.

    ALLOCATOR_CLIENTS_SECONDS=60 is a minute of it.
    """
    said: list[str] = []
    before = set(served.folder.rglob("*"))
    pages = [browser.new_context().new_page() for _ in range(10)]
    for page in pages:
        page.set_default_timeout(PATIENCE)
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(f"{served.origin}/{served.token}/")
    ends, loads = time.monotonic() + SECONDS, 0
    while time.monotonic() < ends or not loads:
        served.json("plan", {"values": {"stock.steel": "1050 kg"}})
        for page in pages:
            page.reload()
        for page in pages:
            page.locator("html[data-ready]").wait_for()
            frame = page.frame_locator("#present")
            frame.locator("html[data-ready]").wait_for(state="attached")
        served.json("stop", {})
        loads += 1
    pages[0].locator("[data-key='stock.steel']").fill("1050 kg")
    pages[0].get_by_role("button", name="Plan again").click()
    for page in pages:  # every window hears of it
        page.locator("#said", has_text="Planned with stock.steel 1050 kg.").wait_for()
    assert len(served.children()) <= 2
    assert set(served.folder.rglob("*")) == before
    pages[1].get_by_role("button", name="Discard").click()
    for page in pages:
        page.locator("#said", has_text="Change something on the form").wait_for()
        page.context.close()
    assert said == []


@pytest.mark.slow
def test_two_windows_change_and_accept(browser: Any, own: Served) -> None:
    """What one of them plans or accepts the other shows, in its form as well."""
    first, second = (browser.new_context().new_page() for _ in range(2))
    for page in (first, second):
        page.goto(f"{own.origin}/{own.token}/")
        page.locator("html[data-ready]").wait_for()

    def plan(page: Any, power: str) -> None:
        page.locator("[data-key='demands.mill_drive.power']").fill(power)
        page.get_by_role("button", name="Plan again").click()
        page.locator("#said", has_text=f"Planned with demands.mill_drive.power {power}.").wait_for()

    plan(first, "8 kW")
    plan(second, "9 kW")
    for page in (first, second):
        page.locator("#said", has_text="Planned with demands.mill_drive.power 9 kW.").wait_for()
    second.get_by_role("button", name="Accept the new plan").click()
    for page in (first, second):
        page.locator("#said", has_text="accepted, in accepted-1").wait_for()
        page.locator("[data-key='demands.mill_drive.power'][data-first='9 kW']").wait_for()
        page.context.close()
