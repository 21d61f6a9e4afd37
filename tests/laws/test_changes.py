"""Laws of change: what a change of a site that means nothing, or only helps, does to the plan.

Every law holds for the best plan, so equalities are asked for only where both searches proved
theirs, and an inequality is asked of a plan and the other search's bound. ``ALLOCATOR_LAWS``
says how many sites a law is tried on (a handful by default).
"""

from __future__ import annotations

import os
from dataclasses import replace

import pytest
from brute.sites import drawn_site
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from laws.changes import (
    heavier,
    prefixed,
    route_cut,
    slowed,
    source_free,
    source_split,
    spares,
    stock_halved,
    stock_split,
)
from strategies import sites

from allocator.plans.records import GoalResult, Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site

EXAMPLES = int(os.environ.get("ALLOCATOR_LAWS", "8"))
GAP = 1e-6
NODES = 2000
BASES = st.sampled_from(["firm", "firm", "mean"])

laws = settings(
    max_examples=EXAMPLES,
    derandomize=EXAMPLES <= 100,  # the same sites on every machine; others in a long run
    deadline=None,
    # A drawn site is small already; hundreds of plans to make it smaller would take minutes.
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


def small_sites() -> st.SearchStrategy[Site]:
    """Sites that the brute force knows, and a few of all that a site file can say."""
    by_number = st.integers(0, 10**6).map(drawn_site)
    return st.one_of(by_number, by_number, by_number, sites())


def planned(site: Site, basis: str) -> Plan | None:
    """A plan; None where a drawn site has none, or none is found."""
    return make_plan(site, Settings(basis=basis, gap=GAP, node_limit=NODES)).plan


def first(plan: Plan) -> GoalResult | None:
    """The first goal, where there is anything to decide."""
    return plan.goals[0] if plan.goals else None


def close(value: float) -> float:
    """What two searches for the same optimum may differ by: twice the gap and the margins."""
    return 4.0 * GAP * abs(value) + 1e-9


def assert_same(one: Plan, other: Plan, factors: dict[str, float] | None = None) -> None:
    """The same goals, up to the last that both searches proved."""
    mine = {goal.name: goal for goal in one.goals}
    theirs = {goal.name: goal for goal in other.goals}
    assert list(mine) == list(theirs)
    for number, name in enumerate(mine):
        if mine[name].status != "optimal" or theirs[name].status != "optimal":
            return
        expected = mine[name].value * (factors or {}).get(name.split()[0], 1.0)
        # Later goals may use what the gap of earlier ones leaves open.
        room = close(expected) if number == 0 else 1e-4 * abs(expected) + 1e-9
        assert theirs[name].value == pytest.approx(expected, rel=0.0, abs=room), name


def assert_no_less(more: Plan | None, less: Plan | None) -> None:
    """What ``less`` reached is within the bound of ``more``, and reached where that is proven."""
    if less is None:
        return
    assert more is not None
    one, other = first(more), first(less)
    if one is None or other is None or one.name != other.name:
        return
    sign = 1.0 if one.sense == "max" else -1.0
    room = close(other.value)
    if one.bound is not None:
        assert sign * (one.bound - other.value) >= -room, (one, other)
    if one.status == "optimal":
        assert sign * (one.value - other.value) >= -room, (one, other)


@laws
@given(site=small_sites(), basis=BASES, pieces=st.integers(2, 4), data=st.data())
def test_a_corridor_cut_in_pieces_is_the_same(
    site: Site, basis: str, pieces: int, data: st.DataObject
) -> None:
    # Where the capacity is stated, for that by bore depends on the length of a run.
    routes = [n for n, r in site.routes.items() if not any(site.pipes[b].bore for b in r.pipes)]
    if not routes:
        return
    cut = route_cut(site, data.draw(st.sampled_from(routes)), pieces)
    one, other = planned(site, basis), planned(cut, basis)
    if one is not None and other is not None:
        assert_same(one, other)


@laws
@given(site=small_sites(), basis=BASES, data=st.data())
def test_equal_sources_at_one_place_are_worth_one_of_their_flow(
    site: Site, basis: str, data: st.DataObject
) -> None:
    # Cuts are linear in the rates, and phases are free: the worst is that both are off together.
    name = data.draw(st.sampled_from(list(site.sources)))
    free = source_free(site, name)
    one, other = planned(free, basis), planned(source_split(free, name), basis)
    if one is not None and other is not None:
        assert_same(one, other)


@laws
@given(site=small_sites(), basis=BASES, data=st.data())
def test_halves_of_a_source_that_may_be_tapped_alone_never_give_less(
    site: Site, basis: str, data: st.DataObject
) -> None:
    name = data.draw(st.sampled_from(list(site.sources)))
    assert_no_less(planned(source_split(site, name), basis), planned(site, basis))


@laws
@given(site=small_sites(), basis=BASES, data=st.data(), share=st.sampled_from([0.25, 0.5, 0.8]))
def test_a_stock_that_is_set_apart_for_pipe_never_gives_more(
    site: Site, basis: str, data: st.DataObject, share: float
) -> None:
    name = data.draw(st.sampled_from(list(site.materials)))
    assert_no_less(planned(site, basis), planned(stock_split(site, name, share), basis))


@laws
@given(site=small_sites(), basis=BASES, data=st.data())
def test_half_of_each_of_two_materials_is_the_same(
    site: Site, basis: str, data: st.DataObject
) -> None:
    name = data.draw(st.sampled_from(list(site.materials)))
    one, other = planned(site, basis), planned(stock_halved(site, name), basis)
    if one is not None and other is not None:
        assert_same(one, other)


@laws
@given(site=small_sites(), basis=BASES)
def test_names_decide_nothing(site: Site, basis: str) -> None:
    """With names in the same order even ties are broken alike: the same plan, not only as good."""
    one, other = planned(site, basis), planned(prefixed(site, "x"), basis)
    if one is None or other is None:
        assert one is other
        return
    assert [g.value for g in one.goals] == [g.value for g in other.goals]
    assert [(f"x{u.name}", u.tapped) for u in one.sources] == [
        (u.name, u.tapped) for u in other.sources
    ]
    assert [(f"x{r.route}", f"x{r.build}") for r in one.runs] == [
        (r.route, r.build) for r in other.runs
    ]
    assert [(f"x{m.type}", m.count) for m in one.machines] == [
        (m.type, m.count) for m in other.machines
    ]
    assert [(f"x{s.type}", s.size) for s in one.stores] == [(s.type, s.size) for s in other.stores]


@laws
@given(site=small_sites(), basis=BASES, factor=st.sampled_from([2.0, 7.0]))
def test_a_slower_site_with_larger_stores_is_the_same(
    site: Site, basis: str, factor: float
) -> None:
    timed = {
        key: replace(m, min_up_time=max(1.0, m.min_up_time)) for key, m in site.machines.items()
    }
    one = planned(replace(site, machines=timed), basis)
    other = planned(slowed(site, factor), basis)
    if one is not None and other is not None:
        assert_same(one, other)


@laws
@given(site=small_sites(), basis=BASES, factor=st.sampled_from([2.0, 0.125]))
def test_the_unit_of_material_is_of_no_account(site: Site, basis: str, factor: float) -> None:
    one, other = planned(site, basis), planned(heavier(site, factor), basis)
    if one is not None and other is not None:
        assert_same(one, other, {"scarce_material": factor})


@laws
@given(site=small_sites(), basis=BASES, data=st.data())
def test_a_spare_never_gives_less(site: Site, basis: str, data: st.DataObject) -> None:
    richer = data.draw(st.sampled_from(spares(site)))
    assert_no_less(planned(richer, basis), planned(site, basis))
