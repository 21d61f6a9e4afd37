"""The audit accepts plans that are right and names what is wrong with those that are not."""

from __future__ import annotations

import ast
import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from handmade_plans import COVE, COVE_MEAN_PLAN, COVE_PLAN, RIDGE, RIDGE_PLAN

import allocator.proof
from allocator.errors import PlanFileError
from allocator.plan import (
    FLAT,
    Ceiling,
    GoalResult,
    LineUse,
    MachineUse,
    MaterialUse,
    PipeFlow,
    Plan,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.plan_file import plan_from_json, plan_to_json
from allocator.proof import audit
from allocator.site.records import Built, BuiltRun, Site, Stage

ACCEPTED = {
    "store, tank, levelling, on and off, converter, by-products": (COVE, COVE_PLAN),
    "mean basis": (COVE, COVE_MEAN_PLAN),
    "lines, bursts, store behind a store, priorities": (RIDGE, RIDGE_PLAN),
}


@pytest.mark.parametrize("case", ACCEPTED)
def test_accepts(case: str) -> None:
    site, plan = ACCEPTED[case]
    report = audit(site, plan)
    assert [str(breach) for breach in report.breaches] == []
    assert report.accepted


@pytest.mark.parametrize("case", ACCEPTED)
def test_accepts_what_comes_back_from_a_file(case: str) -> None:
    site, plan = ACCEPTED[case]
    assert audit(site, plan_from_json(plan_to_json(plan), "plan.json")).accepted


# ---- single tamperings -----------------------------------------------------------------------


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


HOLDER, SET, OIL, SPLIT = "holder@works", "set@works", "oil_set@works", "splitter@works"
BURN = "burn:set@hub>bank@hub"
BULLET = 1 + 2e-7  # more than any margin of planning, less than any eye sees

TAMPERED: dict[str, Tampering] = {
    # numbers and names
    "a rate is not finite": cove(
        "finite", edit(COVE_PLAN, "stores", HOLDER, inflow=float("nan")), "stores[holder@works]"
    ),
    "an infinite size": cove("finite", edit(COVE_PLAN, "stores", HOLDER, size=float("inf"))),
    "a flow below zero": cove(
        "negative", edit(COVE_PLAN, "sources", "seep", direct={FLAT: -0.0003}), "sources[seep]"
    ),
    "a machine load below zero": cove("negative", edit(COVE_PLAN, "machines", OIL, cycled=-0.1)),
    "an unknown source": cove("unknown_name", edit(COVE_PLAN, "sources", "bog", name="fen")),
    "an unknown type of store": cove(
        "unknown_name", edit(COVE_PLAN, "stores", HOLDER, type="bladder", name="bladder@works")
    ),
    "an unknown type of machine": cove(
        "unknown_name", edit(COVE_PLAN, "machines", SET, type="turbine", name="turbine@works")
    ),
    "an unknown build": cove("unknown_name", edit(COVE_PLAN, "runs", "lane", build="dn900")),
    "an unknown route": cove("unknown_name", edit(COVE_PLAN, "runs", "lane", route="alley")),
    "a destination that is not there": cove(
        "unknown_name",
        edit(COVE_PLAN, "sources", "north", collect={"store:holder@yard": 0.016}),
    ),
    "a shape that is nobody's": cove(
        "unknown_name", edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0024, "village": 0.001})
    ),
    "following on the mean basis": cove(
        "unknown_name", edit(COVE_MEAN_PLAN, "machines", SET, following={"town": 0.1})
    ),
    "an unknown line": cove("unknown_name", add(COVE_PLAN, "lines", LineUse("feeder", True))),
    "an unknown material": cove(
        "unknown_name", add(COVE_PLAN, "materials", MaterialUse("brass", 0.0, None))
    ),
    "a source listed twice": cove(
        "listed_twice", add(COVE_PLAN, "sources", SourceUse("north", True, True))
    ),
    "a machine listed twice": cove(
        "listed_twice", add(COVE_PLAN, "machines", COVE_PLAN.machines[0])
    ),
    "another stock than the site's": cove(
        "differs_from_site", edit(COVE_PLAN, "materials", "steel", stock=1900.0)
    ),
    "another demand than the site's": cove(
        "differs_from_site", edit(COVE_PLAN, "demands", "hall", mean=1e3)
    ),
    "another content than the site's": cove(
        "differs_from_site", edit(COVE_PLAN, "stores", HOLDER, holds="oil")
    ),
    "a store under another's name": cove(
        "differs_from_site", edit(COVE_PLAN, "machines", OIL, place="yard")
    ),
    # what is built
    "a tap that does not stand": cove(
        "not_standing", edit(COVE_PLAN, "sources", "north", new=False)
    ),
    "a tap that stands already": cove(
        "stands_already", edit(COVE_PLAN, "sources", "seep", new=True)
    ),
    "a pipe that does not stand": cove("not_standing", edit(COVE_PLAN, "runs", "lane", new=False)),
    "a pipe that stands already": cove("stands_already", edit(COVE_PLAN, "runs", "quay", new=True)),
    "a line that does not stand": ridge(
        "not_standing", edit(RIDGE_PLAN, "lines", "feeder", new=False)
    ),
    "a source used but not tapped": cove(
        "tap_missing", edit(COVE_PLAN, "sources", "north", tapped=False)
    ),
    "a store larger than what was bought": cove(
        "store_size", edit(COVE_PLAN, "stores", HOLDER, size=300.0)
    ),
    "a store larger than the largest": ridge(
        "store_most", edit(RIDGE_PLAN, "stores", "ball@hub", size=11.0, new_size=11.0)
    ),
    "a store smaller than the smallest": cove(
        "store_least", edit(COVE_PLAN, "stores", HOLDER, size=50.0, new_size=50.0, units=1)
    ),
    "a store of part of a unit": cove(
        "store_units", edit(COVE_PLAN, "stores", HOLDER, size=247.0, new_size=247.0)
    ),
    "a store in units that is sold by size": cove(
        "store_units", edit(COVE_PLAN, "stores", "tank@works", units=5)
    ),
    "a store where none is offered": cove(
        "place_not_offered",
        add(COVE_PLAN, "stores", StoreUse("tank@yard", "tank", "yard", "oil", 1.0, 1.0, None)),
    ),
    "a store at an excluded place": cove(
        "excluded_place",
        add(COVE_PLAN, "stores", StoreUse("holder@pond", "holder", "pond", "gas", 100.0, 100.0, 2)),
    ),
    "a tap at an excluded place": cove(
        "excluded_place", edit(COVE_PLAN, "sources", "bog", tapped=True, new=True)
    ),
    "a pipe to an excluded place": cove(
        "excluded_place", add(COVE_PLAN, "runs", Run("bank", "dn25", "gas", True))
    ),
    "a machine at an excluded place": cove(
        "excluded_place", add(COVE_PLAN, "machines", MachineUse("set@pond", "set", "pond", 1, 1))
    ),
    "half a machine": cove("whole_number", edit(COVE_PLAN, "machines", SET, count=1.5, new=1.5)),
    "more machines than were bought": cove(
        "machine_count", edit(COVE_PLAN, "machines", SET, count=2)
    ),
    "more machines than the place takes": cove(
        "machine_place_limit", edit(COVE_PLAN, "machines", SPLIT, count=2, new=2)
    ),
    "more machines than the site takes": cove(
        "machine_type_limit",
        add(
            edit(COVE_PLAN, "machines", SET, count=2, new=2),
            "machines",
            MachineUse("set@pond", "set", "pond", 1, 1),
        ),
    ),
    "a machine where none is offered": cove(
        "place_not_offered",
        add(COVE_PLAN, "machines", MachineUse("oil_set@yard", "oil_set", "yard", 1, 1)),
    ),
    "a build that the route does not offer": cove(
        "build_not_offered", edit(COVE_PLAN, "runs", "lane", build="dn15")
    ),
    "a build that is not for the fluid": cove(
        "build_fluid", edit(COVE_PLAN, "runs", "lane", build="tube")
    ),
    "two pipes for one fluid": cove(
        "one_build", add(COVE_PLAN, "runs", Run("lane", "tube", "gas", True))
    ),
    # flows
    "more than a source gives": ridge(
        "source_flow",
        edit(RIDGE_PLAN, "sources", "slow", collect={"store:holder@pit": 0.012 * BULLET}),
    ),
    "more than a steady source gives at the peak": cove(
        "source_flow", edit(COVE_PLAN, "sources", "seep", direct={FLAT: 0.0003, "town": 0.00014})
    ),
    "more than the pump moves": cove(
        "pump_rate",
        edit(COVE_PLAN, "sources", "north", collect={"store:holder@works": 0.018 * BULLET}),
    ),
    "a source that comes and goes feeds directly": cove(
        "direct_steady", edit(COVE_PLAN, "sources", "north", direct={FLAT: 0.001})
    ),
    "a collect flow that ends nowhere": cove(
        "collect_balance",
        edit(
            COVE_PLAN,
            "runs",
            "lane",
            flows=(PipeFlow("well", "works", "collect", "works", 0.016 * (1 - 2e-6)),),
        ),
    ),
    "a collect flow bound for another place": cove(
        "collect_balance",
        edit(
            COVE_PLAN, "runs", "lane", flows=(PipeFlow("well", "works", "collect", "yard", 0.016),)
        ),
    ),
    "gas sent into an oil tank": cove(
        "collect_fluid",
        edit(COVE_PLAN, "sources", "north", collect={"store:tank@works": 0.016}),
    ),
    "a run whose flows go elsewhere": cove(
        "pipe_ends",
        edit(COVE_PLAN, "runs", "quay", flows=(PipeFlow("well", "works", "supply", FLAT, 0.0003),)),
    ),
    "a flow against the one way": cove(
        "pipe_direction",
        edit(COVE_PLAN, "runs", "quay", flows=(PipeFlow("works", "yard", "supply", FLAT, 0.0003),)),
    ),
    "more than a pipe carries": ridge(
        "pipe_capacity",
        edit(
            RIDGE_PLAN,
            "runs",
            "track",
            flows=(
                *RIDGE_PLAN.runs[0].flows,
                PipeFlow("pit", "hub", "supply", "town", 0.0005 / 1.5 * BULLET),
            ),
        ),
    ),
    "fuel from nowhere": cove(
        "supply_balance", edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0019, "town": 0.0012})
    ),
    "following fuel from the flat part": cove(
        "supply_balance", edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0036})
    ),
    "more by-product served than is given": cove(
        "supply_balance", edit(COVE_PLAN, "demands", "wash", clean_share=0.76), "hot_water (town)"
    ),
    "more hydrogen served than is split": cove(
        "supply_balance", edit(COVE_PLAN, "machines", SPLIT, flat_load=0.4), "hydrogen (flat)"
    ),
    "a supply flow that starts nowhere": cove(
        "supply_balance", edit(COVE_PLAN, "sources", "seep", direct={}), "gas (flat) at 'yard'"
    ),
    # machines
    "a load above what runs at the peak": cove(
        "running_load", edit(COVE_PLAN, "machines", SET, flat_load=0.45)
    ),
    "a load below the least": cove(
        "least_load", edit(COVE_PLAN, "machines", SET, count=2, new=2, running=2)
    ),
    "more units at work than stand": ridge(
        "machine_units", edit(RIDGE_PLAN, "machines", "set@hub", count=2, new=2)
    ),
    "more than one unit run on and off": cove(
        "cycled_unit", edit(COVE_PLAN, "machines", OIL, cycled=1.01)
    ),
    "on and off without a battery": cove(
        "cycled_battery", drop(COVE_PLAN, "batteries", "cells@works")
    ),
    "on and off with too little kept for it": cove(
        "swing_reserve", edit(COVE_PLAN, "batteries", "cells@works", swing_part=2.3e6)
    ),
    "a converter that follows": cove(
        "converter_steady", edit(COVE_PLAN, "machines", SPLIT, following={"town": 0.1})
    ),
    "more mean load than machines": cove(
        "machine_units", edit(COVE_MEAN_PLAN, "machines", SET, flat_load=2.01)
    ),
    "on and off on the mean basis": cove(
        "mean_basis_load", edit(COVE_MEAN_PLAN, "machines", SET, cycled=0.1)
    ),
    # bursts
    "fewer units than burn the bursts": ridge(
        "burn_units", edit(RIDGE_PLAN, "machines", "set@hub", burst={"bank@hub": 1.9})
    ),
    "bursts for a battery at another bus": ridge(
        "burn_bus",
        edit(RIDGE_PLAN, "sources", "puff", collect={"burn:set@hub>cells@town": 0.008}),
    ),
    "bursts in machines that take no one fluid": cove(
        "burn_one_fluid", edit(COVE_PLAN, "machines", SPLIT, burst={"cells@works": 0.5})
    ),
    # promises of stores
    "a store filled too fast": cove(
        "store_fill_rate", edit(COVE_PLAN, "stores", HOLDER, inflow=0.0011)
    ),
    "a store emptied too fast": cove(
        "store_release_rate",
        edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0028, "town": 0.0012}),
    ),
    "more promised than ever comes": cove(
        "store_long_run", edit(COVE_PLAN, "stores", "tank@works", draw={FLAT: 0.0005})
    ),
    "more promised than the quiet spell allows": cove(
        "store_cut", edit(COVE_PLAN, "stores", "tank@works", draw={FLAT: 350 / 856800 * BULLET})
    ),
    "a smaller store behind a store": ridge(
        "store_cut", edit(RIDGE_PLAN, "stores", "ball@hub", size=5.18, new_size=5.18)
    ),
    # batteries
    "parts larger than the battery": cove(
        "battery_parts", edit(COVE_PLAN, "batteries", "cells@works", level_part=69.6e6)
    ),
    "too small a part that levels": cove(
        "level_part", edit(COVE_PLAN, "batteries", "cells@works", level_part=40.92e6)
    ),
    "levelling from another bus": ridge(
        "level_bus",
        edit(RIDGE_PLAN, "batteries", "bank@hub", levelled={"town": {"clean": 1.0}}),
    ),
    "too small a part behind bursts": ridge(
        "burst_cut", edit(RIDGE_PLAN, "batteries", "bank@hub", burst_part={"clean": 53e6})
    ),
    "more released than bursts bring": ridge(
        "burst_long_run",
        edit(
            RIDGE_PLAN,
            "batteries",
            "bank@hub",
            release={"clean": {FLAT: 2600.0, "town": 1500.0}},
        ),
    ),
    "bursts of the other class": ridge(
        "burst_long_run",
        edit(
            RIDGE_PLAN,
            "batteries",
            "bank@hub",
            release={"clean": {FLAT: 1900.0, "town": 1500.0}, "emitting": {FLAT: 100.0}},
        ),
    ),
    "a battery charged too fast": ridge(
        "battery_fill_rate",
        change(
            edit(RIDGE_PLAN, "sources", "puff", collect={BURN: 0.0085}),
        ),
    ),
    "a battery emptied too fast": ridge(
        "battery_release_rate",
        edit(
            RIDGE_PLAN,
            "batteries",
            "bank@hub",
            release={"clean": {FLAT: 2000.0, "town": 2001.0}},
        ),
    ),
    # power
    "flat power from nowhere": cove(
        "power_balance_flat", edit(COVE_PLAN, "machines", OIL, cycled=0.25)
    ),
    "following power from nowhere": cove(
        "power_balance_following", edit(COVE_PLAN, "demands", "town", clean_share=0.576)
    ),
    "clean power from an emitting machine": cove(
        "power_balance_flat",
        edit(COVE_PLAN, "demands", "hall", clean_share=1.0, emitting_share=0.0),
        "clean power",
    ),
    "nothing left for the plant itself": cove(
        "own_load", edit(COVE_PLAN, "machines", SET, flat_load=0.3)
    ),
    "more levelled than served": cove(
        "levelled_over_share", edit(COVE_PLAN, "demands", "town", clean_share=0.19)
    ),
    "levelled for a demand that is not listed": cove(
        "levelled_over_share", drop(COVE_PLAN, "demands", "town")
    ),
    "a line over its capacity": ridge(
        "line_capacity",
        edit(
            RIDGE_PLAN,
            "lines",
            "feeder",
            flows=(*RIDGE_PLAN.lines[0].flows, ("town", "hub", "clean", FLAT, 1000.1)),
        ),
    ),
    "a line between other places": ridge(
        "line_ends",
        edit(RIDGE_PLAN, "lines", "feeder", flows=(("pit", "town", "clean", FLAT, 1.0),)),
    ),
    "a line without loss": ridge(
        "power_balance_following",
        edit(
            RIDGE_PLAN,
            "lines",
            "feeder",
            flows=(
                ("hub", "town", "clean", FLAT, 4e3),
                ("hub", "town", "clean", "town", 1.9e3),
            ),
        ),
    ),
    "more than all of a demand": cove(
        "served_share", edit(COVE_PLAN, "demands", "hall", emitting_share=0.51)
    ),
    "less than must be served": cove(
        "least_share", edit(COVE_PLAN, "demands", "hall", emitting_share=0.3)
    ),
    "an emitting share of a fluid": cove(
        "fluid_share", edit(COVE_PLAN, "demands", "burner", emitting_share=1e-9)
    ),
    # totals
    "more material than is in stock": Tampering(
        # by less than the last digit of a sum in floats would show
        "material_stock",
        edit(COVE_PLAN, "materials", "wool", stock=49.99999999999999),
        dataclasses.replace(
            COVE,
            materials={
                **COVE.materials,
                "wool": dataclasses.replace(COVE.materials["wool"], stock=49.99999999999999),
            },
        ),
        "material 'wool'",
    ),
    "material left out of the account": cove(
        "material_reported", edit(COVE_PLAN, "materials", "steel", used=860 * (1 - 2e-9))
    ),
    "a material that is not listed": cove(
        "material_reported", drop(COVE_PLAN, "materials", "copper")
    ),
    "a bought machine said to be free": cove(
        "machine_count", edit(COVE_PLAN, "machines", SET, new=0)
    ),
    "money left out of the account": cove("money_reported", change(COVE_PLAN, money=16216.0)),
    "more money than there is": Tampering(
        "money_limit", COVE_PLAN, limited(COVE, money=16216.9), "money"
    ),
    "more emissions than allowed": Tampering(
        "emission_cap", COVE_PLAN, limited(COVE, emission=0.0021 / BULLET), "counted emission"
    ),
    "counted emissions left out": cove(
        "emission_reported", change(COVE_PLAN, "emissions", counted=0.00105)
    ),
    "biogenic emissions left out": cove(
        "emission_reported", change(COVE_PLAN, "emissions", biogenic=0.0)
    ),
    "emissions of a fluid left out": cove(
        "emission_reported", change(COVE_PLAN, "emissions", by_fluid={"breath": 0.00492})
    ),
    # goals and claims
    "a goal with a better value": cove(
        "goal_value", edit(COVE_PLAN, "goals", "served_power", value=7750.1, bound=7750.1)
    ),
    "an earlier priority with a better value": ridge(
        "goal_value",
        edit(RIDGE_PLAN, "goals", "clean_power to priority 1", value=5400.0, bound=5400.0),
    ),
    "a bound below what is reached": cove(
        "goal_bound", edit(COVE_PLAN, "goals", "clean_power", bound=6700.0, gap=50 / 6700)
    ),
    "a bound above what is reached": cove(
        "goal_bound", edit(COVE_PLAN, "goals", "emissions", bound=0.0022, gap=0.1 / 2.2)
    ),
    "a smaller gap than there is": cove(
        "goal_gap", edit(COVE_PLAN, "goals", "clean_power", gap=0.01)
    ),
    "a gap without a bound": cove("goal_gap", edit(COVE_PLAN, "goals", "money", gap=0.0)),
    "a goal that is not the site's": ridge(
        "goal_known",
        add(
            RIDGE_PLAN,
            "goals",
            GoalResult("emissions", "kg/s", "min", 0.0, None, None, "optimal"),
        ),
    ),
    "a priority that nobody has": ridge(
        "goal_known", edit(RIDGE_PLAN, "goals", "clean_power", name="clean_power to priority 7")
    ),
    "goals in another order": cove(
        "goal_order", change(COVE_PLAN, goals=(COVE_PLAN.goals[1], COVE_PLAN.goals[0]))
    ),
    "a goal in other units": cove("goal_unit", edit(COVE_PLAN, "goals", "served_power", unit="kW")),
    "more firm power than is served": cove(
        "power_reported", change(COVE_PLAN, "power", firm_clean=7000.0)
    ),
    "a larger served share": cove("power_reported", change(COVE_PLAN, "power", served_share=0.9)),
    "a smaller demand": cove("power_reported", change(COVE_PLAN, "power", demand_mean=8e3)),
    "more mean power than is served": cove(
        "power_reported", change(COVE_MEAN_PLAN, "power", mean_total=12e3)
    ),
    "a promise above the ceiling": cove(
        "ceiling", change(COVE_PLAN, ceiling=Ceiling(6000.0, None))
    ),
    # what stands
    "a replaced pipe said to cost nothing": Tampering(
        "not_standing",
        edit(COVE_PLAN, "runs", "lane", new=False),
        built(COVE, runs=(*COVE.built.runs, BuiltRun("lane", "dn15", "gas"))),
    ),
    "a store that stands less than it is said to": Tampering(
        "store_size", COVE_PLAN, built(COVE, stores={("tank", "works"): 99.0})
    ),
    "a machine that does not stand": Tampering(
        "machine_count", COVE_PLAN, built(COVE, machines={})
    ),
}


