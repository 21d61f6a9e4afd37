"""Power out of the heat of coolers: promised where it is sound, and checked by the audit."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from CoolProp import CoolProp as library  # noqa: N813
from thermal.test_drawn_hot_sites import site_text

from allocator.engine import prove_plan
from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.physics.exchangers import effectiveness
from allocator.physics.recovery import carnot, most_of_stream
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import PipeFlow, Plan, RecoveryUse, Robustness
from allocator.search import Settings, make_plan
from allocator.simulation.tracing import assemble
from allocator.site.records import Site
from allocator.verify import audit

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
ASKED = ("town: {power: 60 kW}", "town: {power: 70 kW}")
RECOVERY = (
    "    duty: 12 kW\n",
    "    duty: 12 kW\n    power_share: 2 %\n    coolant: {temperature: 20 degC}\n"
    "    recovery: {efficiency: 15 %, threshold: 200 degC}\n",
)
BURSTS = ("pressure: 1.4 bar}", "pressure: 1.4 bar, cycle: [{on: 8 h, every: 20 h}]}")
HOLDER = (
    "pipes:  ",
    "storage:\n  h: {holds: hydrogen, places: [works], size: {max: 200 kg}}\npipes:  ",
)
QUICK = Settings(gap=1e-4, node_limit=200, time_limit=30.0)


def changed(tmp_path: Path, *changes: tuple[str, str]) -> Site:
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


def planned(site: Site, basis: str = "firm") -> Plan:
    plan = make_plan(site, replace(QUICK, basis=basis)).plan
    assert plan is not None
    assert [str(breach) for breach in audit(site, plan).breaches] == []
    return plan


def promised(plan: Plan) -> float:
    return sum(power for use in plan.recoveries for power in use.power.values())


def given_up(hot: float, cold: float) -> float:
    """J/kg of hydrogen between two temperatures in degC, by the library's enthalpies."""
    high, low = (
        library.PropsSI("Hmass", "T", celsius + 273.15, "P", 101_300.0, "Hydrogen")
        for celsius in (hot, cold)
    )
    return float(high - low)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return changed(tmp_path_factory.mktemp("recovery"), ASKED, RECOVERY)


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    return planned(site)


def test_recovery_changes_the_plan(site: Site, plan: Plan, tmp_path: Path) -> None:
    """A steady source: 15 % of its heat, less 2 % of it for fans, on top of the turbines' 60 kW."""
    without = planned(changed(tmp_path, ASKED))
    assert without.power.firm_clean == pytest.approx(60_000, rel=1e-5)
    heat = 2e-3 * given_up(380, 50)
    assert promised(plan) == pytest.approx(0.15 * heat, rel=2e-3)
    assert plan.power.firm_clean == pytest.approx(60_000 + 0.13 * heat, rel=1e-4)
    assert any("fin_fan" in run.build for run in plan.runs)
    assert not any("fin_fan" in run.build for run in without.runs)
    assert plan.ceiling.clean is not None
    assert plan.power.firm_clean <= plan.ceiling.clean * (1 + 1e-6)
    proven, trace = prove_plan(site, replace(plan, verified=True), draws=1)
    assert trace.kept
    assert proven.verified


def test_bursts_promise_nothing_but_have_a_mean(tmp_path: Path) -> None:
    site = changed(tmp_path, ASKED, RECOVERY, BURSTS, HOLDER)
    firm = planned(site)
    assert firm.recoveries == ()
    mean = planned(site, "mean")
    assert promised(mean) == pytest.approx(0.15 * 0.4 * 2e-3 * given_up(380, 50), rel=2e-3)
    assert mean.power.firm_clean > firm.power.firm_clean
    assert firm.ceiling.clean is not None
    assert mean.power.firm_clean <= firm.ceiling.clean * (1 + 1e-6)


def test_the_coldest_source_counts(tmp_path: Path) -> None:
    """A burst of 350 degC comes out beside the steady 380: the mixture may be that cold."""
    beside = (
        "pipes:  ",
        "  burst: {place: furnace, fluid: hydrogen, flow: 9 g/s, temperature: 350 degC, "
        "pressure: 1.4 bar, cycle: [{on: 1 h, every: 9 h}]}\n\npipes:  ",
    )
    plan = planned(changed(tmp_path, ASKED, RECOVERY, beside))
    assert promised(plan) == pytest.approx(0.15 * 2e-3 * given_up(350, 50), rel=2e-3)


