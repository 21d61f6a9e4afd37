"""Cutoffs between a plan and a bound: out of reach where no plan is as good, and nowhere else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from proven_fields import field_of_wells, prover_for
from tiny_bases import Basis, MeanBasis
from tiny_firm import FirmBasis
from tiny_search import best_goals
from tiny_sites import tiny_site

from allocator.model.goals import goals_of
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.search.bounds import proving
from allocator.search.bounds.cutoffs import Cutoffs, beyond
from allocator.search.bounds.mixed import Known
from allocator.search.paths.known import point_of_plan
from allocator.search.strategy.budgets import BOUND
from allocator.site.records import Site


@pytest.fixture(params=[False, True], ids=["all flows", "path columns"])
def path_columns(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Strands come first on small sites too, or all flows."""
    if request.param:
        monkeypatch.setattr(proving, "BOUND", replace(BOUND, flows=0))


def asked(
    site: Site, basis: str, cutoff: float, plan: Plan | None = None, worth: float = 0.0
) -> tuple[float, bool]:
    """The bound (as maximised) after a cutoff, and whether it was proven.

    ``plan``: one that is known, and said to be ``worth`` so much; what no better one lays may be
    left out.
    """
    made, full, sets = prover_for(site, basis)
    made.aim(next(g for g in goals_of(full, sets) if g.name == "clean_power"))
    known = None if plan is None else Known(-worth, point_of_plan(full, sets, plan))
    assert made.relaxed(None, known) is not None
    found = made.mixed(None, known, -cutoff)
    assert found.bound is not None
    return -found.bound, found.columns is None


@pytest.mark.usefixtures("path_columns")
@pytest.mark.parametrize(
    ("basis", "solver_model", "battery", "stores"),
    [
        ("mean", MeanBasis, False, False),
        ("firm", FirmBasis, False, True),
        ("firm", FirmBasis, True, False),
    ],
)
@pytest.mark.parametrize("number", [0, 1, pytest.param(2, marks=pytest.mark.slow)])
def test_cutoffs_against_every_choice_tried(
    number: int, basis: str, solver_model: type[Basis], battery: bool, stores: bool
) -> None:
    site = tiny_site(number, battery=battery, stores=stores)
    best = best_goals(site, solver_model)[0]
    size = site.demands["load"].mean
    for share in (1e-3, 1e-2, 0.1):
        bound, proven = asked(site, basis, best + share * size)
        assert proven
        assert best - 1e-6 * size <= bound <= best + share * size + 1e-9
        bound, proven = asked(site, basis, best - share * size)
        assert not proven
        assert bound >= best - 1e-6 * size


@pytest.mark.slow
@pytest.mark.usefixtures("path_columns")
@pytest.mark.parametrize("basis", ["firm", "mean"])
@pytest.mark.parametrize("seed", [1, 2])
def test_cutoffs_of_a_field_with_what_is_useless_left_out(
    basis: str, seed: int, tmp_path: Path
) -> None:
    site = field_of_wells(tmp_path, 7, seed)
    plan = make_plan(site, Settings(basis=basis, gap=1e-6, time_limit=60.0)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    best = plan.goals[0].value
    bound, proven = asked(site, basis, 1.01 * best, plan, 0.9 * best)
    assert proven
    assert bound == pytest.approx(best * 1.01)
    bound, proven = asked(site, basis, 0.99 * best, plan, 0.9 * best)
    assert not proven
    assert bound >= best * (1.0 - 1e-6)


def test_a_first_cutoff_is_some_way_to_the_plan_and_the_last_at_it() -> None:
    for value, bound in ((-100.0, -120.0), (100.0, 80.0)):
        cutoffs = Cutoffs(1e-4)
        cutoffs.begin(bound)
        assert cutoffs.next(value, bound) == pytest.approx(
            bound + BOUND.first_depth * (value - bound)
        )
    near = -100.0 * (1.0 + 0.9 * BOUND.near)
    assert Cutoffs(1e-4).next(-100.0, near) == pytest.approx(-100.01)
    # no plan known, or none that the bound allows
    assert Cutoffs(1e-4).next(None, -120.0) == pytest.approx(-120.0 * (1.0 - BOUND.guess))
    assert Cutoffs(1e-4).next(-130.0, -120.0) == pytest.approx(-120.0 * (1.0 - BOUND.guess))


@given(
    value=st.floats(-1e6, 1e6),
    width=st.floats(1e-3, 1e6),
    reached=st.floats(0.0, 0.95),
    took=st.floats(0.0, 1e3),
    left=st.none() | st.floats(0.0, 1e3),
)
def test_cutoffs_lie_between_the_bound_and_the_plan_and_go_deeper(
    value: float, width: float, reached: float, took: float, left: float | None
) -> None:
    relaxed = value - width
    cutoffs = Cutoffs(1e-4)
    cutoffs.begin(relaxed)
    bound = relaxed + reached * width
    first = cutoffs.next(value, bound)
    assert first <= value
    assume(first > bound)  # less is between them than was asked for
    cutoffs.settled(value, first, took, left)
    second = cutoffs.next(value, first)
    assert second <= value
    assert second > first or first >= value - max(2e-4 * abs(value), 0.05 * width)
    assert first <= beyond(first, value) <= value


def test_the_more_time_is_left_the_deeper_is_the_next_cutoff() -> None:
    def after(left: float) -> float:
        cutoffs = Cutoffs(1e-4)
        cutoffs.begin(-120.0)
        bound = cutoffs.next(-100.0, -120.0)
        cutoffs.settled(-100.0, bound, 10.0, left)
        return cutoffs.next(-100.0, bound)

    asked = [after(left) for left in (1.0, 20.0, 60.0, 200.0)]
    assert asked == sorted(asked)
    assert len(set(asked)) == len(asked)


@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_what_is_stated_for_a_cutoff_may_lack_the_plan_that_is_known(
    basis: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proving, "BOUND", replace(BOUND, flows=0))
    site = field_of_wells(tmp_path, 7, 1)
    poor = make_plan(
        replace(site, materials={"steel": replace(site.materials["steel"], stock=5000.0)}),
        Settings(basis=basis, time_limit=20.0),
    ).plan
    assert poor is not None
    made, full, sets = prover_for(site, basis)
    made.aim(next(g for g in goals_of(full, sets) if g.name == "clean_power"))
    known = Known(-poor.goals[0].value, point_of_plan(full, sets, poor))
    bound = made.relaxed(None, known)
    assert bound is not None
    # nearly all is closed for a cutoff at the bound, and with it what the poor plan lays
    found = made.mixed(None, known, 0.999 * bound)
    assert made.trusted
    assert found.bound is not None
