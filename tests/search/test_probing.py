"""Builds that are probed: none that a plan as good as the cutoff lays is shut."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from proven_fields import field_of_wells, prover_for

from allocator.model.goals import goals_of
from allocator.search import Settings, make_plan
from allocator.search.bounds import proving
from allocator.search.bounds.mixed import Known
from allocator.search.bounds.probing import Probing
from allocator.search.bounds.relaxation import Relaxation
from allocator.search.paths.known import point_of_plan
from allocator.search.strategy.budgets import BOUND


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("smaller", [0.2, 0.99], ids=["in place", "stated anew"])
def test_what_the_best_plan_lays_is_never_shut(
    smaller: float, seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few = replace(BOUND, flows=0, probing_smaller=smaller)
    monkeypatch.setattr(proving, "BOUND", few)
    monkeypatch.setattr("allocator.search.bounds.probing.BOUND", few)
    site = field_of_wells(tmp_path, 7, seed)
    plan = make_plan(site, Settings(basis="firm", gap=1e-6, time_limit=300.0)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    best = plan.goals[0].value
    made, full, sets = prover_for(site, "firm")
    made.aim(next(g for g in goals_of(full, sets) if g.name == "clean_power"))
    poor = Known(-0.9 * best, point_of_plan(full, sets, plan))
    assert made.relaxed(None, poor) is not None
    told: list[float] = []
    probed: list[Probing] = []

    class Remembered(Probing):
        """The same, remembered."""

        def run(self, ends: float | None) -> bool:
            probed.append(self)
            return super().run(ends)

    monkeypatch.setattr(proving, "Probing", Remembered)
    found = made.mixed(None, poor, -0.998 * best, told.append)
    assert found.bound is not None
    assert all(-bound >= best * (1.0 - 1e-6) for bound in (*told, found.bound))
    laid = {("lay", run.route, run.build, run.fluid) for run in plan.runs}
    (probing,) = probed
    assert isinstance(probing.relaxation, Relaxation)
    assert laid
    assert not laid & probing.closed
    # beyond the best plan, all is proven
    told.clear()
    found = made.mixed(None, poor, -1.01 * best, told.append)
    assert found.bound == pytest.approx(-1.01 * best)
    assert all(-bound >= best for bound in told)
