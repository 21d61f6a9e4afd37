"""Heat of coolers for places that must be kept warm: promised where it is sound, and audited."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from thermal.test_recovered_power import BURSTS, HOLDER, NETWORKS, QUICK, given_up, planned

from allocator.base.errors import SiteFileError
from allocator.engine import NoPlanError, plan_site, prove_plan
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import Plan, Robustness
from allocator.report.heat_tables import heat_demands
from allocator.report.summary import full_summary
from allocator.site.records import Site
from allocator.verify import audit

CHANGES = (
    ("furnace: {at: [0 m, 0 m]}", "furnace: {at: [0 m, 0 m], heat_demand: {power: 6 kW, "
     "min_temperature: 80 degC}}"),
    ("    duty: 12 kW\n", "    duty: 12 kW\n    heat_temperature: 90 degC\n"),
    ("{fins: 900 kg}", "{fins: 100 kg}"),
)  # fmt: skip
BESIDE = (
    "pipes:  ",
    "  burst: {place: furnace, fluid: hydrogen, flow: 9 g/s, temperature: 350 degC, "
    "pressure: 1.4 bar, cycle: [{on: 1 h, every: 9 h}]}\n\npipes:  ",
)


def warm(tmp_path: Path, *changes: tuple[str, str]) -> Site:
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    for old, new in (*CHANGES, *changes):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


def heat_of(plan: Plan) -> float:
    return sum(use.heat or 0.0 for use in plan.recoveries)


def test_a_cooler_keeps_a_place_warm(tmp_path: Path) -> None:
    site = warm(tmp_path)
    plan = planned(site)
    assert any("fin_fan" in run.build for run in plan.runs)
    assert heat_of(plan) >= 6e3 * (1 - 1e-6)
    assert plan.power.firm_clean == pytest.approx(60e3, rel=1e-6)
    text = full_summary(site, plan)
    assert "Heat demands" in text
    (row,) = heat_demands(network_of(site), plan).rows
    assert row[0] == "furnace"
    proven, trace = prove_plan(site, replace(plan, verified=True), draws=1)
    assert trace.kept
    assert plan_from_json(plan_to_json(proven), "plan.json") == proven


def test_only_the_heat_above_its_temperature_counts(tmp_path: Path) -> None:
    most = 2e-3 * given_up(380, 90)
    for power, there in ((0.995 * most, True), (1.005 * most, False)):
        site = warm(tmp_path, ("power: 6 kW", f"power: {power / 1e3:.5g} kW"))
        if there:
            assert heat_of(planned(site)) == pytest.approx(power, rel=1e-3)
        else:
            with pytest.raises(NoPlanError, match="heat_demand"):
                plan_site(site, QUICK)


def test_bursts_keep_nothing_warm_and_a_colder_source_counts(tmp_path: Path) -> None:
    with pytest.raises(NoPlanError):
        plan_site(warm(tmp_path, BURSTS, HOLDER), QUICK)
    most = 2e-3 * given_up(350, 90)
    power = ("power: 6 kW", f"power: {0.995 * most / 1e3:.5g} kW")
    assert heat_of(planned(warm(tmp_path, BESIDE, power))) == pytest.approx(0.995 * most, rel=1e-3)
    with pytest.raises(NoPlanError):
        plan_site(
            warm(tmp_path, BESIDE, ("power: 6 kW", f"power: {1.005 * most / 1e3:.5g} kW")), QUICK
        )


def test_it_is_kept_warm_while_a_turbine_is_out(tmp_path: Path) -> None:
    site = warm(tmp_path, ("works: 2}", "works: 3}"))
    made = plan_site(site, replace(QUICK, robustness=Robustness(machines=1)))
    assert made.audit.accepted
    for outage in made.plan.outages:
        assert sum(use.heat or 0.0 for use in outage.recoveries) >= 6e3 * (1 - 1e-6)


def with_heat(plan: Plan, factor: float) -> Plan:
    told = [replace(use, heat=factor * (use.heat or 0.0)) for use in plan.recoveries]
    return replace(plan, recoveries=tuple(told))


TAMPERINGS: dict[str, tuple[str, Callable[[Plan], Plan]]] = {
    "more heat than the flow holds": ("recovery_heat", lambda plan: with_heat(plan, 2.0)),
    "less heat than is asked for": ("heat_demand", lambda plan: with_heat(plan, 0.9)),
}


@pytest.mark.parametrize("name", TAMPERINGS)
def test_the_audit_recomputes_it(name: str, tmp_path: Path) -> None:
    rule, tamper = TAMPERINGS[name]
    site = warm(tmp_path)
    found = audit(site, tamper(planned(site)))
    assert rule in {breach.rule for breach in found.breaches}


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (("heat_temperature: 90 degC", "heat_temperature: 390 degC"), "no source of 'hydrogen' is"),
        (("heat_temperature: 90 degC", "heat_temperature: 70 degC"), "nothing that may be built"),
        (
            (
                "heat_temperature: 90 degC",
                "heat_temperature: 90 degC\n    recovery: {efficiency: 5 %, threshold: 200 degC}",
            ),
            "its heat can serve one alone",
        ),
        (
            (", heat_demand: {power: 6 kW, min_temperature: 80 degC}", ""),
            "no place into which its heat goes has a heat_demand",
        ),
    ],
)
def test_what_cannot_be_is_refused(change: tuple[str, str], problem: str, tmp_path: Path) -> None:
    with pytest.raises(SiteFileError) as found:
        warm(tmp_path, change)
    assert any(problem in str(fault) for fault in found.value.faults)
