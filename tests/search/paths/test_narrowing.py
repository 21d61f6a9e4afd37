"""A narrowed site's plan is a plan of the site; its bounds are those of the whole site."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from families import site_of

from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search import Progress, Settings, best_plan, make_plan
from allocator.search.narrow import candidate_seconds
from allocator.search.narrowing import narrowed, pipe_column_count
from allocator.search.paths.network import Candidate
from allocator.search.strategy.budgets import NARROWED
from allocator.verify import audit


@pytest.mark.slow
@pytest.mark.parametrize("basis", ["mean", "firm"])
def test_a_narrowed_plan_is_one_of_the_site(
    basis: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_of(tmp_path, 12, 8, 2)
    whole = make_plan(site, Settings(basis=basis, time_limit=4.0, effort="quick")).plan
    assert whole is not None
    assert whole.goals[0].bound is not None
    monkeypatch.setattr(best_plan, "NARROWED", replace(NARROWED, pipe_columns=10))
    lines: list[Progress] = []
    small = make_plan(site, Settings(basis=basis, time_limit=4.0, effort="quick"), lines.append)
    plan = small.plan
    assert plan is not None
    assert audit(site, plan).accepted
    goal = plan.goals[0]
    assert goal.bound is not None
    assert goal.gap is not None
    if goal.status != "time_limit":  # the bound of the background worker has come down to the plan
        assert goal.status == ("optimal" if goal.gap <= 1e-6 else "within_gap")
        assert goal.gap <= Settings().gap
    # a bound of the whole site: the other plan cannot pass it either
    assert goal.bound >= whole.goals[0].value * (1 - 1e-6)
    assert goal.value <= whole.goals[0].bound * (1 + 1e-6)
    assert goal.value >= 0.9 * whole.goals[0].value
    assert all(line.bound is None for line in lines)


def test_only_corridors_of_finds_are_kept(tmp_path: Path) -> None:
    site = site_of(tmp_path, 8, 10, 2)
    route = next(iter(site.routes))
    small = narrowed(network_of(site), [Candidate(1.0, {(route, "gas"): "wide"}, (), {}, ())])
    assert list(small.routes) == [route]
    few, all_ = (pipe_column_count(offered(network_of(s), "mean")) for s in (small, site))
    assert few * len(site.routes) == all_


def test_candidates_leave_time_for_the_narrowed_model() -> None:
    assert candidate_seconds(None, 0.8, 1000) is None
    assert candidate_seconds(200.0, 0.8, 1000) == pytest.approx(160.0)
    assert candidate_seconds(100.0, 0.8, 1000) == pytest.approx(70.0)
    for limit in (5.0, 20.0, 50.0):  # short: as without a worker
        assert candidate_seconds(limit, 0.8, 1000) == pytest.approx(NARROWED.candidates * limit)
    assert candidate_seconds(20.0, 0.8, 100) == pytest.approx(16.0)
    assert candidate_seconds(100.0, 0.45, 1000) == pytest.approx(45.0)
