"""Set-points: reserves that keep a promise, one that would not is named, starts in closed form."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.plan import Plan
from allocator.planning import Settings, make_plan
from allocator.proof.simulation import SimulationSettings, simulate
from allocator.proof.simulation.search import best_reserves
from allocator.site.reading import read_site
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[3] / "networks"
ASKED = SimulationSettings(days=60.0, phases=2)


def roomy(factor: float = 2.0) -> tuple[Site, Plan]:
    """The first example with a larger holder than its promise needs, and a larger inflow."""
    site = read_site(NETWORKS / "first.yaml")
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    store = replace(plan.stores[0], size=factor * plan.stores[0].size)
    (source,) = plan.sources
    collect = dict.fromkeys(source.collect, 12e-3)
    return site, replace(plan, stores=(store,), sources=(replace(source, collect=collect),))


def test_the_reserve_is_what_the_worst_window_needs() -> None:
    """The longest quiet spell of 18 h at the promised draw: more is free to be burnt."""
    site, plan = roomy()
    trace = simulate(site, plan, ASKED)
    (point,) = trace.set_points
    need = 18 * 3600.0 * sum(plan.stores[0].draw.values())
    assert point.reserve == pytest.approx(need, rel=2e-6)
    assert trace.unsafe == ()


def test_a_reserve_below_the_need_is_named_and_breaks_the_promise() -> None:
    """From 1.2 needs, 3 g/s go until 0.3 of it is left, which lasts 19 400 s of the last 25 000."""
    site, plan = roomy(1.2)
    (name,) = (store.name for store in plan.stores)
    need = 18 * 3600.0 * sum(plan.stores[0].draw.values())
    low = simulate(site, plan, ASKED, reserves={name: 0.3 * need})
    assert low.unsafe == (name,)
    assert not low.kept
    safe = simulate(site, plan, ASKED, reserves={name: need * (1 + 1e-6)})
    assert safe.unsafe == ()
    assert safe.kept


def test_the_search_burns_what_is_free_and_keeps_the_promise() -> None:
    site, plan = roomy()
    full = simulate(site, plan, ASKED)
    found = best_reserves(site, plan, ASKED)
    assert found.mean_clean_w > full.mean("mean_clean_w") * 1.01
    again = simulate(site, plan, ASKED, reserves=found.levels)
    assert again.kept
    assert again.unsafe == ()


def test_starts_of_a_unit_behind_a_battery() -> None:
    """On at P, used at e c P: a swing S fills in S/(e P (1 - c)), empties in S/(e c P)."""
    site = read_site(NETWORKS / "two_bays.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    (machine,) = (m for m in plan.machines if m.cycled > 0)
    kind = site.machines[machine.type]
    trace = simulate(site, plan, replace(ASKED, phases=1))
    (point,) = trace.cycle_points
    kept = sum(battery.swing_part for battery in plan.batteries)
    efficiency = site.stores[plan.batteries[0].type].charge_efficiency
    on = kept / (efficiency * kind.power_out * (1 - machine.cycled))
    off = kept / (efficiency * kind.power_out * machine.cycled)
    assert point.stop == pytest.approx(kept)
    assert point.starts_a_day == pytest.approx(86400.0 / (on + off))
    assert on >= kind.least_run
