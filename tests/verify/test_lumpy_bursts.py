"""Bursts burnt by a part of a unit that has fuel at no load: in lumps, out of a receiver."""

from __future__ import annotations

import dataclasses
import functools

import pytest
from networks.stored_answers import planned, site_of

from allocator.plans.outages import OutageOperation
from allocator.plans.records import Plan, Robustness
from allocator.site.records import Site
from allocator.verify import audit

RUN, EFFICIENCY, POWER, FUEL = 600.0, 0.92, 11e3, 1.1e-3


@functools.cache
def ridge(**changes: float) -> tuple[Site, Plan]:
    """The ridge, its gas set changed, and its plan."""
    site = site_of("ridge_battery")
    gas_set = dataclasses.replace(site.machines["gas_set"], **changes)  # type: ignore[arg-type]
    site = dataclasses.replace(site, machines={**site.machines, "gas_set": gas_set})
    plan = planned(site).plan
    assert plan is not None
    return site, plan


@pytest.mark.parametrize("part", [0.05, 0.27, 0.6, 0.95])
@pytest.mark.parametrize(("on", "every"), [(540.0, 1500.0), (3000.0, 7000.0), (60.0, 900.0)])
def test_a_march_is_never_further_behind_than_one_run(part: float, on: float, every: float) -> None:
    """A unit that starts when a whole run's fuel is there, against burning it as it comes."""
    step, held, behind = 0.5, 0.0, 0.0
    most_held = most_behind = 0.0
    left = 0.0  # seconds of the run that are still to go
    for number in range(int(20 * every / step)):
        comes = part * FUEL if (number * step) % every < on else 0.0
        if left <= 0.0 and held >= FUEL * RUN:
            left = RUN
        burns = FUEL if left > 0.0 else 0.0
        left -= step
        held += step * (comes - burns)
        behind += step * POWER / FUEL * (comes - burns)
        most_held, most_behind = max(most_held, held), max(most_behind, behind)
        assert held >= -1e-9
    assert most_held <= FUEL * RUN / EFFICIENCY
    assert most_behind <= POWER * RUN * 1.001  # a step of the march
    if part * on * 20 > RUN:  # else there never is a run's fuel
        assert most_behind >= POWER * RUN * 0.99


def test_the_plan_keeps_battery_and_receiver_for_one_run() -> None:
    site, plan = ridge()
    assert audit(site, plan).accepted
    (gas_set,) = (m for m in plan.machines if m.type == "gas_set" and m.count)
    assert gas_set.cycled == 0.0
    assert sum(gas_set.burst.values()) > 1.0
    assert gas_set.buffer_vessel["tip_gas"] == pytest.approx(FUEL * RUN / EFFICIENCY, rel=1e-5)
    assert sum(b.swing_part for b in plan.batteries) == pytest.approx(POWER * RUN, rel=1e-5)
    (fuel_cell,) = (m for m in plan.machines if m.type == "fuel_cell" and m.count)
    assert not fuel_cell.buffer_vessel  # its fuel is in proportion to its load


@pytest.mark.parametrize("rule", ["receiver", "swing_reserve"])
def test_the_audit_asks_for_both(rule: str) -> None:
    site, plan = ridge()
    if rule == "receiver":
        machines = tuple(dataclasses.replace(m, buffer_vessel={}) for m in plan.machines)
        less = dataclasses.replace(plan, machines=machines)
    else:
        batteries = tuple(dataclasses.replace(b, swing_part=0.0) for b in plan.batteries)
        less = dataclasses.replace(plan, batteries=batteries)
    assert rule in {breach.rule for breach in audit(site, less).breaches}


def test_fuel_in_proportion_needs_neither_and_gives_more() -> None:
    _, batched = ridge()
    site, even = ridge(no_load=0.0, min_load=0.0)
    assert audit(site, even).accepted
    assert even.power.firm_clean > batched.power.firm_clean * 1.003
    assert all(not m.buffer_vessel for m in even.machines)
    assert sum(b.swing_part for b in even.batteries) == 0.0


@pytest.mark.parametrize(("left", "refused"), [(4, False), (3, True)])
def test_bursts_of_a_unit_that_fails_are_charged_within_the_rate(left: int, refused: bool) -> None:
    """Units that run have room for 3.27 of bursts; one less, and a whole unit runs in lumps.

    The battery may be charged with what bursts give and 1 kW, which is less than a unit.
    """
    site, plan = ridge()
    (gas_set,) = (m for m in plan.machines if m.type == "gas_set" and m.count)
    others = tuple(m for m in plan.machines if m is not gas_set)
    bursts = sum(
        site.machines[m.type].power_out * sum(m.burst.values()) for m in (gas_set, *others)
    )
    battery = dataclasses.replace(site.storage["battery"], fill_rate=bursts + 1e3)
    site = dataclasses.replace(site, storage={**site.storage, "battery": battery})
    normal = dataclasses.replace(gas_set, count=5, new=5, running=4)
    outage = OutageOperation(
        out={gas_set.name: 1},
        machines=tuple(
            dataclasses.replace(normal, count=4, running=left) if m is gas_set else m
            for m in plan.machines
        ),
        demands=plan.demands,
    )
    plan = dataclasses.replace(
        plan,
        machines=tuple(normal if m is gas_set else m for m in plan.machines),
        robustness=Robustness(machines=1),
        outages=(outage,),
    )
    found = [b.subject for b in audit(site, plan).breaches if b.rule == "battery_fill_rate"]
    assert found == ([f"with 1 of {gas_set.name!r} out of order: battery 'battery@hut'"] * refused)


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({}, "machine_units"),
        ({"burst": {"battery@hut": 2.9}}, "outage_design"),
        ({"burst": {}}, "outage_design"),
    ],
)
def test_no_burst_is_burnt_in_a_unit_that_fails(changes: dict[str, object], rule: str) -> None:
    """Four units burn 3.27 of bursts; three are left. To burn less is another collect layer."""
    site, plan = ridge()
    (gas_set,) = (m for m in plan.machines if m.type == "gas_set" and m.count)
    left = dataclasses.replace(gas_set, count=3, **changes)  # type: ignore[arg-type]
    outage = OutageOperation(
        out={gas_set.name: 1},
        machines=tuple(left if m is gas_set else m for m in plan.machines),
        demands=plan.demands,
    )
    plan = dataclasses.replace(plan, robustness=Robustness(machines=1), outages=(outage,))
    subject = f"with 1 of {gas_set.name!r} out of order"
    found = {b.rule for b in audit(site, plan).breaches if b.subject.startswith(subject)}
    assert rule in found
