"""Cases of boosters cut off no plan, and see what boosters that run in part do not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from model.test_dissipation import bound
from pressed_sites import pressed_site, pressed_text

from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import goals_of
from allocator.model.pressures import Node
from allocator.model.stating import offered, state, state_tightened
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.search import Settings
from allocator.search.bound_process import store_cuts_of
from allocator.search.bounds.booster_cases import BoosterCases, choices
from allocator.search.bounds.proving import Prover
from allocator.solver.solver_model import SolverModel

MANY = int(os.environ.get("ALLOCATOR_LAWS", "6"))
BOOSTED = (8, 18, 28, 25, 6, 7, 17, 19, 20, 21, 22, 24, 26, 29, 30, 1, 2, 9)
"""Numbers of drawn sites with blowers."""


def best_of(site: Network, running: frozenset[Node] | None) -> float | None:
    """The most firm power, W, of plans of a choice, solved to proven optimum; None without any."""
    model, sets = state_tightened(site, "firm", running=running)
    solver_model = SolverModel(model, lazy_cuts(model, sets), Settings(), Clock(None))
    solver_model.aim(goals_of(model, sets)[0])
    if solver_model.run(gap=1e-8).status == Status.INFEASIBLE:
        return None
    return bound((model, sets))


def by_origin(site: Network, running: frozenset[Node] | None) -> float:
    """Firm power, W, that no plan of a choice passes, by friction of each origin."""
    model, sets = state_tightened(site, "firm", running=running)
    prover = Prover(model, sets, store_cuts_of(sets), Settings(), Clock(None), by_friction=True)
    prover.aim(goals_of(model, sets)[0])
    found = prover.mixed(None).bound
    assert found is not None
    return -found


def relaxed(site: Network) -> BoosterCases:
    """All cases of a site, relaxed."""
    cases = BoosterCases(site, Settings(), Clock(None), store_cuts_of)
    cases.relaxed(None, lambda _: None)
    return cases


@pytest.mark.parametrize("number", BOOSTED[:MANY])
def test_no_plan_of_any_choice_passes_its_bound(number: int, tmp_path: Path) -> None:
    site = network_of(pressed_site(number, tmp_path, any_pipe=number % 2 == 1))
    every = choices(offered(site, "firm"))
    assert frozenset() in every
    assert len(every) in (2, 4)
    found = []
    for running in every:
        best = best_of(site, running)
        if best is not None:
            found.append(best)
            assert by_origin(site, running) >= best * (1 - 1e-5) - 1e-2
    best = bound(state(site, "firm"))
    assert max(found) == pytest.approx(best, rel=1e-5, abs=1e-2)
    cases = relaxed(site)
    worst = cases.bound()
    assert worst is not None
    assert -worst >= best * (1 - 1e-5) - 1e-2
    proven = cases.mixed(None).bound
    assert proven is not None
    assert best * (1 - 1e-5) - 1e-2 <= -proven <= -worst * (1 + 1e-6) + 1e-2


def test_cases_see_what_boosters_in_part_do_not(tmp_path: Path) -> None:
    site = network_of(pressed_site(17, tmp_path, any_pipe=True))
    model, sets = state_tightened(site, "firm")
    prover = Prover(model, sets, store_cuts_of(sets), Settings(), Clock(None), by_friction=True)
    prover.aim(goals_of(model, sets)[0])
    in_part, cases = prover.relaxed(None), relaxed(site).bound()
    assert in_part is not None
    assert cases is not None
    assert bound(state(site, "firm")) <= -cases <= 0.9 * -in_part


def test_a_cutoff_beyond_the_best_plan_is_proven(tmp_path: Path) -> None:
    site = network_of(pressed_site(17, tmp_path, any_pipe=True))
    best = bound(state(site, "firm"))
    cases = relaxed(site)
    # the cases leave out what gas loses as it gains speed
    beyond, short = -best * (1 + 1e-3), -best * (1 - 1e-4)
    proven = cases.mixed(None, None, beyond)
    assert proven.ended
    assert proven.value is None
    assert proven.bound == pytest.approx(beyond)
    found = cases.mixed(None, None, short)
    assert found.value is not None
    assert found.value <= short * (1 - 1e-6)


def test_a_kind_with_a_most_has_fewer_choices(tmp_path: Path) -> None:
    text = pressed_text(8).replace("blower: {", "blower: {max_units: 1, ")
    path = tmp_path / "site.yaml"
    path.write_text(text)
    sizes = [
        len(running or ()) for running in choices(offered(network_of(read_site(path)), "firm"))
    ]
    assert sizes == [0, 1, 1]


def test_without_boosters_there_is_one_case(tmp_path: Path) -> None:
    site = network_of(pressed_site(8, tmp_path, boosters=False))
    assert choices(offered(site, "firm")) == (None,)