@pytest.mark.parametrize("case", TAMPERED)
def test_rejects(case: str) -> None:
    tampered = TAMPERED[case]
    report = audit(tampered.site, tampered.plan)
    assert not report.accepted
    assert tampered.rule in report.rules, [str(breach) for breach in report.breaches]
    breaches = [breach for breach in report.breaches if breach.rule == tampered.rule]
    assert any(tampered.subject in breach.subject for breach in breaches)
    for breach in breaches:
        assert breach.message
        assert not breach.size <= 0  # how much is wrong, NaN where that has no answer


def test_at_least_forty_kinds_of_tampering() -> None:
    assert len({tampered.rule for tampered in TAMPERED.values()}) >= 40


def rules_in_the_code() -> set[str]:
    """Every rule's name: the first text that is handed to a check."""
    found = set()
    folder = Path(allocator.proof.__file__).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                named = node.func.attr in ("holds", "at_most", "at_least", "equals", "breach")
                if named and node.args and isinstance(node.args[0], ast.Constant):
                    found.add(str(node.args[0].value))
    return found


def test_every_rule_rejects_something() -> None:
    tested = {tampered.rule for tampered in TAMPERED.values()}
    elsewhere = {"burn_power", "not_marched"}  # further down
    assert rules_in_the_code() - tested == elsewhere


