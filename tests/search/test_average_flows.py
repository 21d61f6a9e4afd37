"""The average-flow estimate beside a firm plan begins with that plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from families import site_of

import allocator as al
from allocator.search import Settings, make_plan
from allocator.search.best_plan import no_worse


def test_a_firm_plan_that_follows_a_profile_begins_a_plan_at_means() -> None:
    site = al.read_site(Path("networks/two_bays.yaml"))
    firm = make_plan(site, Settings(node_limit=20)).plan
    assert firm is not None
    assert any(machine.following for machine in firm.machines)
    mean = make_plan(site, Settings(basis="mean", node_limit=1, start=firm)).plan
    assert mean is not None
    assert mean.power.mean_clean >= firm.power.firm_clean * (1 - 1e-6)


def test_a_short_search_gives_an_estimate_no_lower_than_the_plan(tmp_path: Path) -> None:
    outcome = make_plan(site_of(tmp_path, 5, 4, 1), Settings(node_limit=1))
    assert outcome.plan is not None
    assert outcome.mean_basis is not None
    assert outcome.mean_basis.power.mean_clean >= outcome.plan.power.firm_clean


def test_an_estimate_below_the_plan_is_not_shown() -> None:
    plan = make_plan(al.read_site(Path("networks/first.yaml")), Settings(node_limit=10)).plan
    assert plan is not None
    low = replace(plan, power=replace(plan.power, mean_clean=0.5 * plan.power.firm_clean))
    assert no_worse(low, plan) is None
    assert no_worse(plan, plan) is plan
    assert no_worse(low, None) is low
