"""Which finds of the path search are offered to the program."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from families import site_of

from allocator.base.clock import Clock
from allocator.model.goals import goals_of
from allocator.model.stating import state
from allocator.search import Settings
from allocator.search.paths.landing import MORE_TRIED, TRIED, Ideas
from allocator.search.paths.network import network_of
from allocator.search.paths.starts import PathSearch
from allocator.solver.program import Program


@pytest.fixture(scope="module")
def searched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Program, Ideas]:
    folder: Path = tmp_path_factory.mktemp("landing")
    statement, choices = state(site_of(folder, 20, 30, 4), "mean")
    made = network_of(choices, "clean_power")
    assert made is not None
    search = PathSearch(*made, seed=3, effort="quick")
    search.run(None, 60, lambda: False, lambda find, note: None)
    clock = Clock(None)
    program = Program(statement, lambda v, t: [], Settings(basis="mean"), clock)
    program.aim(goals_of(statement, choices)[0])
    return program, Ideas(choices, search, clock, None, 0.25)


def points(program: Program, ideas: Ideas) -> list[np.ndarray]:
    return list(ideas.points(program, 1e-4, lambda share: None, lambda: False))


def test_the_best_finds_are_enough_where_paths_judge_them_rightly(
    searched: tuple[Program, Ideas],
) -> None:
    program, ideas = searched
    assert 1 <= len(points(program, ideas)) <= TRIED


def test_finds_with_other_machines_are_offered_where_paths_misjudge(
    searched: tuple[Program, Ideas],
) -> None:
    """A machine that paths know little of may be worth more than they say."""
    program, ideas = searched
    right = list(ideas.paths.elite)
    ideas.paths.elite[:] = [replace(find, value=1.1 * find.value) for find in right]
    try:
        found = points(program, ideas)
    finally:
        ideas.paths.elite[:] = right
    assert TRIED < len(found) <= TRIED + MORE_TRIED
    statement = program.statement
    counts = [n for n, c in enumerate(statement.columns) if c.key[0] == "count"]
    sets = {tuple(np.round(point[counts])) for point in found}
    assert len(sets) > len({tuple(np.round(point[counts])) for point in found[:TRIED]})
