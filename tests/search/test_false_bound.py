"""A bound that a plan passes is dropped and said to be wrong, never moved to the plan's value."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.found import passes
from allocator.solver.interface import Highs, Solved

ISLAND = Path(__file__).parents[2] / "networks" / "island.yaml"


@pytest.mark.slow
def test_a_false_proof_is_not_called_optimal(monkeypatch: pytest.MonkeyPatch) -> None:
    """A solver that claims every mixed bound 10 % too low to be true."""
    honest = Highs.solve

    def boastful(self: Highs, **arguments: object) -> Solved:
        solved = honest(self, **arguments)  # type: ignore[arg-type]
        mixed = bool(np.any(self._integer)) and not self._relaxed
        if mixed and solved.bound is not None:
            return replace(solved, bound=solved.bound + 0.1 * abs(solved.bound))
        return solved

    monkeypatch.setattr(Highs, "solve", boastful)
    plan = make_plan(read_site(ISLAND), Settings(node_limit=50)).plan
    assert plan is not None
    first = plan.goals[0]
    assert (first.status, first.bound, first.gap) == ("bound_refuted", None, None)
    assert plan.status == "bound_refuted"


def test_the_solvers_tolerance_is_no_refutation() -> None:
    assert not passes(100.0 + 5e-5, 100.0, True, 1e-9)
    assert passes(101.0, 100.0, True, 1e-9)
    assert not passes(99.0, 100.0, True, 1e-9)
    assert passes(99.0, 100.0, False, 1e-9)
