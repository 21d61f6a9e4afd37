"""What a plan changes of a former one, on the page: every change is drawn or told as hidden."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import allocator as al
from allocator.network.deriving import network_of
from allocator.plans.differences import KEPT, differences
from allocator.report.page.changes_view import SIGNS, changes_view
from allocator.report.page.page import page_html

FIRST = Path(__file__).resolve().parents[3] / "networks" / "first.yaml"


@pytest.fixture(scope="module")
def plan() -> al.Plan:
    return al.plan(FIRST, node_limit=300, prove=0).plan


def test_every_kind_of_change_is_drawn(plan: al.Plan) -> None:
    """One engine less, a larger holder, another pipe: as many signs as changes."""
    site = network_of(al.read_site(FIRST))
    (engine,), (holder,), (run,) = plan.machines, plan.stores, plan.runs
    former = replace(
        plan,
        machines=(replace(engine, count=engine.count - 1),),
        stores=(replace(holder, size=0.5 * holder.size),),
        runs=(replace(run, build="dn50"),),
        sources=(),
    )
    view = changes_view(site, former, plan)
    changed = [one for one in differences(former, plan) if one.fate != KEPT]
    assert {one.kind for one in changed} == {"source", "pipe", "storage", "generator"}
    drawn = str(view.drawing)
    assert sum(drawn.count(f">{sign}") for sign in SIGNS.values()) == len(changed)
    assert "small_engine, 1 to 2" in drawn
    assert "gas_holder, +100%" in drawn
    assert view.hidden == 0
    assert view.said == "3 changed, 1 new"
    assert len(view.listing.rows) == len(changed)
    back = changes_view(site, plan, former)
    assert back.said == "3 changed, 1 lost"


def test_what_stood_at_a_place_that_is_gone_is_told(plan: al.Plan) -> None:
    site = network_of(al.read_site(FIRST))
    (holder,) = plan.stores
    elsewhere = replace(holder, name="gas_holder@quay", place="quay", size=3.0)
    view = changes_view(site, replace(plan, stores=(holder, elsewhere)), plan)
    assert view.hidden == 1
    assert view.said.endswith("1 lost")


def test_the_page_has_changes_only_where_there_is_a_former_plan(plan: al.Plan) -> None:
    site = al.read_site(FIRST)
    assert 'id="changes"' not in page_html(site, plan)
    same = page_html(site, plan, former=plan)
    assert 'id="changes"' in same
    assert "chg-disc" not in same[same.index('id="changes"') : same.index('id="build"')]
