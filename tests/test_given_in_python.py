"""What Python functions take for a site, a plan and a number."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import allocator as al

FIRST = Path(__file__).parents[1] / "networks" / "first.yaml"


@pytest.fixture(scope="module")
def result() -> al.PlanResult:
    return al.plan(FIRST, node_limit=1000, prove=0)


USES: dict[str, Callable[[al.PlanResult, Any], Any]] = {
    "audit": lambda result, plan: al.audit(FIRST, plan),
    "simulate": lambda result, plan: al.simulate(FIRST, plan, days=10, draws=1).kept,
    "diff": lambda result, plan: al.diff(plan, plan).summary(),
    "replan": lambda result, plan: (
        al.replan(FIRST, plan, settings=al.Settings(node_limit=200)).plan.power
    ),
    "reserve_now": lambda result, plan: al.reserve_now(FIRST, plan),
    "operate": lambda result, plan: al.operate(
        FIRST, plan, al.PresentState({"gas_holder@mill": 100.0}), days=1
    ).summary(),
    "built": lambda result, plan: al.built(FIRST, plan, done=[1]).summary(),
    "schedule": lambda result, plan: al.schedule(FIRST, plan, al.Crew(1)).summary(),
    "plan": lambda result, plan: al.plan(FIRST, start=plan, node_limit=200, prove=0).plan.power,
    "read_result": lambda result, plan: al.read_result(FIRST, plan).bound,
}


@pytest.mark.parametrize("use", USES)
def test_a_result_is_taken_for_its_plan(use: str, result: al.PlanResult) -> None:
    assert USES[use](result, result) == USES[use](result, result.plan)


@pytest.mark.parametrize("given", [None, {"a": 1}, 3])
def test_what_is_no_site_or_plan_is_a_type_error(given: Any, result: al.PlanResult) -> None:
    with pytest.raises(TypeError, match=r"site must be an allocator\.Site, or the path"):
        al.plan(given)
    with pytest.raises(TypeError, match=r"plan must be an allocator\.Plan or PlanResult, or the"):
        al.audit(FIRST, given)


@pytest.mark.parametrize("kind", [np.int64, np.float32, np.float64, int])
def test_numbers_of_other_libraries_are_numbers(kind: Callable[[float], Any]) -> None:
    site = al.read_site(FIRST)
    with_stock = [
        replace(site, materials={"steel": replace(site.materials["steel"], stock=stock)})
        for stock in (kind(900), 900.0)
    ]
    one, other = (al.plan(site, node_limit=1000, prove=0) for site in with_stock)
    assert one.plan.power == other.plan.power
    assert type(one.site.materials["steel"].stock) in (int, float)
    assert al.audit(with_stock[0], one).accepted


def test_a_number_that_is_not_finite_is_refused() -> None:
    site = al.read_site(FIRST)
    for stock in (np.float32("nan"), np.float64("inf"), 1j):
        changed = replace(site.materials["steel"], stock=stock)
        with pytest.raises(al.SiteFileError, match="must be a finite number in SI"):
            al.plan(replace(site, materials={"steel": changed}), node_limit=10)


def test_a_sweep_of_nothing_is_refused() -> None:
    """As the command refuses it; before, each case was the same."""
    with pytest.raises(ValueError, match="gives no ranges to draw from"):
        al.sweep(FIRST, draws=3)
    with pytest.raises(ValueError, match="nothing to vary; give draws, grids, or both"):
        al.sweep(FIRST)


def test_a_refusal_names_the_keyword(result: al.PlanResult) -> None:
    with pytest.raises(ValueError, match="draws must be 1 or more"):
        al.simulate(FIRST, result, draws=0)


def test_the_folder_of_a_plan_alone(tmp_path: Path, result: al.PlanResult) -> None:
    result.save(tmp_path / "with", site_file=FIRST)
    result.save(tmp_path / "without")
    again = al.read_result(tmp_path / "with")
    assert again.plan.power == result.plan.power
    assert again.audit.accepted
    assert al.read_result(tmp_path / "with" / "plan.json").bound == again.bound
    with pytest.raises(ValueError, match=r"no run\.json there names a site file"):
        al.read_result(tmp_path / "without")
    with pytest.raises(TypeError, match="give a site and a plan"):
        al.read_result(result.site)