def test_a_colder_source_is_kept_apart_by_the_threshold(tmp_path: Path) -> None:
    beside = (
        "pipes:  ",
        "  burst: {place: furnace, fluid: hydrogen, flow: 9 g/s, temperature: 350 degC, "
        "pressure: 1.4 bar, cycle: [{on: 1 h, every: 9 h}]}\n\npipes:  ",
    )
    higher = (RECOVERY[0], RECOVERY[1].replace("200 degC", "360 degC"))
    plan = planned(changed(tmp_path, ASKED, higher, beside))
    assert promised(plan) == pytest.approx(0.15 * 2e-3 * given_up(380, 50), rel=2e-3)


def test_what_a_pipe_brings_promises_nothing(tmp_path: Path) -> None:
    """The cooler stands at the end of the path: how cold gas comes there nobody knows."""
    plan = planned(changed(tmp_path, ASKED, RECOVERY, ("places: [furnace]", "places: [works]")))
    assert plan.recoveries == ()


def test_recovered_power_is_at_its_bus(tmp_path: Path) -> None:
    """With lines, power at the furnace reaches the town along the line, at its loss."""
    lines = (
        "demands:\n",
        "power_lines: {wire: {between: [furnace, works], capacity: 9 kW, loss: 10 %}}\ndemands:\n",
    )
    asked = ("town: {power: 60 kW}", "town: {power: 70 kW, place: works}")
    plan = planned(changed(tmp_path, asked, RECOVERY, lines))
    sent = 0.13 * 2e-3 * given_up(380, 50)
    assert plan.power.firm_clean == pytest.approx(60_000 + 0.9 * sent, rel=1e-4)


def test_a_following_part(tmp_path: Path) -> None:
    """Steady gas that follows a demand's profile gives power that follows it too."""
    asked = (ASKED[0], "town: {power: 60 kW, profile: [1, 2], period: 1 d}")
    with_it = planned(changed(tmp_path, asked, RECOVERY))
    without = planned(changed(tmp_path, asked))
    assert any(shape == "town" for use in with_it.recoveries for shape in use.power)
    assert with_it.power.firm_clean > without.power.firm_clean * 1.01


def test_the_plan_file_keeps_it(plan: Plan) -> None:
    assert plan.recoveries
    assert plan_from_json(plan_to_json(plan), "plan").recoveries == plan.recoveries


def with_use(plan: Plan, change: Callable[[RecoveryUse], RecoveryUse]) -> Plan:
    (use,) = plan.recoveries
    return replace(plan, recoveries=(change(use),))


def test_the_audit_finds_what_is_tampered_with(site: Site, plan: Plan) -> None:
    def rules(other: Plan, of: Site = site) -> set[str]:
        return set(audit(of, other).rules)

    passed = {rule for rule in audit(site, plan).checks if rule.startswith("recovery_")}
    assert len(passed) == 7
    (use,) = plan.recoveries
    (cooler,) = site.coolers.values()
    pipe = next(run.route for run in plan.runs if "path" in run.route)
    assert "recovery_stands" in rules(with_use(plan, lambda u: replace(u, route=pipe)))
    assert "recovery_stands" in rules(with_use(plan, lambda u: replace(u, build="fin_fan x 2")))
    assert "recovery_flow" in rules(with_use(plan, lambda u: replace(u, flow={"flat": 2.1e-3})))
    more = {"flat": 1.001 * use.power["flat"]}
    assert "recovery_power" in rules(with_use(plan, lambda u: replace(u, power=more)))
    assert "own_load" in rules(replace(plan, recoveries=()))
    assert "listed_twice" in rules(replace(plan, recoveries=(use, use)))
    hotter = replace(cooler, threshold=700.0)
    assert "recovery_threshold" in rules(plan, replace(site, coolers={cooler.name: hotter}))
    # between 380 and 50 degC, against 20 degC, no engine makes more than 38 % of heat
    better = replace(cooler, recovery=0.40)
    assert "recovery_nature" in rules(plan, replace(site, coolers={cooler.name: better}))
    sources = tuple(replace(s, direct={"flat": 1e-3}) for s in plan.sources)
    assert "recovery_sources" in rules(replace(plan, sources=sources))
    start = site.routes[use.route].start
    runs = tuple(
        replace(r, flows=(*r.flows, PipeFlow("works", start, "supply", "flat", 1e-4)))
        if r.route == pipe
        else r
        for r in plan.runs
    )
    assert "recovery_fed" in rules(replace(plan, runs=runs))


def test_an_efficiency_that_no_engine_has(tmp_path: Path) -> None:
    """Below Carnot's at the threshold, but gas that is cooled gives its heat colder and colder."""
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    text = text.replace(RECOVERY[0], RECOVERY[1].replace("15 %", "30 %"))
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    assert carnot(473.15, 293.15) > 0.30
    (fault,) = check_site(path).faults
    assert "recovers 30 % of the heat of gas that it cools from 200 degC to 50 degC" in str(fault)
    # 1 - 293.15 ln(473.15/323.15)/150
    assert "where no engine passes 25.5 % against 20 degC" in str(fault)


