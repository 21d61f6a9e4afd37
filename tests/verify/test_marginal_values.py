"""The limit of each marginal value is one of the site file: another figure is a breach."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import allocator as al
from allocator.plans.records import Plan, Price

NETWORKS = Path(__file__).resolve().parents[2] / "networks"


@pytest.fixture(scope="module")
def plan() -> Plan:
    """With a price of its stock of steel, and by hand of each kind that the file states."""
    found = al.plan(NETWORKS / "first.yaml", node_limit=1000, prove=0).plan
    assert [price.kind for price in found.prices] != []
    like = found.prices[0]
    stated = [
        ("stock", "steel", 1060.0, "mass"),
        ("size", "gas_holder", 400.0, "mass"),
        ("capacity", "dn25", 0.015, "mass_rate"),
        ("demand", "mill_drive", 25e3, "power"),
        ("flow", "biogas", 1.0, "share"),
    ]
    made = [
        replace(like, kind=kind, name=name, value=value, dimension=dimension)
        for kind, name, value, dimension in stated
    ]
    return replace(found, prices=(*found.prices, *made))


def test_limits_of_the_site_are_accepted(plan: Plan) -> None:
    report = al.audit(NETWORKS / "first.yaml", plan)
    assert report.accepted, [str(breach) for breach in report.breaches]


@pytest.mark.parametrize(
    "change",
    [
        lambda price: replace(price, value=price.value * 1.3),
        lambda price: replace(price, value=price.value * (1 - 1e-6)),
        lambda price: replace(price, dimension="money"),
    ],
)
def test_another_limit_is_a_breach(plan: Plan, change: Callable[[Price], Price]) -> None:
    for number, price in enumerate(plan.prices):
        prices = [*plan.prices]
        prices[number] = change(price)
        report = al.audit(NETWORKS / "first.yaml", replace(plan, prices=tuple(prices)))
        assert [breach.rule for breach in report.breaches] == ["limit_of_value"], price.kind


def test_a_limit_that_the_site_has_not_is_a_breach(plan: Plan) -> None:
    money = replace(plan.prices[0], kind="money", name="", dimension="money")
    report = al.audit(NETWORKS / "first.yaml", replace(plan, prices=(money,)))
    assert "the site has no such limit" in str(report.breaches[0])
