"""Stores that a plan passes gas through without building them, and what flares are said to do."""

from __future__ import annotations

import pytest
from flared_site import WELLS

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.build_order import build_order
from allocator.report.handover.geojson import plan_geojson
from allocator.report.handover.set_points import set_points
from allocator.report.page import page_html
from allocator.report.parts import connected_sources, machines
from allocator.report.passing import destinations
from allocator.report.tables import store_sizes
from allocator.report.tags import valve_tags
from allocator.search import Settings, make_plan
from allocator.studies.figures import figures_of


@pytest.fixture(scope="module")
def wells(tmp_path_factory: pytest.TempPathFactory) -> tuple[Network, Plan]:
    path = tmp_path_factory.mktemp("wells") / "site.yaml"
    path.write_text(WELLS)
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=500, threads=1)).plan
    assert plan is not None
    return site, plan


def test_gas_passes_by_a_store_of_no_size(wells: tuple[Network, Plan]) -> None:
    """53.3 of the 100 g/s are taken on average; the flare burns the rest."""
    site, plan = wells
    assert [store.size for store in plan.stores] == [0.0]
    assert destinations(site, plan, "store:holder@works") == {
        "machine:engine@works": pytest.approx(0.5333333),
        "flare:flare@works": pytest.approx(0.4666667),
    }
    feeds = [(row["source"], row["goes_to"]) for row in connected_sources(site, plan).records()]
    assert feeds == [
        ("north", "direct to engine at works"),
        ("north", "direct to flare at works"),
        ("east", "direct to flare at works"),
    ]


def test_nobody_is_told_of_a_store_that_is_not_built(wells: tuple[Network, Plan]) -> None:
    site, plan = wells
    settings = set_points(site, plan, {"holder@works": (0.0, "kg")})
    told = [
        *(f"{one.thing} {one.note}" for one in settings),
        *(f"{step.what} {step.note}" for step in build_order(site, plan)),
        *(valve.thing for valve in valve_tags(site, plan).values()),
        str(plan_geojson(site, plan)),
    ]
    assert not [one for one in told if "holder" in one]
    assert len(store_sizes(site, plan)) == 0
    (start,) = [s for s in build_order(site, plan) if s.unlocks]
    assert start.what == "engine at works, from north"
    page = page_html(site, plan)
    assert "direct, without storage" in page
    assert "spare: burnt where" not in page  # the flare burns all of it


def test_a_flare_is_told_what_it_burns(wells: tuple[Network, Plan]) -> None:
    """46.7 g/s of one well and half of the other's 40 g/s; all 140 g/s when the engine stops."""
    site, plan = wells
    duty = {row["type"]: row["duty"] for row in machines(site, plan).records()}
    assert duty["flare"] == "burns 66.7 g/s on average, 140 g/s at most"
    (flare,) = [one for one in set_points(site, plan) if one.thing == "flare"]
    assert (flare.setting, flare.value) == ("burn at most", pytest.approx(0.14))
    assert flare.note == "66.7 g/s on average, of east, what is not taken at its place"


def test_what_flares_give_counts_among_by_products(wells: tuple[Network, Plan]) -> None:
    """All of the carbon dioxide that is emitted: of the engine, and of both wells at the flare."""
    site, plan = wells
    figures = figures_of(site, plan)
    assert figures.products["bio_co2"].given == pytest.approx(plan.emissions.by_fluid["bio_co2"])
    assert dict(figures.stores) == {}
