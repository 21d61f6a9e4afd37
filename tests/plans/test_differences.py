"""What two plans have differently."""

from __future__ import annotations

from dataclasses import replace

from handmade_cove import COVE_PLAN

from allocator.plans.differences import CHANGED, KEPT, LOST, MOVED, NEW, differences
from allocator.plans.records import BoosterUse, Plan


def fates(before: Plan, after: Plan) -> dict[tuple[str, str, str], str]:
    return {(d.kind, d.what, d.where): d.fate for d in differences(before, after)}


def test_a_plan_and_itself_are_the_same() -> None:
    found = differences(COVE_PLAN, COVE_PLAN)
    assert found
    assert {one.fate for one in found} == {KEPT}


def test_what_is_lost_one_way_is_new_the_other_way() -> None:
    without = replace(COVE_PLAN, sources=(), runs=COVE_PLAN.runs[1:])
    lost = [key for key, fate in fates(COVE_PLAN, without).items() if fate == LOST]
    new = [key for key, fate in fates(without, COVE_PLAN).items() if fate == NEW]
    assert sorted(lost) == sorted(new)
    assert {kind for kind, *_ in lost} == {"source", "pipe"}


def test_parts_of_places_by_temperature_are_no_other_places() -> None:
    """The same things at another level of the same place are kept."""
    blower = BoosterUse("roots", "gas", "lane: gas 38 degC", "a: gas 38 degC", "", True, 1.0, 1.0)
    into = replace(blower, route="", store="tank@a: gas inlets")
    machine, store = COVE_PLAN.machines[0], COVE_PLAN.stores[0]
    before = replace(COVE_PLAN, boosters=(blower, into))
    after = replace(
        before,
        boosters=(
            replace(blower, start="a: gas 30 degC", route="lane: gas 30 degC to 20 degC"),
            replace(into, start="a", store="tank@a"),
        ),
        machines=(
            replace(machine, name=f"{machine.name}: inlets", place=f"{machine.place}: inlets"),
            *COVE_PLAN.machines[1:],
        ),
        stores=(
            replace(store, name=f"{store.name}: inlets", place=f"{store.place}: inlets"),
            *COVE_PLAN.stores[1:],
        ),
    )
    found = differences(before, after)
    assert {one.fate for one in found} == {KEPT}
    assert [(d.what, d.where) for d in found if d.kind == "booster"] == [
        ("roots", "a, into lane"),
        ("roots", "a, into tank@a"),
    ]


def test_another_number_size_or_pipe_is_a_change() -> None:
    machine, store, run = COVE_PLAN.machines[0], COVE_PLAN.stores[0], COVE_PLAN.runs[0]
    other = replace(
        COVE_PLAN,
        machines=(replace(machine, count=machine.count + 1), *COVE_PLAN.machines[1:]),
        stores=(replace(store, size=1.01 * store.size), *COVE_PLAN.stores[1:]),
        runs=(replace(run, build="dn80"), *COVE_PLAN.runs[1:]),
    )
    changed = [one for one in differences(COVE_PLAN, other) if one.fate == CHANGED]
    assert [one.kind for one in changed] == ["pipe", "storage", "generator"]
    assert (changed[0].what, changed[0].was) == ("dn80", run.build)
    # a difference that no crew would see is none
    near = replace(COVE_PLAN, stores=(replace(store, size=1.0001 * store.size),))
    same = replace(COVE_PLAN, stores=(store,))
    assert {one.fate for one in differences(same, near)} == {KEPT}


def test_what_stands_at_another_place_has_moved() -> None:
    machine = COVE_PLAN.machines[0]
    there = replace(machine, place="hill", name=f"{machine.type}@hill")
    other = replace(COVE_PLAN, machines=(there, *COVE_PLAN.machines[1:]))
    (moved,) = [one for one in differences(COVE_PLAN, other) if one.fate != KEPT]
    assert (moved.fate, moved.where, moved.was) == (MOVED, "hill", machine.place)
    assert moved.before == moved.after == machine.count
