"""Why a want cannot be had: pipes as one limit, the plan that comes nearest, the words for it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from allocator.planning import Settings
from allocator.planning.limits import Limit, Want
from allocator.planning.why import Change, Conflict
from allocator.site.marks import Marks
from allocator.site.reading import read_site
from allocator.site.records import Site
from allocator.studies import why_not as module
from allocator.studies.why_not import why_json, why_not, why_text

FIRST = Path(__file__).parents[2] / "networks" / "first.yaml"
EXACT = Settings(node_limit=100_000)


@pytest.fixture(scope="module")
def narrow() -> Site:
    """The first site with builds that carry 4 and 3.9 g/s, and steel for anything."""
    site = read_site(FIRST)
    build = replace(site.builds["dn25"], capacity=0.004)
    light = tuple(replace(layer, mass=0.8 * layer.mass) for layer in build.layers)
    other = replace(build, name="other", capacity=0.0039, layers=light)
    lane = replace(site.routes["lane"], builds=("dn25", "other"))
    steel = replace(site.materials["steel"], stock=1e5)
    return replace(
        site,
        builds={"dn25": build, "other": other},
        routes={"lane": lane},
        materials={"steel": steel},
    )


def test_pipes_are_one_limit_and_all_carry_the_same_share_more(narrow: Site) -> None:
    """13 kW takes 1.95 g/s, 7.8 g/s in a quarter of the time: 0.95 times 4 g/s more."""
    want = Want("firm_clean", "", 13_000.0, "wanted")
    found = why_not(narrow, EXACT, [want])
    assert (found.status, found.minimal) == ("conflict", True)
    (pipes,) = [change for change in found.changes if change.limit.kind == "capacity"]
    assert pipes.limit.shared
    assert pipes.amount == pytest.approx(0.95, rel=2e-3)
    text = " ".join(why_text(narrow, Marks(FIRST), found, [want]).split())
    assert "pipes of the builds 'dn25', 'other' carry no more than is said of them" in text
    assert "95 % more of each of them would do" in text


WANT = Want("firm_clean", "", 550e3, "clean power wanted at all times is at least")
ASKED = Limit("want", "firm_clean", (), 550e3, "power", False, WANT.words)
STOCK = Limit(
    "stock", "steel", ("materials", "steel", "stock"), 1060.0, "mass", True, "stock of 'steel' is"
)
FLOW = Limit(
    "flow",
    "biogas",
    ("sources", "digester", "flow"),
    1.0,
    "share",
    True,
    "sources of 'biogas' give",
)


def test_a_plan_says_how_far_a_want_must_come_down(monkeypatch: pytest.MonkeyPatch) -> None:
    unsettled = Conflict(
        "conflict",
        (STOCK, FLOW, ASKED),
        False,
        (
            Change(STOCK, None, False),
            Change(FLOW, None, False),
            Change(ASKED, None, False, 10_500.0),
        ),
    )
    monkeypatch.setattr(module, "conflict_of", lambda *_: unsettled)
    site = read_site(FIRST)
    found = why_not(site, EXACT, [WANT])
    assert found.reached == pytest.approx(13_374.5, rel=1e-4)
    (asked,) = [change for change in found.changes if change.limit.kind == "want"]
    assert asked.amount == pytest.approx(550e3 - 13_374.5, rel=1e-6)
    assert not asked.proven  # less may do
    text = " ".join(why_text(site, Marks(FIRST), found, [WANT]).split())
    assert "537 kW less, 13.4 kW, would do (at least 10.5 kW is needed)" in text
    assert "that none of them is there needlessly is not proven" in text
    assert text.count("was not found out in the time") == 1  # for both at once
    assert json.loads(why_json(site, Marks(FIRST), found))["reached_w"] == found.reached


def test_a_plan_settles_what_the_conflict_left_open(monkeypatch: pytest.MonkeyPatch) -> None:
    site = read_site(FIRST)
    monkeypatch.setattr(module, "conflict_of", lambda *_: Conflict("unknown"))
    assert why_not(site, EXACT, [replace(WANT, amount=13e3)]).status == "possible"
    found = why_not(site, EXACT, [replace(WANT, amount=14e3)])
    assert found.status == "unknown"
    told = why_text(site, Marks(FIRST), found, [WANT])
    assert "The best plan that was found reaches 13.4 kW." in told
