"""The audit accepts plans that are right and names what is wrong with those that are not."""

from __future__ import annotations

import ast
import dataclasses
import importlib
from collections.abc import Callable
from pathlib import Path

import pytest
import tampered_builds
import tampered_chambers
import tampered_claims
import tampered_flares
import tampered_flows
import tampered_holds
import tampered_outages
import tampered_warmth
import tampered_without
from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from handmade_moor import MOOR, MOOR_LOST_PLAN, MOOR_LOW_PLAN, MOOR_OUT_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from tampering import SET, change, drop, edit, limited

import allocator.verify
from allocator.base.errors import PlanFileError
from allocator.network.cautions import cautions_for
from allocator.network.reading import read_site
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import (
    MachineUse,
    Plan,
    SourceUse,
    StoreUse,
)
from allocator.search import Settings, make_plan
from allocator.site.records import Built, Stage
from allocator.verify import audit

ACCEPTED = {
    "store, tank, levelling, on and off, converter, by-products": (COVE, COVE_PLAN),
    "set-points": (COVE, tampered_holds.COVE_HELD),
    "chamber": (tampered_chambers.COVE_DEEP, tampered_chambers.COVE_THROUGH),
    "flare that guards a store": (tampered_flares.SITE, tampered_flares.PLAN),
    "digester kept warm": (tampered_warmth.SITE, tampered_warmth.PLAN),
    "mean basis": (COVE, COVE_MEAN_PLAN),
    "lines, bursts, store behind a store, priorities": (RIDGE, RIDGE_PLAN),
    "any one source lost": (MOOR, MOOR_LOST_PLAN),
    "any one machine unit out of order": (MOOR, MOOR_OUT_PLAN),
    "any one source at its low end, one past the store": (MOOR, MOOR_LOW_PLAN),
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


# ---- single tamperings, each table in a file of its own

TAMPERED = {
    **tampered_builds.TAMPERED,
    **tampered_chambers.TAMPERED,
    **tampered_flows.TAMPERED,
    **tampered_claims.TAMPERED,
    **tampered_warmth.TAMPERED,
    **tampered_without.TAMPERED,
    **tampered_outages.TAMPERED,
    **tampered_flares.TAMPERED,
    **tampered_holds.TAMPERED,
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
    folder = Path(allocator.verify.__file__).parent
    for path in folder.rglob("*.py"):
        if path.name in (
            "heat.py",
            "heat_limits.py",
            "hottest.py",
            "bores.py",
            "heat_released.py",
            "recovery.py",
            "sink_states.py",
            "sinks.py",
            "cooler_heat.py",
            "coolers.py",
            "mixes.py",
            "pressures.py",
            "boosters.py",
            "site_file.py",
            "recorded.py",
            "marginal_values.py",
        ):
            # tests/thermal, tests/studies, tests/site, test_every_field, test_pressures,
            # test_marginal_values break them
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                named = node.func.attr in ("holds", "at_most", "at_least", "equals", "breach")
                if named and node.args and isinstance(node.args[0], ast.Constant):
                    found.add(str(node.args[0].value))
    return found


def test_every_rule_rejects_something() -> None:
    tested = {tampered.rule for tampered in TAMPERED.values()}
    elsewhere = {"burn_power", "not_marched", "not_recomputed"}  # further down
    elsewhere |= {
        "outage_flow",
        "store_handover",
        "battery_handover",
        "chamber_draw",
    }  # test_outages, test_handover, test_survey, test_drawn_parts
    assert rules_in_the_code() - tested == elsewhere


def test_the_accepted_plans_pass_through_every_rule() -> None:
    done = {rule for site, plan in ACCEPTED.values() for rule in audit(site, plan).checks}
    elsewhere = {
        "not_marched",
        "not_recomputed",
        "outage_flow",
        "store_handover",
        "battery_handover",
    }
    assert rules_in_the_code() - done == elsewhere


# ---- more than one change ---------------------------------------------------------------------


def test_a_breach_tells_its_size_in_peoples_units() -> None:
    report = audit(RIDGE, edit(RIDGE_PLAN, "stores", "ball@hub", size=5.0, new_size=5.0))
    breach = next(b for b in report.breaches if b.rule == "store_cut")
    assert breach.size == pytest.approx(0.184)
    assert breach.unit == "kg"
    assert str(breach) == (
        "store 'ball@hub': holds 5 kg and is 184 g short of its firm output in windows of 12 h"
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


def test_figures_beyond_what_can_be_are_a_breach(monkeypatch: pytest.MonkeyPatch) -> None:
    def check_nothing(case: object, findings: object) -> None:
        raise ZeroDivisionError("division by zero")

    module = importlib.import_module("allocator.verify.auditing")
    monkeypatch.setattr(module, "RULES", (check_nothing,))
    (breach,) = audit(COVE, COVE_PLAN).breaches
    assert breach.rule == "not_recomputed"
    assert "division by zero" in breach.message


def test_what_stands_may_break_todays_limits() -> None:
    # A tank beyond the largest size, a machine beyond the count, a tap at an excluded place.
    site = dataclasses.replace(
        COVE,
        built=Built(
            sources=("bog",), storage={("tank", "pond"): 500.0}, machines={("set", "pond"): 9}
        ),
    )
    plan = dataclasses.replace(
        drop(drop(COVE_MEAN_PLAN, "sources", "kiln"), "machines", SET),
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
    allowed = (
        "allocator.verify",
        "allocator.plans.",
        "allocator.base.errors",
        "allocator.site.records",
    )
    allowed += ("allocator.base.status",)
    allowed += (
        "allocator.network.deriving",
        "allocator.network.records",
    )  # plans speak in its names
    allowed += ("allocator.site.clocks",)  # what the file says of a clock
    allowed += ("allocator.site.mixes",)  # what the file says of a mix
    allowed += ("allocator.base.compiling",)  # how loops are compiled, not what they do
    allowed += ("allocator.base.packing",)  # and how they hand arrays on
    allowed += ("allocator.base.grouped",)  # how digits are set apart in its words
    allowed += ("allocator.network.cautions",)  # their words
    allowed += ("allocator.physics.substances",)  # what a fluid is like; models are its own
    for path in Path(allocator.verify.__file__).parent.rglob("*.py"):
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


def test_a_battery_decides_no_goal_on_the_mean_basis(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(
        "format: allocator.site/2\n"
        "fluids: {gas: {heating_value: 20 MJ/kg}}\n"
        "materials: {steel: {stock: 100 kg}}\n"
        "places: {works: {}}\n"
        "sources: {spring: {place: works, fluid: gas, flow: 1 g/s}}\n"
        "storage: {battery: {holds: power, places: [works], size: {max: 8 kWh}, "
        "materials: {steel: 1 kg/kWh}}}\n"
        "machines: {engine: {inputs: {gas: 1 g/s}, outputs: {power: 5 kW}, places: {works: 1}}}\n"
        "demands: {load: {power: 4 kW}}\n"
    )
    site = read_site(tmp_path / "site.yaml")
    for basis in ("mean", "firm"):
        plan = make_plan(site, Settings(basis=basis, node_limit=50)).plan
        assert plan is not None
        assert (
            "goal_told"
            not in audit(site, dataclasses.replace(plan, cautions=cautions_for(site))).rules
        )