@pytest.mark.parametrize("fluid", ["Hydrogen", "Nitrogen", "Air", "Methane"])
@pytest.mark.parametrize(("hot", "outlet"), [(653.15, 323.15), (473.15, 373.15), (600.0, 599.0)])
def test_the_second_law_by_the_library(fluid: str, hot: float, outlet: float) -> None:
    """``1 - T0 (s1 - s2)/(h1 - h2)`` by CoolProp's entropies at constant pressure."""
    cold, pressure = 293.15, 101_325.0
    h1, h2 = (library.PropsSI("Hmass", "T", t, "P", pressure, fluid) for t in (hot, outlet))
    s1, s2 = (library.PropsSI("Smass", "T", t, "P", pressure, fluid) for t in (hot, outlet))

    def capacity(kelvin: np.ndarray) -> np.ndarray:
        return np.array([library.PropsSI("Cpmass", "T", t, "P", pressure, fluid) for t in kelvin])

    expected = 1 - cold * (s1 - s2) / (h1 - h2)
    assert most_of_stream(hot, outlet, cold, capacity) == pytest.approx(expected, rel=5e-4)
    # with a constant heat capacity: Carnot's between the log mean of both temperatures and T0
    mean = (hot - outlet) / np.log(hot / outlet)
    assert most_of_stream(hot, outlet, cold) == pytest.approx(carnot(mean, cold), rel=1e-5)
    assert most_of_stream(hot, outlet, cold) < carnot(hot, cold)


def test_a_unit_recovers_no_more_than_its_conductance_takes(tmp_path: Path) -> None:
    """UA of 20 W/K: effectiveness-NTU with plenty of coolant bounds what one unit cools.

    ``1 - exp(-UA/(m cp)) = (380 - 50)/(380 - 20)`` gives m, the most that one unit brings to
    50 degC (Kays & London, *Compact Heat Exchangers*); so two units are there for 2 g/s.
    """
    small = (RECOVERY[0], RECOVERY[1] + "    conductance: 40 W/K\n")
    fins = ("materials: {fins: 900 kg}", "materials: {fins: 90 kg}")
    site = changed(tmp_path, ASKED, small, fins)
    plan = planned(site)
    heat = given_up(380, 50) / 330
    ntu = -np.log(1 - 330 / 360)
    assert float(effectiveness(ntu, 0.0, "condenser")) == pytest.approx(330 / 360)
    each = 40 / (ntu * heat)
    (run,) = [r for r in plan.runs if "fin_fan" in r.build]
    assert site.capacity(run.route, "fin_fan x 1", "hydrogen") == pytest.approx(each, rel=1e-3)
    assert each < 2e-3 < 2 * each
    assert run.build == "fin_fan x 2"


@pytest.mark.parametrize("seed", [3, 12, 34])
def test_law_of_drawn_sites(seed: int, tmp_path: Path) -> None:
    """Recovery never takes from a promise, keeps below the ceiling, and passes the audit."""
    chance = random.Random(7000 + seed)
    chance.random()
    threshold, efficiency = chance.uniform(40, 250), chance.uniform(1, 4)
    served = []
    for recovery in (
        "",
        f" recovery: {{efficiency: {efficiency} %, threshold: {threshold} degC}},",
    ):
        text = site_text(random.Random(seed)).replace(", cycle: [{on: 2 h, every: 9 h}]", "")
        text = re.sub(r"town: \{power: [0-9]+ kW", "town: {power: 400 kW", text)
        text = text.replace("power_share: 2 %,", f"power_share: 2 %,{recovery}")
        path = tmp_path / "site.yaml"
        path.write_text(text, encoding="utf-8")
        site = network_of(read_site(path))
        plan = make_plan(site, Settings(gap=1e-3, node_limit=40, time_limit=20.0, seed=seed)).plan
        assert plan is not None
        assert [str(breach) for breach in audit(site, plan).breaches] == []
        assert plan.ceiling.clean is not None
        assert plan.power.firm_clean <= plan.ceiling.clean * (1 + 1e-6)
        served.append(plan)
    without, with_it = served
    assert promised(with_it) > 0
    assert with_it.power.firm_clean > without.power.firm_clean


