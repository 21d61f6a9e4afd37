"""From one good plan to another: nothing is passed on the way, and the best is never lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from families import site_of

from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search.paths.entry import RELINK
from allocator.search.paths.loads import use_of, value_of
from allocator.search.paths.network import path_network_of
from allocator.search.paths.packed import packed, packed_state
from allocator.search.paths.records import Arrays, PathState, copied
from allocator.search.paths.starts import _run, begun, continued


def linked(
    arrays: Arrays, state: PathState, guide: PathState, best: PathState, steps: int
) -> float:
    """The best on the way from a state to a guide."""
    return _run(RELINK, arrays, state, guide, best, 5, steps)


@pytest.mark.parametrize("basis", ["mean", "firm"])
def test_the_best_on_the_way_is_a_plan_and_repeats(basis: str, tmp_path: Path) -> None:
    made = path_network_of(offered(network_of(site_of(tmp_path, 12, 8, 2)), basis), "clean_power")
    assert made is not None
    arrays, _ = made
    weight = np.ones(len(arrays.weight))
    here, there = (continued(arrays, begun(arrays, seed, weight), 20, 0) for seed in (1, 2))
    found = []
    for _ in range(2):
        state, best = copied(here.best), copied(here.best)
        value = linked(arrays, state, there.best, best, 60)
        found.append(value)
        for kept in (state, best):
            used = np.zeros(len(weight))
            use_of(packed(arrays), packed_state(kept), used)
            assert np.all(used <= 1.0)
            widest = arrays.capacity[np.arange(len(kept.load)), arrays.builds - 1]
            assert np.all(kept.load <= widest * (1 + 1e-6) + 1e-6)
            assert np.all(kept.taken <= arrays.most * (1 + 1e-6))
        assert value_of(packed(arrays), packed_state(best)) == pytest.approx(value)
    assert found[0] == found[1] >= here.value


def test_a_guide_that_is_better_is_reached(tmp_path: Path) -> None:
    """Around any source lie all of a small site's: one step takes the whole guide over."""
    made = path_network_of(offered(network_of(site_of(tmp_path, 12, 8, 2)), "mean"), "clean_power")
    assert made is not None
    arrays, _ = made
    weight = np.ones(len(arrays.weight))
    guide = continued(arrays, begun(arrays, 2, weight), 300, 0)
    poor = begun(arrays, 1, weight)
    assert poor.value < guide.value
    state, best = copied(poor.best), copied(poor.best)
    value = linked(arrays, state, guide.best, best, 200)
    assert value > poor.value
    assert value >= 0.97 * guide.value
