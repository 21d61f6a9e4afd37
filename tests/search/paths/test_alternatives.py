"""Several good plans: they differ in what is laid, lose no more than is stated, and are audited."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest
from families import site_of

from allocator.engine import plan_site
from allocator.search import Settings
from allocator.search.alternatives import fewest_apart, laid_by


@pytest.mark.slow
@pytest.mark.parametrize(("basis", "loss"), [("mean", 0.3), ("firm", 0.35)])
def test_plans_differ_and_lose_little(basis: str, loss: float, tmp_path: Path) -> None:
    site = site_of(tmp_path, 8, 10, 2)
    count = 3 if basis == "mean" else 2
    settings = Settings(basis=basis, node_limit=15, gap=0.05, alternatives=count, loss=loss)
    planned = plan_site(site, settings)
    assert planned.audit.accepted
    plans = [planned.plan, *planned.alternatives]
    assert len(plans) == count
    best = planned.plan.power.firm_clean
    for plan in planned.alternatives:
        assert plan.verified
        assert best * (1 - loss) * (1 - 1e-6) <= plan.power.firm_clean
        assert plan.goals[0].bound is None  # nothing is said of how much better one might be
    for first, second in combinations(plans, 2):
        laid = laid_by(first)
        assert len(laid - laid_by(second)) >= fewest_apart(len(laid))


def test_one_plan_is_the_default(tmp_path: Path) -> None:
    site = site_of(tmp_path, 8, 10, 2)
    planned = plan_site(site, Settings(basis="mean", node_limit=50, gap=0.1))
    assert planned.alternatives == ()