def test_the_accepted_plans_pass_through_every_rule() -> None:
    done = {rule for site, plan in ACCEPTED.values() for rule in audit(site, plan).checks}
    assert rules_in_the_code() - done == {"not_marched"}


# ---- more than one change ---------------------------------------------------------------------


def test_a_breach_tells_its_size_in_peoples_units() -> None:
    report = audit(RIDGE, edit(RIDGE_PLAN, "stores", "ball@hub", size=5.0, new_size=5.0))
    breach = next(b for b in report.breaches if b.rule == "store_cut")
    assert breach.size == pytest.approx(0.184)
    assert breach.unit == "kg"
    assert str(breach) == (
        "store 'ball@hub': holds 5 kg and is 184 g short of its promise in windows of 12 h"
        " [store_cut]"
    )


def test_several_breaches_are_told_at_once() -> None:
    plan = change(edit(COVE_PLAN, "machines", SET, flat_load=0.45), money=0.0)
    assert {"running_load", "money_reported"} <= set(audit(COVE, plan).rules)


def test_bursts_need_machines_that_give_power() -> None:
    dumb = dataclasses.replace(RIDGE.machines["set"], power_out=0.0)
    site = dataclasses.replace(RIDGE, machines={"set": dumb})
    assert "burn_power" in audit(site, RIDGE_PLAN).rules


