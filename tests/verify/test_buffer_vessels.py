"""Receivers beside units run on and off: a march of the unit, its battery and its receiver."""

from __future__ import annotations

import dataclasses

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.model.buffers import buffer_vessels_of
from allocator.model.index_sets import index_sets_of
from allocator.network.deriving import network_of
from allocator.plans.records import MachineUse
from allocator.simulation.accounts import starts_of
from allocator.site.records import Site
from allocator.verify import audit
from allocator.verify.case import case_of
from allocator.verify.running import swing_of

RUN, EFFICIENCY, POWER, FUEL = 600.0, 0.9, 4e3, 0.001


def cycled(
    share: float, buffer_vessel: float, rest: float = 0.0, keeps: float | None = None
) -> tuple[MachineUse, dict[str, float]]:
    """The oil set of the cove at a share of its time: swing, and what a march of a day shows."""
    machines = tuple(
        dataclasses.replace(m, cycled=share, buffer_vessel={"oil": buffer_vessel})
        if m.name == "oil_set@works"
        else m
        for m in COVE_PLAN.machines
    )
    batteries = tuple(
        b if keeps is None else dataclasses.replace(b, swing_part=keeps)
        for b in COVE_PLAN.batteries
    )
    site = resting(rest)
    case = case_of(
        network_of(site), dataclasses.replace(COVE_PLAN, machines=machines, batteries=batteries)
    )
    (machine,) = (m for m in case.plan.machines if m.cycled > 0)
    swing = swing_of(case, machine)
    on, battery, held, step = True, 0.0, 0.0, 0.5
    lowest = highest = starts = 0.0
    longest, began, ended, shortest = 0.0, 0.0, None, float("inf")
    for number in range(int(86400 / step)):
        # the battery gives the mean for ever; the fuel comes in at its mean for ever
        battery += step * (EFFICIENCY * POWER * ((1.0 if on else 0.0) - share))
        held += step * FUEL * (share - (1.0 if on else 0.0))
        lowest, highest = min(lowest, held), max(highest, held)
        if on and battery >= swing:
            on, longest = False, max(longest, number * step - began)
            ended = number * step
        elif not on and battery <= 0.0:
            if ended is not None:
                shortest = min(shortest, number * step - ended)
            on, began, starts = True, number * step, starts + 1
    expected = starts_of(case, machine, 86400.0)
    assert expected is not None
    return machine, {
        "swing": swing,
        "moved": highest - lowest,
        "starts": starts,
        "expected": expected,
        "longest": longest,
        "shortest_rest": shortest,
    }


def resting(rest: float) -> Site:
    """The cove, where an oil set rests so long between two runs."""
    oil = dataclasses.replace(COVE.machines["oil_set"], min_down_time=rest)
    return dataclasses.replace(COVE, machines={**COVE.machines, "oil_set": oil})


@pytest.mark.parametrize("share", [0.1, 0.35, 0.6, 0.9, 0.97])
def test_battery_and_receiver_take_up_the_longer_of_run_and_rest(share: float) -> None:
    """A march of half seconds rests no shorter than R t / e of receiver and P t of battery allow.

    By hand: a swing of P t is used up in t / (e c), so a rest of half an hour is 1800 / (0.9 c).
    """
    rest = 1800.0
    held, kept = FUEL * rest / EFFICIENCY, POWER * rest
    _, shown = cycled(share, held, rest, kept)
    assert shown["shortest_rest"] >= rest
    assert shown["shortest_rest"] == pytest.approx(rest / (EFFICIENCY * share), rel=2e-4, abs=2.0)
    assert shown["moved"] <= held * 1.01
    _, hasty = cycled(share, FUEL * RUN / EFFICIENCY, rest, POWER * RUN)
    if share > 0.5:  # a long share of the time on leaves a short rest
        assert hasty["shortest_rest"] < rest


def test_planning_asks_for_room_for_the_rest_and_the_audit_for_no_less() -> None:
    rest = 1800.0
    site = resting(rest)
    choices = index_sets_of(network_of(site))
    group = choices.groups["oil_set@works"]
    need = {"oil": FUEL * rest / EFFICIENCY}
    assert buffer_vessels_of(choices, group) == pytest.approx(need, rel=1e-5)
    broken = {breach.rule for breach in audit(site, COVE_PLAN).breaches}
    assert {"swing_reserve", "receiver"} <= broken
    assert not {"swing_reserve", "receiver"} & {b.rule for b in audit(COVE, COVE_PLAN).breaches}


@pytest.mark.parametrize("share", [0.1, 0.35, 0.6, 0.9])
def test_a_receiver_takes_the_lumps_of_one_run(share: float) -> None:
    enough = FUEL * RUN / EFFICIENCY
    _, shown = cycled(share, enough)
    assert shown["moved"] <= enough * 1.01  # a step of the march is half a second
    assert shown["moved"] >= enough * 0.98
    assert shown["longest"] >= RUN
    assert shown["starts"] == pytest.approx(shown["expected"], abs=1.5)


def test_a_small_receiver_makes_runs_short_and_a_large_one_uses_no_more_than_the_battery() -> None:
    _, small = cycled(0.35, 0.1)
    _, large = cycled(0.35, 100.0)
    assert small["moved"] <= 0.1 * 1.02
    assert large["swing"] == 2.5e6
    assert large["starts"] < small["starts"]


def test_planning_asks_for_a_receiver_that_the_audit_accepts() -> None:
    choices = index_sets_of(network_of(COVE))
    group = choices.groups["oil_set@works"]
    assert buffer_vessels_of(choices, group) == pytest.approx(
        {"oil": FUEL * RUN / EFFICIENCY}, rel=1e-5
    )
    # hot water is asked for, breath is not used by anybody
    both = buffer_vessels_of(choices, choices.groups["set@works"])
    assert set(both) == {"gas", "hot_water"}
