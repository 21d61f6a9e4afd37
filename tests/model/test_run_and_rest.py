"""Which machines may burn bursts as they come, and what run and rest ask of a battery."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.cycles import curve_of
from allocator.model.index_sets import may_burn
from allocator.model.rules.power import bridged
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.site.records import MachineType, Site, Stage
from allocator.verify import audit

NETWORKS = Path(__file__).parents[2] / "networks"
SET = MachineType("set", {"gas": 1e-3}, {}, {"yard": 1}, power_out=5e3, min_up_time=600.0)
CUT_SHORT = (Stage(600.0, 1000.0), Stage(3300.0, 5000.0))
"""Ten minutes at a time, but the last of each four is cut after five."""


def test_the_shortest_burst_counts() -> None:
    curve = curve_of(CUT_SHORT)
    assert may_burn(SET, curve)
    assert may_burn(replace(SET, min_burst_time=300.0), curve)
    assert not may_burn(replace(SET, min_burst_time=300.1), curve)
    assert may_burn(replace(SET, min_burst_time=600.0), curve_of(CUT_SHORT[:1]))
    assert not may_burn(replace(SET, min_down_time=1.0), curve_of(CUT_SHORT[:1]))


def test_the_longer_of_run_and_rest_is_bridged() -> None:
    assert bridged(SET) == 600.0
    assert bridged(replace(SET, min_down_time=900.0)) == 900.0
    assert bridged(replace(SET, min_up_time=0.0)) == 1.0


def with_machines(site: Site, **changes: float) -> Site:
    return replace(
        site,
        machines={name: replace(m, **changes) for name, m in site.machines.items()},  # type: ignore[arg-type]
    )


def test_sets_that_may_not_burn_bursts_leave_the_ridge_nothing_to_run_on() -> None:
    """The ridge lives off what is burnt as it comes: sets that must rest serve nobody there."""
    site = read_site(NETWORKS / "ridge_battery.yaml")
    asked = Settings(node_limit=300, gap=1e-3)
    free = make_plan(site, asked).plan
    resting = make_plan(with_machines(site, min_down_time=60.0), asked).plan
    assert free is not None
    assert resting is not None
    assert free.power.firm_clean > 1e3
    assert resting.power.firm_clean == pytest.approx(0.0, abs=1e-3)


def test_a_long_rest_asks_for_more_battery_and_a_larger_receiver() -> None:
    site = read_site(NETWORKS / "two_bays.yaml")
    asked = Settings(node_limit=200, gap=1e-3)
    rested = with_machines(site, min_down_time=3600.0)
    plans = [make_plan(s, asked).plan for s in (site, rested)]
    kept = []
    for place, plan in zip((site, rested), plans, strict=True):
        assert plan is not None
        assert audit(place, plan).breaches == ()
        assert simulate(place, plan, SimulationSettings(days=10.0, phases=1)).kept
        for machine in plan.machines:
            if machine.cycled > 0:
                kind = place.machines[machine.type]
                seconds = max(kind.min_up_time, kind.min_down_time)
                for fluid, held in machine.buffer_vessel.items():
                    assert held >= kind.inputs.get(fluid, 0.0) * seconds
                swing = sum(battery.swing_part for battery in plan.batteries)
                assert swing >= kind.power_out * seconds * (1 - 1e-9)
                kept.append(swing)
    assert kept
    assert plans[1] is not None
    assert plans[0] is not None
    slack = 1e-3 * plans[0].power.firm_clean
    assert plans[1].power.firm_clean <= plans[0].power.firm_clean + slack
