"""Drawn sites: the engine's answers are those of the brute force, and hold.

``benchmarks/oracle.py`` goes through thousands.
"""

from __future__ import annotations

import pytest
from brute.faults import drawn_case, faults_of

BATCHES = 6
SITES_A_BATCH = 8


@pytest.mark.slow
def test_a_program_that_presolve_makes_insoluble_is_solved_without() -> None:
    """HiGHS 1.16 ends the second goal of this site with an error, which was taken for a bound."""
    assert faults_of(*drawn_case(23_000_318)) == []


@pytest.mark.slow
@pytest.mark.parametrize("batch", range(BATCHES))
def test_the_best_plan_and_nothing_else_is_called_optimal(batch: int) -> None:
    for number in range(batch * SITES_A_BATCH, (batch + 1) * SITES_A_BATCH):
        site, basis = drawn_case(number)
        assert faults_of(site, basis) == [], f"site {number}, {basis}"
