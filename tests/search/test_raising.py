"""Weights of regions raised, paths by them, and broken cuts, against slow code of its own."""

from pathlib import Path

import numpy as np
import pytest
from families import site_of

from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search.bounds.arrays import Floats, network_arrays_of
from allocator.search.bounds.disaggregated import PipeLink
from allocator.search.bounds.path_columns import path_formulation
from allocator.search.bounds.raising import broken_cuts, raised, region_paths
from allocator.search.bounds.regions import (
    Regions,
    distances,
    lowered,
    packed_regions,
    regions_of,
)
from allocator.search.bounds.thresholds import broken_thresholds


@pytest.fixture(name="made", params=[6, 160])
def _made(tmp_path: Path, request: pytest.FixtureRequest) -> tuple[Regions, Floats, Floats]:
    """Regions of a small site, small or whole; a cost of each build, and even weights."""
    full, sets = state(network_of(site_of(tmp_path, 8, 10, 2)), "firm")
    net, ends = network_arrays_of(path_formulation(full, sets), sets)
    chance = np.random.default_rng(1)
    cost = chance.exponential(1.0, len(net.capacity))
    length = np.array([cost[k] for k in net.build[:-1]])
    regions = regions_of(net, ends, length, most=request.param)
    return regions, cost, length[regions.slot_link]


def test_raised_weights_fall_nowhere_and_collect_no_more_than_builds_cost(
    made: tuple[Regions, Floats, Floats],
) -> None:
    regions, cost, even = made
    packed = packed_regions(regions)
    chance = np.random.default_rng(2)
    for _ in range(5):
        start = lowered(packed, cost, even * chance.exponential(0.3, len(even)))
        gain = chance.exponential(20.0, len(regions.end_node))
        extra = np.where(chance.random(len(even)) < 0.2, even * chance.exponential(1.0), 0.0)
        found = raised(packed, gain, cost, start, extra)
        assert (found >= start).all()
        assert (found > start).any()
        np.testing.assert_allclose(lowered(packed, cost, found), found, rtol=1e-8)
        short = np.minimum(distances(packed, start + extra), gain)
        assert (np.minimum(distances(packed, found + extra), gain) >= short - 1e-12).all()


def test_paths_have_the_distance_of_their_end(made: tuple[Regions, Floats, Floats]) -> None:
    regions, _, even = made
    packed = packed_regions(regions)
    chance = np.random.default_rng(3)
    weight = even * chance.exponential(1.0, len(even))
    far = distances(packed, weight)
    gain = np.where(np.isfinite(far), far, 0.0) + chance.normal(0.0, 1.0, len(far))
    ends, first, slots = region_paths(packed, weight, gain, 0.0, 3)
    for end, low, high in zip(ends, first[:-1], first[1:], strict=True):
        assert weight[slots[low:high]].sum() == pytest.approx(far[end])
        origins = set(regions.slot_origin[slots[low:high]].tolist())
        assert all(regions.end_first[o] <= end < regions.end_first[o + 1] for o in origins)
    for o in range(len(regions.most)):
        mine = np.arange(regions.end_first[o], regions.end_first[o + 1])
        over = mine[np.isfinite(far[mine]) & (gain[mine] >= far[mine])]
        best = sorted(over.tolist(), key=lambda n: far[n] - gain[n])[:3]
        assert [n for n in ends.tolist() if n in mine] == best


def test_broken_cuts_are_those_that_slow_code_finds(made: tuple[Regions, Floats, Floats]) -> None:
    regions, cost, _ = made
    packed = packed_regions(regions)
    chance = np.random.default_rng(4)
    links = []
    for d in range(len(regions.pipe)):
        mine = regions.link_slot[regions.link_first[d] : regions.link_first[d + 1]].tolist()
        flows = tuple((str(s), (s,), float(regions.most[regions.slot_origin[s]])) for s in mine)
        builds = range(int(regions.build[d]), int(regions.build[d + 1]))
        kept = tuple((float(regions.capacity[k]), ("laid", k)) for k in builds)
        links.append(PipeLink(str(d), flows, kept))
    total = 0
    for _ in range(5):
        laid = chance.exponential(0.1, len(cost))
        flow = np.where(
            chance.uniform(size=len(regions.slot_link)) < 0.5,
            chance.exponential(0.05, len(regions.slot_link)),
            0.0,
        )
        values = {**dict(enumerate(flow.tolist()))}
        values |= {("laid", k): value for k, value in enumerate(laid.tolist())}
        slow = {
            int(cut.link): {int(name) for name in cut.origins}
            for cut in broken_thresholds(links, values, 1e-5)
        }
        found, first, slots = broken_cuts(packed, flow, laid, 1e-5)
        spans = zip(found.tolist(), first[:-1], first[1:], strict=True)
        assert {d: set(slots[low:high].tolist()) for d, low, high in spans} == slow
        total += len(slow)
    assert total > 10