def test_a_source_that_may_be_lost_promises_none_of_its_heat(tmp_path: Path) -> None:
    """A promise that withstands a lost source counts on a sure one only."""
    lost = replace(QUICK, robustness=Robustness(lost=1))
    spare = (
        "pipes:  ",
        "  second: {place: furnace, fluid: hydrogen, flow: 2 g/s, temperature: 380 degC, "
        "pressure: 1.4 bar}\n\npipes:  ",
    )
    plan = make_plan(changed(tmp_path, ASKED, RECOVERY, spare), lost).plan
    assert plan is not None
    assert plan.recoveries == ()
    reliable = (BURSTS[0], "pressure: 1.4 bar, reliable: true}")
    site = changed(tmp_path, ASKED, RECOVERY, reliable)
    plan = make_plan(site, lost).plan
    assert plan is not None
    assert promised(plan) > 0
    assert audit(site, plan).accepted


def cool_first(tmp_path: Path, *changes: tuple[str, str]) -> Site:
    """Two furnaces of bursts that are cooled beside them, with power out of their heat."""
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "bursts.yaml"
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


FROM_HEAT = (
    "    conductance: 200 W/K\n",
    "    conductance: 200 W/K\n    recovery: {efficiency: 15 %, threshold: 200 degC}\n",
)
MUCH = ("town: {power: 60 kW}", "town: {power: 90 kW}")
NO_WOOL = ("    stock: 12 t\n", "    stock: 100 kg\n")


def burst_power(plan: Plan, site: Site) -> float:
    """Mean W of 15 % of the heat of all bursts, by the library's enthalpies."""
    found = 0.0
    for use in plan.sources:
        source = site.sources[use.name]
        assert source.temperature is not None
        (stage,) = source.stages
        rate = sum(use.collect.values()) * stage.on / stage.every
        found += 0.15 * rate * given_up(source.temperature - 273.15, 50)
    return found


def test_the_simulated_mean_has_the_power_out_of_bursts(tmp_path: Path) -> None:
    """The same plan simulated with the coolers' recovery and without it."""
    site = cool_first(tmp_path, MUCH, NO_WOOL, FROM_HEAT)
    plan = planned(site)
    assert plan.recoveries == ()
    plain = cool_first(tmp_path, MUCH, NO_WOOL)
    _, trace = prove_plan(site, plan, draws=2)
    same = replace(plan, site_sha256=plain.sha256)
    _, without = prove_plan(plain, same, draws=2)
    assert trace.kept
    for mine, other in zip(trace.draws, without.draws, strict=True):
        assert mine.mean_clean_w - other.mean_clean_w == pytest.approx(
            burst_power(plan, site), rel=5e-3
        )
        assert mine.mean_total_w - other.mean_total_w == pytest.approx(
            mine.mean_clean_w - other.mean_clean_w, rel=1e-9
        )
        assert mine.worst_firm_w == other.worst_firm_w


def test_what_a_bus_cannot_use_is_not_counted(tmp_path: Path) -> None:
    """A town that has what it asks for gains nothing; nothing passes what it asks for."""
    site = cool_first(tmp_path, NO_WOOL, FROM_HEAT)
    plan = planned(site)
    _, trace = prove_plan(site, plan, draws=1)
    for draw in trace.draws:
        assert draw.mean_total_w <= plan.power.demand_mean * (1 + 1e-9)
    # the colder furnace is colder than the threshold: no power from its gas
    higher = (FROM_HEAT[0], FROM_HEAT[1].replace("200 degC", "370 degC"))
    site = cool_first(tmp_path, MUCH, NO_WOOL, higher)
    plan = planned(site)
    (rate,) = assemble(site, plan).recovered
    assert [name for name, _ in rate.terms] == ["north_furnace"]


def test_wind_cools_nothing_that_limits_or_credit_count_on(tmp_path: Path) -> None:
    """Limits count still air, which cools least; credit counts gas that has been in no pipe, so

    no wind makes it colder: a gale changes no level, no end of a run and no power of a cooler.
    """
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    assert "wind: 3 m/s" in text
    sites = []
    for number, wind in enumerate(("0 m/s", "25 m/s")):
        folder = tmp_path / str(number)
        folder.mkdir()
        sites.append(cool_first(folder, ("wind: 3 m/s", f"wind: {wind}"), FROM_HEAT))
    still, gale = sites
    assert (still.ambient.wind, gale.ambient.wind) == (0.0, 25.0)
    assert still.routes == gale.routes
    credited = [route for route in still.routes.values() if route.recovery is not None]
    assert any(route.recovery and route.recovery.power > 0 for route in credited)
    for route in credited:
        assert route.recovery is not None
        here = [s.temperature for s in still.sources.values() if s.place == route.start]
        power = 0.0
        if here:
            coldest = min(kelvin for kelvin in here if kelvin is not None)
            power = 0.15 * given_up(coldest - 273.15, 50)
        assert route.recovery.power == pytest.approx(power, rel=2e-3)
