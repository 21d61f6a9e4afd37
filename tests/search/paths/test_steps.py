"""What a search of ways reads of a pipe is what its builds carry and cost."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from families import site_of

from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search.paths.loads import level_of, store_need
from allocator.search.paths.network import path_network_of
from allocator.search.paths.packed import packed, packed_room, packed_state
from allocator.search.paths.records import (
    DRAWN,
    FED,
    NEED,
    Arrays,
    empty_room,
    empty_state,
    steps_of,
)
from allocator.search.paths.routes import look_ahead, step_price
from allocator.search.paths.starts import begun, continued


def arrays_of(folder: Path, basis: str) -> Arrays:
    _, sets = state(network_of(site_of(folder, 20, 30, 4)), basis)
    made = path_network_of(sets, "clean_power")
    assert made is not None
    return made[0]


def test_a_step_costs_what_the_next_build_costs_over_the_present_one() -> None:
    capacity, builds = np.array([[1.0, 2.0], [3.0, 0.0]]), np.array([2, 1])
    price = np.array([[4.0, 6.0], [9.0, 0.0]])
    inf = math.inf
    assert steps_of(capacity, builds, price).tolist() == [
        [3.0, 1.0, 2.0, 4.0, 6.0, inf],
        [3.0, 3.0, inf, 9.0, inf, inf],
    ]


def test_prices_of_steps_are_those_of_levels(tmp_path: Path) -> None:
    arrays = arrays_of(tmp_path, "mean")
    state = empty_state(arrays)
    behind, changing = packed(arrays), packed_state(state)
    chance = np.random.default_rng(1)
    for pipe in range(len(arrays.tail)):
        state.load[pipe] = chance.choice([0.0, chance.uniform(0.0, 1.7)])
        amount = chance.uniform(0.01, 1.0)
        levels = [
            level_of(behind, pipe, 0, load)
            for load in (state.load[pipe], state.load[pipe] + amount)
        ]
        cost = [0.0 if k < 0 else math.inf for k in levels]
        for n, k in enumerate(levels):
            if 0 <= k < arrays.builds[pipe]:
                cost[n] = float(arrays.mass[pipe, k] @ arrays.weight)
        slope = arrays.steps[pipe, 0]
        rise = cost[1] - cost[0]
        expected = 0.02 * amount * slope if rise <= 0.0 else 0.5 * rise + 0.52 * amount * slope
        if not math.isnan(rise):
            found = step_price(behind, changing, pipe, amount, 0.5)
            assert found == pytest.approx(expected, rel=1e-12)


def test_the_need_of_a_store_is_kept_as_paths_come_and_go(tmp_path: Path) -> None:
    arrays = arrays_of(tmp_path, "firm")
    made = continued(arrays, begun(arrays, 1, arrays.weight), 400, 0)
    behind, changing = packed(arrays), packed_state(made.state)
    for store in range(len(arrays.store_node)):
        need = store_need(behind, changing, store, 0, 0.0, 0.0)
        assert made.state.stores[store, NEED] == pytest.approx(need, rel=1e-9, abs=1e-9)


def test_what_is_ahead_of_collect_pipes_counts_what_a_store_promises(tmp_path: Path) -> None:
    arrays = arrays_of(tmp_path, "firm")
    room = empty_room(arrays)
    nodes = len(arrays.first) - 1
    look_ahead(packed(arrays), packed_state(empty_state(arrays)), packed_room(room), 0.1, 1.0)
    collect, supply = room.ahead[:nodes], room.ahead[nodes:]
    share = float(np.mean(arrays.mode_share[arrays.mode_store])) * arrays.peak
    assert supply[arrays.sink_node].tolist() == [0.0] * len(arrays.sink_node)
    for node in arrays.store_node:
        assert collect[node] <= share * supply[node] * (1.0 + 1e-12)
    # never dearer than a store and the way behind it, never cheaper than the cheapest of them
    assert np.all(collect >= share * supply[arrays.store_node].min() - 1e-15)
    sources = arrays.source_node
    assert np.all(np.isfinite(collect[sources]))
    assert np.mean(collect[sources]) > share * np.mean(supply[sources])


def test_no_store_is_filled_or_emptied_faster_than_it_may(tmp_path: Path) -> None:
    """Parts of an amount are tried along a way that was found for another."""
    arrays = arrays_of(tmp_path, "firm")
    fill, release = np.full_like(arrays.fill, 0.35), np.full_like(arrays.release, 0.08)
    arrays = arrays._replace(fill=fill, release=release)
    for seed in range(3):
        made = continued(arrays, begun(arrays, seed, arrays.weight), 1500, 0)
        for one in (made.state, made.best):
            assert np.all(one.stores[:, FED] <= 0.35 * (1.0 + 1e-9))
            assert np.all(one.stores[:, DRAWN] * arrays.peak <= 0.08 * (1.0 + 1e-9))
            assert one.stores[:, FED].max() > 0.0
