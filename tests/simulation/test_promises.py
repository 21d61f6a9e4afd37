"""Laws of whole plans: what is promised is there from every phase, and every sum closes.

Searches are limited by nodes, never by seconds, so that the plans are the same everywhere.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from strategies import sites

from allocator.base.errors import PlanFileError
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.simulation import Outages, SimulationSettings, replay, simulate
from allocator.simulation.trace import Draw, TankTrace
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[2] / "networks"

quick = settings(
    max_examples=30,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@lru_cache(maxsize=4)
def example(name: str) -> tuple[Site, Plan]:
    site = read_site(NETWORKS / f"{name}.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    return site, plan


def assert_closes(tank: TankTrace) -> None:
    """What came in, less what went out, is what the level rose by."""
    came = tank.arrived + tank.short + tank.saved
    went = tank.drawn + tank.lost + tank.spilt + tank.untaken + tank.burnt
    scale = tank.arrived + tank.drawn + tank.size
    assert tank.last - tank.first == pytest.approx(came - went, abs=1e-9 * scale)
    assert -1e-9 * tank.size <= tank.lowest <= tank.highest <= tank.size * (1 + 1e-9)


def assert_holds(draw: Draw, chambers: bool = False) -> None:
    assert draw.kept, (draw.name, draw.unserved_j, draw.tanks)
    for tank in draw.tanks:
        assert_closes(tank)
        if tank.need is not None:
            # The phases bring about the worst window, and nothing passes it. Where pumps draw on
            # chambers in it, less is taken: a promise does not count with them.
            assert tank.need <= tank.size * (1 + 1e-9)
            taken = tank.size - tank.lowest
            if chambers:
                assert taken <= tank.need * (1 + 1e-6)
            else:
                assert taken == pytest.approx(tank.need, rel=1e-6)


@pytest.mark.slow
@quick
@given(site=sites())
def test_every_plan_keeps_its_promise_from_every_phase(site: Site) -> None:
    """Some two thousand random draws, and one against every store of every site."""
    plan = make_plan(site, Settings(node_limit=5000, gap=1e-6)).plan
    assert plan is not None
    trace = simulate(site, plan, SimulationSettings(days=40.0, phases=70))
    for draw in trace.draws:
        assert_holds(draw, chambers=bool(trace.chambers))
    assert trace.kept
    assert trace.worst_firm_w == plan.power.firm_total
    for draw in simulate(site, plan, SimulationSettings(days=40.0, phases=5, hold="need")).draws:
        assert draw.kept, draw
        for tank in draw.tanks:
            assert_closes(tank)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first", "ridge_battery", "island", "two_bays"])
def test_examples_keep_their_promise_and_surplus_only_adds(name: str) -> None:
    site, plan = example(name)
    plain = simulate(site, plan, SimulationSettings(days=200.0, phases=3, surplus=False))
    greedy = simulate(site, plan, SimulationSettings(days=200.0, phases=3))
    eager = simulate(site, plan, SimulationSettings(days=200.0, phases=3, hold="need"))
    for draw in (*plain.draws, *greedy.draws):
        assert_holds(draw)
    assert eager.kept
    for a, b, c in zip(plain.draws, greedy.draws, eager.draws, strict=True):
        assert a.mean_total_w <= b.mean_total_w * (1 + 1e-9)
        assert a.mean_clean_w <= b.mean_clean_w * (1 + 1e-9)
        assert b.mean_clean_w <= c.mean_clean_w * (1 + 1e-3)
        assert b.mean_total_w <= plan.power.demand_mean * (1 + 1e-9)


def test_the_store_cut_is_reached_where_it_binds() -> None:
    """In the first example one constant draw takes all of the store, as its comment shows."""
    site, plan = example("first")
    trace = simulate(site, plan, SimulationSettings(days=30.0, phases=4))
    (against,) = (draw for draw in trace.draws if draw.name.startswith("against"))
    (tank,) = against.tanks
    assert 0.999 <= (tank.size - tank.lowest) / tank.size <= 1.0 + 1e-9


def test_random_phases_come_near_the_worst_window_on_long_horizons() -> None:
    site, plan = example("first")
    trace = simulate(site, plan, SimulationSettings(days=2000.0, phases=3, adversarial=False))
    for draw in trace.draws:
        (tank,) = draw.tanks
        assert 0.999 <= (tank.size - tank.lowest) / tank.size <= 1.0 + 1e-9


def test_a_promise_that_cannot_hold_is_found_broken_and_can_be_replayed() -> None:
    site, plan = example("first")
    (store,) = plan.stores
    smaller = replace(plan, stores=(replace(store, size=0.8 * store.size),))
    trace = simulate(site, smaller, SimulationSettings(days=20.0, phases=2))
    assert not trace.kept
    assert trace.broken
    worst = trace.broken[-1]
    # With 20 % of the store gone, the last fifth of the longest quiet spell is dark.
    assert worst.short_s / 20 == pytest.approx(0.2 * 64800.0, rel=1e-3)
    assert worst.worst_firm_w == pytest.approx(0.0, abs=1e-6)
    again, _ = replay(network_of(site), smaller, dict(worst.phases), SimulationSettings(days=20.0))
    assert again.unserved_j == worst.unserved_j


def test_from_empty_stores_the_wait_and_what_bridges_it() -> None:
    """One source, on for 6 h of 24, that starts in 6 h: until then, and while the store is too

    low for the next quiet spell, nothing is sure."""
    site, plan = example("first")
    source = replace(site.sources["digester"], next_start=6 * 3600.0)
    site = replace(site, sources={"digester": source})
    trace = simulate(site, plan, SimulationSettings(days=10.0, phases=1, from_now=True))
    assert trace.start is not None
    draw_rate = sum(plan.stores[0].draw.values())
    assert trace.start.firm_from_s == pytest.approx(6 * 3600.0)
    assert trace.start.unserved_j == pytest.approx(6 * 3600.0 * plan.power.firm_total, rel=1e-6)
    (bridge,) = trace.start.bridge.values()
    assert bridge == pytest.approx(6 * 3600.0 * draw_rate, rel=2e-4)


def test_outages_cost_power_in_step_with_repair_time() -> None:
    """Both engines are needed; each is out for 10 % of the time, by renewal theory."""
    site, plan = example("first")
    failing = Outages(between=9 * 3600.0, repair=3600.0)
    asked = SimulationSettings(days=400.0, phases=3, adversarial=False, failing=failing)
    trace = simulate(site, plan, asked)
    lost = trace.mean("unserved_j") / (400 * 86400.0 * plan.power.firm_total)
    assert not trace.kept
    assert lost == pytest.approx(0.1, abs=0.01)


def test_a_plan_for_another_site_or_basis_is_refused() -> None:
    site, plan = example("first")
    with pytest.raises(PlanFileError, match="another site"):
        simulate(replace(site, sha256="0" * 64), plan)
    with pytest.raises(PlanFileError, match="mean basis"):
        simulate(site, replace(plan, basis="mean"))
    spoilt = replace(plan, stores=(replace(plan.stores[0], size=float("nan")),))
    with pytest.raises(PlanFileError, match="not finite"):
        simulate(site, spoilt)


@pytest.mark.parametrize("wrong", [{"days": 0.0}, {"phases": 0}, {"hold": "half"}, {"seed": -1}])
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"must be|or more"):
        SimulationSettings(**wrong)  # type: ignore[arg-type]
