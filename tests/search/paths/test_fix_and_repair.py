"""Which candidates of the path search are fixed and repaired."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from families import site_of

from allocator.base.clock import Clock
from allocator.model.goals import goals_of
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.search.paths.network import path_network_of
from allocator.search.paths.repair import CandidatePool
from allocator.search.paths.starts import PathSearch
from allocator.search.strategy.budgets import CANDIDATES
from allocator.solver.solver_model import SolverModel


@pytest.fixture(scope="module")
def searched(tmp_path_factory: pytest.TempPathFactory) -> tuple[SolverModel, CandidatePool]:
    folder: Path = tmp_path_factory.mktemp("landing")
    model, choices = state(network_of(site_of(folder, 20, 30, 4)), "mean")
    made = path_network_of(choices, "clean_power")
    assert made is not None
    search = PathSearch(*made, seed=3, effort="quick")
    search.run(None, 60, lambda: False, lambda candidate, note: None)
    clock = Clock(None)
    solver_model = SolverModel(model, lambda v, t: [], Settings(basis="mean"), clock)
    solver_model.aim(goals_of(model, choices)[0])
    return solver_model, CandidatePool(choices, search, clock, None, 0.25)


def points(solver_model: SolverModel, pool: CandidatePool) -> list[np.ndarray]:
    return list(pool.points(solver_model, 1e-4, lambda share: None, lambda: False))


def test_the_best_candidates_are_enough_where_paths_judge_them_rightly(
    searched: tuple[SolverModel, CandidatePool],
) -> None:
    solver_model, pool = searched
    assert 1 <= len(points(solver_model, pool)) <= CANDIDATES.repaired


def test_candidates_with_other_machines_are_offered_where_paths_misjudge(
    searched: tuple[SolverModel, CandidatePool],
) -> None:
    """A machine that paths know little of may be worth more than they say."""
    solver_model, pool = searched
    right = list(pool.paths.elite)
    pool.paths.elite[:] = [replace(one, value=1.1 * one.value) for one in right]
    try:
        found = points(solver_model, pool)
    finally:
        pool.paths.elite[:] = right
    assert CANDIDATES.repaired < len(found) <= CANDIDATES.repaired + CANDIDATES.repaired_others
    model = solver_model.model
    counts = [n for n, c in enumerate(model.columns) if c.key[0] == "count"]
    sets = {tuple(np.round(point[counts])) for point in found}
    assert len(sets) > len(
        {tuple(np.round(point[counts])) for point in found[: CANDIDATES.repaired]}
    )
