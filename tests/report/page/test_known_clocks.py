"""Phases on the page of a plan that rests on known clocks: as surveyed, and what holds."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from allocator.engine import plan_site
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.report.page import page_html
from allocator.search import Settings
from allocator.site.records import Site

FIRST = Path(__file__).parents[3] / "networks" / "first.yaml"


def planned() -> tuple[Site, Plan]:
    """Two digesters that take turns, with known clocks."""
    site = read_site(FIRST)
    own = site.sources["digester"]
    first = replace(own, clock="surveyed", next_start=3600.0, error=60.0)
    second = replace(first, name="other", next_start=46_800.0)
    site = replace(site, sources={"digester": first, "other": second})
    return site, plan_site(site, Settings(node_limit=1000)).plan


def page_of(site: Site, plan: Plan) -> str:
    return " ".join(page_html(network_of(site), plan).split())


def test_known_phases_are_drawn_as_surveyed() -> None:
    site, plan = planned()
    assert {use.name for use in plan.sources if use.tapped} == {"digester", "other"}
    page = page_of(site, plan)
    assert "every cycle starts at time 0" not in page
    assert "for any phases" not in page
    assert "Cycles are drawn by their known clocks." in page
    assert "Firm output holds for those clocks, within their stated errors." in page
    assert "as their clocks are known, of &#39;digester&#39;, &#39;other&#39;" in page
    phases = [float(found) for found in re.findall(r'"phase": ?([\d.]+)', page)]
    assert phases == [86_400.0 - 3600.0, 86_400.0 - 46_800.0]  # on when time and phase are whole


def test_of_others_any_phase_is_admitted() -> None:
    site, plan = planned()
    free = replace(site.sources["other"], clock="free", next_start=None, error=None)
    page = page_of(replace(site, sources={**site.sources, "other": free}), plan)
    assert "Cycles of 1 of 2 sources are drawn by their known clocks;" in page
    assert "and any phases of the others." in page
    assert "of &#39;digester&#39;; any phase of the others" in page


def test_without_known_clocks_it_is_an_example() -> None:
    site = read_site(FIRST)
    page = page_of(site, plan_site(site, Settings(node_limit=1000)).plan)
    assert "every cycle starts at time 0. Firm output holds for any phases." in page
