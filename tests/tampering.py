"""How a plan made by hand is tampered with, one thing at a time."""

from __future__ import annotations

import dataclasses
from typing import Any, NamedTuple

from handmade_cove import COVE
from handmade_ridge import RIDGE

from allocator.plans.records import Plan
from allocator.site.records import Site

HOLDER, SET, OIL, SPLIT = "holder@works", "set@works", "oil_set@works", "splitter@works"
BURN = "burn:set@hub>bank@hub"
JUST_OVER = 1 + 2e-7  # more than any margin of planning, less than any eye sees


def edit(plan: Plan, rows: str, which: str, /, **changes: Any) -> Plan:
    """The plan with attributes of one row changed; runs go by their route."""
    found = False
    kept = []
    for row in getattr(plan, rows):
        if which in (getattr(row, "name", None), getattr(row, "route", None)):
            row, found = dataclasses.replace(row, **changes), True
        kept.append(row)
    assert found
    return change(plan, **{rows: tuple(kept)})


def add(plan: Plan, rows: str, row: Any) -> Plan:
    return change(plan, **{rows: (*getattr(plan, rows), row)})


def drop(plan: Plan, rows: str, name: str) -> Plan:
    kept = tuple(row for row in getattr(plan, rows) if getattr(row, "name", "") != name)
    assert len(kept) < len(getattr(plan, rows))
    return change(plan, **{rows: kept})


def change(plan: Plan, part: str = "", /, **changes: Any) -> Plan:
    if not part:
        return dataclasses.replace(plan, **changes)
    inner = dataclasses.replace(getattr(plan, part), **changes)
    return change(plan, **{part: inner})


def built(site: Site, **changes: Any) -> Site:
    return dataclasses.replace(site, built=dataclasses.replace(site.built, **changes))


def limited(site: Site, **changes: Any) -> Site:
    return dataclasses.replace(site, limits=dataclasses.replace(site.limits, **changes))


class Tampering(NamedTuple):
    rule: str
    plan: Plan
    site: Site
    subject: str = ""


def cove(rule: str, plan: Plan, subject: str = "") -> Tampering:
    return Tampering(rule, plan, COVE, subject)


def ridge(rule: str, plan: Plan, subject: str = "") -> Tampering:
    return Tampering(rule, plan, RIDGE, subject)
