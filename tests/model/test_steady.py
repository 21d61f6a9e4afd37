"""Sites whose sources are all steady: the same answers without what only cycles need."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tiny_sites import PROFILES, tiny_site

from allocator.model import stating
from allocator.model.steady import never_varies
from allocator.network.deriving import network_of
from allocator.plans.records import Robustness
from allocator.search import Settings, make_plan
from allocator.search.planner import Outcome
from allocator.site.records import Site


def steady_site(seed: int, profile: int) -> Site:
    """A tiny site with a battery and stores, without fuel at no load, whose sources never stop."""
    site = tiny_site(seed, battery=True, stores=True)
    flexible = {"no_load": 0.0, "min_load": 0.0}
    return replace(
        site,
        sources={n: replace(s, stages=(), pump=None) for n, s in site.sources.items()},
        machines={n: replace(m, **flexible) for n, m in site.machines.items()},
        demands={
            n: replace(d, profile=PROFILES[profile], min_share=0.0) for n, d in site.demands.items()
        },
    )


def planned(site: Site) -> Outcome:
    return make_plan(site, Settings(node_limit=2000, gap=0.0))


@pytest.mark.parametrize("profile", [0, 1])
@pytest.mark.parametrize("seed", range(6))
def test_goals_are_the_same_without_the_collect_layer(
    seed: int, profile: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = steady_site(seed, profile)
    sets = stating.offered(network_of(site), "firm")
    assert not sets.destinations
    assert never_varies(sets) == (profile == 0)
    assert bool(sets.batteries) == (profile == 1)
    lean = planned(site)
    monkeypatch.setattr(stating, "without_cycles", lambda sets: sets)
    assert stating.offered(network_of(site), "firm").destinations
    full = planned(site)
    assert lean.plan is not None
    assert full.plan is not None
    for mine, other in zip(lean.plan.goals, full.plan.goals, strict=True):
        assert mine.value == pytest.approx(other.value, rel=1e-6, abs=1e-6), mine.name
        assert mine.status == other.status == "optimal"


def test_the_estimate_and_the_limit_of_a_site_where_nothing_varies_are_those_of_its_plan() -> None:
    outcome = planned(steady_site(0, 0))
    assert outcome.plan is not None
    assert outcome.mean_basis is not None
    power = outcome.plan.power
    assert power.firm_clean > 0
    assert outcome.mean_basis.power.mean_clean == power.firm_clean


def test_what_may_fail_keeps_its_collect_layer() -> None:
    network = network_of(steady_site(0, 0))
    assert stating.offered(network, "firm", Robustness(lost=1)).destinations
