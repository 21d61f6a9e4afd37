"""Receivers beside units run on and off: a march of the unit, its battery and its receiver."""

from __future__ import annotations

import dataclasses

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.plan import MachineUse
from allocator.planning.choices import choices_of
from allocator.planning.receivers import receivers_of
from allocator.proof.case import case_of
from allocator.proof.simulation.accounts import starts_of, swing_of

RUN, EFFICIENCY, POWER, FUEL = 600.0, 0.9, 4e3, 0.001


def cycled(share: float, receiver: float) -> tuple[MachineUse, dict[str, float]]:
    """The oil set of the cove at a share of its time: swing, and what a march of a day shows."""
    machines = tuple(
        dataclasses.replace(m, cycled=share, receiver={"oil": receiver})
        if m.name == "oil_set@works"
        else m
        for m in COVE_PLAN.machines
    )
    case = case_of(COVE, dataclasses.replace(COVE_PLAN, machines=machines))
    (machine,) = (m for m in case.plan.machines if m.cycled > 0)
    swing = swing_of(case, machine)
    on, battery, held, step = True, 0.0, 0.0, 0.5
    lowest = highest = starts = 0.0
    longest, began = 0.0, 0.0
    for number in range(int(86400 / step)):
        # the battery gives the mean for ever; the fuel comes in at its mean for ever
        battery += step * (EFFICIENCY * POWER * ((1.0 if on else 0.0) - share))
        held += step * FUEL * (share - (1.0 if on else 0.0))
        lowest, highest = min(lowest, held), max(highest, held)
        if on and battery >= swing:
            on, longest = False, max(longest, number * step - began)
        elif not on and battery <= 0.0:
            on, began, starts = True, number * step, starts + 1
    expected = starts_of(case, machine, 86400.0)
    assert expected is not None
    return machine, {
        "swing": swing,
        "moved": highest - lowest,
        "starts": starts,
        "expected": expected,
        "longest": longest,
    }


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
    choices = choices_of(COVE)
    group = choices.groups["oil_set@works"]
    assert receivers_of(choices, group) == pytest.approx({"oil": FUEL * RUN / EFFICIENCY}, rel=1e-5)
    # hot water is asked for, breath is not used by anybody
    both = receivers_of(choices, choices.groups["set@works"])
    assert set(both) == {"gas", "hot_water"}