def test_a_cycle_beyond_all_measure_is_told() -> None:
    fine = dataclasses.replace(
        COVE.sources["north"],
        stages=(Stage(1e-6, 2e-6), *COVE.sources["north"].stages),
    )
    site = dataclasses.replace(COVE, sources={**COVE.sources, "north": fine})
    assert audit(site, COVE_PLAN).rules == ("not_marched",)


def test_what_stands_may_break_todays_limits() -> None:
    # A tank beyond the largest size, a machine beyond the count, a tap at an excluded place.
    site = dataclasses.replace(
        COVE,
        built=Built(taps=("bog",), stores={("tank", "pond"): 500.0}, machines={("set", "pond"): 9}),
    )
    plan = dataclasses.replace(
        drop(drop(COVE_MEAN_PLAN, "sources", "seep"), "machines", SET),
        sources=(SourceUse("bog", True, False),),
        stores=(StoreUse("tank@pond", "tank", "pond", "oil", 500.0, 0.0, None),),
        machines=(MachineUse("set@pond", "set", "pond", 9, 0),),
    )
    wrong = set(audit(site, plan).rules)
    assert not wrong & {
        "store_most", "store_size", "place_not_offered", "excluded_place", "machine_count",
        "machine_place_limit", "machine_type_limit", "not_standing", "stands_already",
    }  # fmt: skip


