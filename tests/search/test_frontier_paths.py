"""A point of the frontier may begin from what paths find with no more of the material."""

from __future__ import annotations

from dataclasses import replace

import pytest
from families import site_of

from allocator.base.clock import Clock
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.search.frontier_points import _Trade, _trade
from allocator.search.state import value_at
from allocator.site.records import Site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_of(tmp_path_factory.mktemp("frontier"), 20, 30, 4)


def trade_of(site: Site, material: str) -> _Trade:
    return _trade(network_of(site), material, Settings(basis="mean", node_limit=60), Clock(None))


def test_paths_under_a_cap_keep_it(site: Site) -> None:
    (material,) = (m for m in site.materials.values() if m.stock is not None)
    assert material.stock is not None
    powers = []
    for share in (0.4, 0.8):
        trade = trade_of(site, material.name)
        cap = share * material.stock
        trade.within(cap, 0.0)
        trade.begin_by_paths(cap, None)
        point = trade.search_state.point
        assert point is not None
        assert value_at(trade.search_state, trade.scarce, point) <= cap * (1.0 + 1e-6)
        powers.append(value_at(trade.search_state, trade.power, point))
    assert 0.0 < powers[0] < powers[1]


def test_a_better_point_is_kept(site: Site) -> None:
    (material,) = (m for m in site.materials.values() if m.stock is not None)
    assert material.stock is not None
    trade = trade_of(site, material.name)
    trade.within(material.stock, 0.0)
    trade.begin_by_paths(material.stock, None)
    best = trade.search_state.point
    assert best is not None
    trade.begin_by_paths(0.3 * material.stock, None)
    assert trade.search_state.point is best


def test_money_and_small_sites_have_no_paths(site: Site) -> None:
    assert trade_of(site, "money").paths(1e9) is None
    few = replace(site, sources=dict(list(site.sources.items())[:5]))
    (material,) = (m for m in site.materials.values() if m.stock is not None)
    assert trade_of(few, material.name).paths(1e9) is None
