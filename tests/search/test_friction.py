"""What friction takes by origin: bounds that cut off no plan, and see what the others do not."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import pytest
from model.test_dissipation import bound
from model.test_pressure import ENGINE, HEAD, LOOP, WATTS, by_brute_force, drawn_loop, read
from pressed_sites import pressed_site

from allocator.base.clock import Clock
from allocator.model.cuts import promises_of
from allocator.model.goals import goals_of
from allocator.model.stating import state, state_for_bound, state_tightened
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.search import Settings
from allocator.search.bound_process import store_cuts
from allocator.search.bounds.friction import carried_count
from allocator.search.bounds.proving import Prover

MANY = int(os.environ.get("ALLOCATOR_LAWS", "6"))


def by_origin(site: Network, *, whole: bool) -> float:
    """Firm power, W, that no plan passes, by the relaxation or the integer model."""
    model, sets = state_tightened(site, "firm")
    assert carried_count(sets) > 0
    cuts = partial(store_cuts, promises_of(sets))
    prover = Prover(model, sets, cuts, Settings(), Clock(None), by_friction=True)
    prover.aim(goals_of(model, sets)[0])
    relaxed = prover.relaxed(None)
    assert relaxed is not None
    if not whole:
        return -relaxed
    found = prover.mixed(None).bound
    assert found is not None
    assert -found <= -relaxed * (1 + 1e-6) + 1e-2
    return -found


@pytest.mark.parametrize("number", range(MANY))
def test_no_best_plan_of_a_drawn_site_passes_the_bound(number: int, tmp_path: Path) -> None:
    """Sites with stores on spurs and blowers, solved to proven optimum."""
    site = network_of(pressed_site(number, tmp_path, any_pipe=number % 2 == 1))
    best = bound(state(site, "firm"))
    assert by_origin(site, whole=True) >= best * (1 - 1e-5) - 1e-2


@pytest.mark.parametrize("number", [1, 2])
def test_no_choice_of_builds_passes_it(number: int, tmp_path: Path) -> None:
    numbers, need = drawn_loop(number)
    text = HEAD + LOOP.format(**numbers) + ENGINE.format(need=need, places="d: 40")
    best = WATTS * by_brute_force(read(tmp_path, text), numbers, need)
    site = network_of(read(tmp_path, text))
    assert best * (1 - 1e-6) <= by_origin(site, whole=True) <= best * 1.02


@pytest.mark.parametrize("number", [22, 26, 45])
def test_it_sees_what_flows_by_origin_and_friction_in_all_do_not(
    number: int, tmp_path: Path
) -> None:
    site = network_of(pressed_site(number, tmp_path, any_pipe=True))
    model, sets = state_for_bound(site, "firm")
    in_all = bound((model, sets), relaxed=True)
    flows = Prover(model, sets, partial(store_cuts, promises_of(sets)), Settings(), Clock(None))
    flows.aim(goals_of(model, sets)[0])
    others = flows.relaxed(None)
    assert others is not None
    best = bound(state(site, "firm"))
    assert best * (1 - 1e-6) <= by_origin(site, whole=False) < 0.95 * min(in_all, -others)