@pytest.mark.parametrize(("counted", "bound"), [(False, 0.0021), (True, 0.0021 + 0.00492)])
def test_biogenic_releases_count_where_the_site_says_so(counted: bool, bound: float) -> None:
    site = limited(dataclasses.replace(COVE, count_biogenic=counted), emission=1.0)
    plan = change(COVE_PLAN, "emissions", counted=bound)
    rules = audit(site, plan).rules
    assert "emission_reported" not in rules
    # With them counted the set is no clean machine any more.
    assert ("power_balance_flat" in rules) == counted


def test_money_may_be_reckoned_at_the_duty_of_a_source_that_could_send() -> None:
    # puff is on for a quarter, as is slow; make slow steadier, and it may be either's duty.
    slow = dataclasses.replace(RIDGE.sources["slow"], stages=())
    site = dataclasses.replace(RIDGE, sources={**RIDGE.sources, "slow": slow})

    def told(money: float) -> bool:
        goals = tuple(
            dataclasses.replace(g, value=money, bound=None, gap=None) if g.name == "money" else g
            for g in RIDGE_PLAN.goals
        )
        return (
            "money_reported" not in audit(site, change(RIDGE_PLAN, money=money, goals=goals)).rules
        )

    assert told(3.5)
    assert told(9.5)
    assert not told(9.6)
    assert not told(3.4)


REFUSED: dict[str, tuple[Callable[[Plan], Plan], str]] = {
    "another site": (lambda p: change(p, site_name="Bay"), "for another site: 'Bay', not 'Cove'"),
    "an older file": (lambda p: change(p, site_sha256="00" * 32), "has changed since"),
    "another basis": (lambda p: change(p, basis="median"), "the basis 'median'"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refuses_a_plan_that_is_not_for_this_site(case: str) -> None:
    alter, message = REFUSED[case]
    with pytest.raises(PlanFileError, match=message):
        audit(COVE, alter(COVE_PLAN))


def test_proof_knows_nothing_of_planning_or_duty_or_solvers() -> None:
    allowed = ("allocator.proof", "allocator.plan", "allocator.errors", "allocator.site.records")
    for path in Path(allocator.proof.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [str(node.module)]
            for name in names:
                top = name.split(".")[0]
                assert top not in ("pulp", "highspy", "scipy"), (path.name, name)
                assert top != "allocator" or name.startswith(allowed), (path.name, name)


def test_what_is_not_used_need_not_be_listed() -> None:
    assert audit(COVE, drop(COVE_PLAN, "sources", "bog")).accepted
