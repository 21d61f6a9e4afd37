"""Mixes with goals in their own order: audited by them, and no power from what does not exist."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.mixes import supply_named
from allocator.site.records import Site
from allocator.studies.comparison import Compared, compared_mixes
from allocator.studies.mixes import mixes_of
from allocator.studies.starts import adopted
from allocator.verify import audit

CASE = Path(__file__).parents[1] / "cases" / "mix_with_own_goals.yaml"
QUICK = Settings(node_limit=300, gap=1e-6)


@pytest.fixture(scope="module")
def site() -> Site:
    return read_site(CASE)


@pytest.fixture(scope="module")
def rows(site: Site) -> dict[str, Compared]:
    return {row.name: row for row in compared_mixes(site, QUICK)}


def plan_of(rows: dict[str, Compared], mix: str) -> Plan:
    plan = rows[mix].plan
    assert plan is not None
    return plan


def test_every_mix_passes_the_audit_and_says_which_it_is(
    site: Site, rows: dict[str, Compared]
) -> None:
    assert "cheapest at full service" in rows
    assert "power first" in rows
    for name, row in rows.items():
        plan = plan_of(rows, name)
        assert plan.verified, name
        assert plan.mix == name
        read_back = plan_from_json(plan_to_json(plan), name)
        assert read_back == plan
        assert audit(site, read_back).accepted
        assert row.figures is not None
        if name != "thrifty":
            assert row.figures.firm_clean == pytest.approx(13_374.5, rel=1e-4)


def test_no_mix_speaks_of_power_from_machines_that_do_not_exist(rows: dict[str, Compared]) -> None:
    for name, row in rows.items():
        figures = row.figures
        assert figures is not None
        assert figures.firm_total == pytest.approx(figures.firm_clean), name
        assert figures.mean_total == pytest.approx(figures.mean_clean, rel=1e-6), name


def test_a_plan_whose_goals_lack_clean_power_tells_mean_and_ceiling_of_it(site: Site) -> None:
    own = replace(site, goals=("served_power", "money"))
    plan = make_plan(own, QUICK).plan
    assert plan is not None
    assert plan.power.mean_clean == pytest.approx(plan.power.mean_total, rel=1e-6)
    assert plan.ceiling.clean is not None
    assert plan.ceiling.clean == pytest.approx(plan.ceiling.total, rel=1e-6)


def test_mixes_of_a_site_with_an_order_of_its_own_pass(site: Site) -> None:
    other = replace(site, goals=("money", "served_power"), mixes={})
    for row in compared_mixes(other, QUICK):
        assert row.plan is not None
        assert row.plan.verified, row.name


@pytest.mark.parametrize(
    ("rule", "changes"),
    [
        ("unknown_name", {"mix": "of nowhere"}),
        ("goal_order", {"mix": ""}),
        ("goal_order", {"mix": "thrifty"}),
    ],
)
def test_the_audit_holds_a_plan_to_the_mix_that_it_names(
    site: Site, rows: dict[str, Compared], rule: str, changes: dict[str, str]
) -> None:
    plan = replace(plan_of(rows, "power first"), **changes)
    assert rule in {breach.rule for breach in audit(site, plan).breaches}


def test_the_audit_knows_the_limits_and_machines_of_a_mix(
    site: Site, rows: dict[str, Compared]
) -> None:
    supply = supply_named(site, "thrifty")
    assert supply is not None
    assert supply.limits.money == 20_000
    spent = replace(plan_of(rows, "power first"), mix="thrifty")
    assert "money_limit" in {breach.rule for breach in audit(site, spent).breaches}
    fewer = replace(site.mixes["thrifty"], machines=())
    without = replace(site, mixes={**site.mixes, "thrifty": fewer})
    assert "mix_machines" in {breach.rule for breach in audit(without, spent).breaches}


def test_an_adopted_plan_tells_every_goal(site: Site, rows: dict[str, Compared]) -> None:
    mixes = {mix.name: mix for mix in mixes_of(site)}
    own, other = plan_of(rows, "power first"), plan_of(rows, "clean first")
    taken = adopted(mixes["power first"], other, own)
    assert [goal.name for goal in taken.goals] == [goal.name for goal in own.goals]
    assert audit(site, taken).accepted
