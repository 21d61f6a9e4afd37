"""Heat sinks that cool a source's gas: against hand sums, a march through time, and all choices."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from allocator.engine import plan_files
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.network.facts import changed
from allocator.network.reading import check_site, read_site
from allocator.network.records import Sink
from allocator.network.sinks import guaranteed, room, sinks_of
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import HeatSinkUse, Plan
from allocator.report.bill import bill_of_materials
from allocator.report.summary import full_summary as summary
from allocator.search import Settings, make_plan
from allocator.site.records import Site, Stage
from allocator.studies.heat_sinks_result import heat_sinks
from allocator.verify import audit
from allocator.verify.case import Case
from allocator.verify.sink_states import reached
from allocator.verify.sinks import warmest

CASE = Path(__file__).resolve().parents[1] / "cases" / "heat_sink_cools.yaml"
DAY = 86_400.0


def planned(site: Site, basis: str = "firm") -> Plan:
    found = make_plan(site, Settings(node_limit=200, basis=basis, prices=False)).plan
    assert found is not None
    assert [str(breach) for breach in audit(site, found).breaches] == []
    return found


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    text = CASE.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def site() -> Site:
    return network_of(read_site(CASE))


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    return planned(site)


def sink_in(site: Site) -> Sink:
    (sink,) = [build.sink for build in network_of(site).pipes.values() if build.sink is not None]
    return sink


def test_the_promise_by_hand(plan: Plan) -> None:
    """The head of the case: 59 d and 330 s of quiet out of 5 t, less what the pump takes."""
    drawn = 5000.0 / (59 * DAY + 330)
    watts = 60e6 * drawn - 3e5 * drawn / (310 / 640 * 72 / 131)
    assert plan.power.firm_clean == pytest.approx(watts, rel=1e-6)
    (use,) = plan.heat_sinks
    assert (use.used, use.recovery, use.cooler, use.mass) == (True, True, False, 5000.0)
    assert use.keeps
    assert plan_from_json(plan_to_json(plan), "plan") == plan


def test_the_same_as_with_a_pump_that_bears_all(plan: Plan, tmp_path: Path) -> None:
    """What is cooled enough is worth as much as what needs no cooling; no pump needs no sink."""
    bears = planned(read_site(written(tmp_path, (", max_inlet_temperature: 250 degC", ""))))
    assert plan.power.firm_clean == pytest.approx(bears.power.firm_clean, rel=1e-6)
    assert not bears.heat_sinks[0].used


def test_on_the_mean_basis_the_bursts_count_all_the_same(site: Site) -> None:
    mean = planned(site, "mean")
    assert mean.power.mean_clean == pytest.approx(60e3, rel=1e-6)
    assert mean.heat_sinks[0].used


def test_the_outlet_by_hand(site: Site) -> None:
    """A burst at 115 degC brings m cp (480 - 115) W; 30 kW go to recovery, 60 W/K to the air.

    The rest warms 5 t of water: by less than a kelvin above the threshold in 310 s.
    """
    threshold, hot, around = 388.15, 753.15, 288.15
    heat = 9.5e-3 * (
        PropsSI("H", "T", hot, "P", 2.5e5, "Hydrogen")
        - PropsSI("H", "T", threshold, "P", 2.5e5, "Hydrogen")
    )
    over = heat - 30e3 - 60 * (threshold - around)
    assert over > 0
    water = PropsSI("C", "T", threshold, "P", 4e5, "Water")
    most = threshold + over * 310 / (5000 * water)
    outlet = sink_in(site).outlet
    assert most < outlet < most + 2 * room(network_of(site), hot)


def gas_table(site: Site, source: str) -> Callable[[float], float]:
    """Enthalpy by temperature, J/kg, of a source's gas."""
    record = site.sources[source]
    fluid = site.fluids[record.fluid]
    kelvin = np.linspace(270.0, record.temperature or 0.0, 200)
    if "specific_heat" in fluid.constants:
        heat = fluid.constants["specific_heat"] * kelvin
    else:
        heat = np.array(
            [PropsSI("H", "T", k, "P", record.pressure, fluid.substance) for k in kelvin]
        )
    return lambda k: float(np.interp(k, kelvin, heat))


def on_at(stages: tuple[Stage, ...], time: float) -> bool:
    """Whether a nested cycle is on: an inner stage begins anew when the one around it does."""
    for stage in reversed(stages):
        time = time % stage.every
        if time >= stage.on:
            return False
    return True


def hottest_gas(
    site: Site, sink: Sink, phase: float, share: Callable[[float], float], periods: int = 8
) -> float:
    """K of the hottest gas in some periods from a phase on: small steps of the plain equation.

    ``share``: of the source's flow that comes, by time. The gas gives what its enthalpy says, the
    filling takes what it says: no constant of the bound is used.
    """
    heat_sink = site.heat_sinks[sink.heat_sink]
    source = site.sources[heat_sink.source]
    enthalpy = gas_table(site, source.name)
    hot, around = source.temperature or 0.0, site.ambient.temperature
    filling = site.fluids[heat_sink.fluid] if heat_sink.fluid is not None else None
    water = filling is not None and filling.substance == "Water"
    kelvin = np.linspace(274.0, 416.0, 60)
    heats = (
        [PropsSI("C", "T", k, "P", heat_sink.pressure, "Water") for k in kelvin] if water else []
    )
    boils = PropsSI("T", "P", heat_sink.pressure, "Q", 0, "Water") if water else np.inf
    draw = heat_sink.recovery.duty if sink.recovery and heat_sink.recovery is not None else 0.0
    mark = (
        heat_sink.recovery.threshold if sink.recovery and heat_sink.recovery is not None else np.inf
    )
    now, found = heat_sink.initial_temperature, 0.0
    time, end, step = phase, phase + periods * source.stages[-1].every, source.stages[0].on / 40
    while time < end:
        heat = -heat_sink.loss_conductance * (now - around)
        if on_at(source.stages, time):
            leaves = hot - heat_sink.effectiveness * (hot - now)
            found = max(found, leaves)
            heat += share(time) * source.flow * (enthalpy(hot) - enthalpy(leaves))
        if now > mark or (now == mark and heat > 0):
            heat = heat - draw if now > mark or heat > draw else 0.0
        capacity = sink.mass * (float(np.interp(now, kelvin, heats)) if water else 850.0)
        moved, span = heat * step / capacity, step
        if (now - mark) * (now + moved - mark) < 0:  # the step ends where the draw switches
            span *= (mark - now) / moved
            now = mark
        else:
            now = min(now + moved, boils)
        time += span
    return found


RECOVERY = "    recovery: {duty: 30 kW, threshold: 115 degC, efficiency: 12 %}\n"
SITES: dict[str, list[tuple[str, str]]] = {
    "water": [("mass: 5 t", "mass: 600 kg")],
    "in part": [
        ("mass: 5 t", "mass: 150 kg"),
        ("    max_outlet_temperature", "    effectiveness: 90 %\n    max_outlet_temperature"),
    ],
    "stones": [
        (
            "fluid: water\n    loss_conductance: 60",
            "specific_heat: 850 J/(kg*K)\n    initial_temperature: 90 degC\n    "
            "loss_conductance: 300",
        ),
        (RECOVERY, ""),
        ("max_temperature: 140 degC", "max_temperature: 240 degC"),
        ("mass: 5 t", "mass: 700 kg"),
    ],
    "boils": [
        (RECOVERY, ""),
        ("max_temperature: 140 degC", "max_temperature: 150 degC"),
        ("mass: 5 t", "mass: 300 kg"),
    ],
}
SHORT = ("{on: 72 d, every: 131 d}", "{on: 2 h, every: 5 h}")


@pytest.mark.parametrize("name", SITES)
def test_no_phase_and_no_flow_is_hotter(name: str, tmp_path: Path) -> None:
    """From any phase, with less flow, with bursts that stay away: never above the bound."""
    site = read_site(written(tmp_path, SHORT, *SITES[name]))
    sink = sink_in(site)
    dice = random.Random(7)
    period = site.sources["furnace_purge"].stages[-1].every

    def full(time: float) -> float:
        return 1.0

    came = hottest_gas(site, sink, 0.0, full)
    assert came <= sink.outlet
    warm = max(0.0, site.heat_sinks["sink"].initial_temperature - site.ambient.temperature)
    assert came > sink.outlet - warm - 4 * room(
        network_of(site), 753.15
    )  # nor far above what may come
    for _ in range(4):
        assert hottest_gas(site, sink, dice.uniform(0.0, period), full) <= sink.outlet
    for _ in range(4):
        phase, part, out = dice.uniform(0.0, period), dice.random(), dice.random()

        def weaker(time: float, part: float = part, out: float = out) -> float:
            return part if time % 7919.0 < out * 7919.0 else 1.0

        assert hottest_gas(site, sink, phase, weaker) <= sink.outlet


@pytest.mark.parametrize("name", SITES)
def test_two_models_agree_and_more_mass_is_never_hotter(name: str, tmp_path: Path) -> None:
    site = read_site(written(tmp_path, SHORT, *SITES[name]))
    heat_sink = replace(site.heat_sinks["sink"], max_temperature=745.0, max_outlet_temperature=None)
    site = replace(site, heat_sinks={"sink": heat_sink})
    case = Case(site, None, True, {}, {}, {}, {}, {}, {}, site)  # type: ignore[arg-type]
    recovery = heat_sink.recovery is not None
    before = np.inf
    for mass in (20.0, 60.0, 200.0, 700.0, 3e3, 2e4, 1e5):
        one = guaranteed(
            network_of(site), replace(heat_sink, initial_temperature=288.15), mass, recovery
        )
        warm = guaranteed(network_of(site), heat_sink, mass, recovery)
        assert isinstance(one, Sink), one
        assert isinstance(warm, Sink), warm
        high, _, heat = warmest(case, replace(heat_sink, mass=mass), recovery)
        outlet = 753.15 - heat_sink.effectiveness * (753.15 - high)
        assert outlet <= warm.outlet <= outlet + 2 * room(network_of(site), 753.15)
        assert heat <= 1.001 * warm.heat
        assert one.outlet <= warm.outlet
        assert one.outlet <= before + 1e-9
        before = one.outlet


def test_gas_that_takes_up_less_when_cold(tmp_path: Path) -> None:
    """Methane's specific heat doubles on the way: its mean from the air on would be too little."""
    path = written(
        tmp_path,
        SHORT,
        ("Hydrogen, heating_value: 120", "Methane, heating_value: 50"),
        ("temperature: 480 degC", "temperature: 345 degC"),
        ("recovery: {duty: 30 kW", "recovery: {duty: 2 kW"),
        ("mass: 5 t", "mass: 100 kg"),
        ("loss_conductance: 60 W/K", "loss_conductance: 4 W/K"),
        ("outputs: {power: 30 kW}", "outputs: {power: 10 kW}"),
    )
    site = read_site(path)
    sink = sink_in(site)
    full = hottest_gas(site, sink, 0.0, lambda _: 1.0)
    assert full <= sink.outlet
    case = Case(site, None, True, {}, {}, {}, {}, {}, {}, site)  # type: ignore[arg-type]
    assert reached(case, site.heat_sinks["sink"], True, 0.0).high >= full


LIST = ("mass: 5 t", "mass: [{}]\n    materials: {{steel: 2 kg/kg}}\n    price: 3 /kg")


@pytest.mark.parametrize("limit", ["250 degC", "116 degC", "60 degC"])
def test_the_choice_among_masses(limit: str, tmp_path: Path) -> None:
    """A plan with a list of masses is the best of the plans with each of them alone."""
    masses = ["400 kg", "3 t", "9 t"]
    scarce = ("{stock: 60 t}", "{stock: 27 t, price: 1 /kg}")
    bears = ("max_inlet_temperature: 250 degC", f"max_inlet_temperature: {limit}")
    text = LIST[1]

    def with_masses(listed: list[str], name: str) -> Plan:
        folder = tmp_path / name
        folder.mkdir()
        change = (LIST[0], text.format(", ".join(listed)))
        return planned(read_site(written(folder, scarce, bears, change)))

    def worth(plan: Plan) -> tuple[float, float]:
        (steel,) = plan.materials
        return (round(plan.power.firm_clean, 1), -round(steel.used, 3))

    whole = with_masses(masses, "all")
    alone = [with_masses([mass], mass) for mass in masses]
    best = max(alone, key=worth)
    assert worth(whole)[0] == pytest.approx(worth(best)[0], rel=1e-5)
    assert worth(whole)[1] == pytest.approx(worth(best)[1], rel=1e-5)
    used = [heat_sink.mass for heat_sink in whole.heat_sinks if heat_sink.used]
    assert used == [heat_sink.mass for heat_sink in best.heat_sinks if heat_sink.used]
    if limit == "60 degC":
        assert (used, worth(whole)[0]) == ([], 0.0)


def test_one_mass_of_a_sink_is_built(tmp_path: Path) -> None:
    """A light sink that the pump bears, a heavy one for a machine that bears less."""
    change = (LIST[0], LIST[1].format("150 kg, 9 t"))
    cool = "h2_cell: {max_inlet_temperature: 118 degC, inputs"
    warm = (
        "  burner: {inputs: {hydrogen: 1 g/s}, outputs: {power: 1 kW}, places: {yard: 1}}\ndemands"
    )
    tank = ("size: {max: 5 t}", "max_inlet_temperature: 118 degC, size: {max: 5 t}")
    changes = (change, ("h2_cell: {inputs", cool), ("demands", warm), tank)
    site = network_of(read_site(written(tmp_path, *changes)))
    routes = [r for r in site.routes.values() if r.stream is not None and r.stream.kind == "sink"]
    assert len(routes) == 2
    plan = planned(site)
    assert [heat_sink.mass for heat_sink in plan.heat_sinks] == [9000.0]
    assert plan.power.firm_clean > 50e3
    both = tuple(
        replace(run, route=route.name, build=route.pipes[0], flows=())
        for run in plan.runs
        for route in routes
        if site.pipes[run.build].sink and route.name != run.route
    )
    assert "one_sink" in audit(site, replace(plan, runs=(*plan.runs, *both))).rules


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda b: replace(b, guaranteed=b.guaranteed - 1.0), "sink_told"),
        (lambda b: replace(b, mass=4000.0), "heat_sink_set"),
        (lambda b: replace(b, recovery=False), "sink_told"),
        (lambda b: replace(b, used=False), "sink_used"),
        (lambda b: replace(b, high=b.high - 1.0), "heat_sink_hottest"),
    ],
)
def test_the_audit_finds_what_is_tampered_with(
    site: Site, plan: Plan, change: Callable[[HeatSinkUse], HeatSinkUse], rule: str
) -> None:
    assert rule in audit(site, replace(plan, heat_sinks=tuple(map(change, plan.heat_sinks)))).rules


def test_the_audit_finds_a_sink_left_out_and_gas_that_is_told_colder(
    site: Site, plan: Plan
) -> None:
    assert "sink_used" in audit(site, replace(plan, runs=plan.runs[1:])).rules
    assert plan.heat is not None
    flows = tuple(replace(flow, outlet=flow.outlet - 5.0) for flow in plan.heat.flows)
    colder = replace(plan, heat=replace(plan.heat, flows=flows))
    assert "heat_along" in audit(site, colder).rules


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"outlet": 380.0}, "sink_outlet"),
        ({"outlet": 395.0}, "sink_outlet"),
        ({"mass": 50.0}, "sink_offered"),
        ({"recovery": False}, "sink_outlet"),
        ({"heat": 1000.0}, "sink_heat"),
    ],
)
def test_the_audit_works_the_sink_out_by_itself(
    site: Site, plan: Plan, change: dict[str, float], rule: str
) -> None:
    """A site whose own figures of the sink are wrong: the audit does not take them on trust."""
    builds = {
        name: build if build.sink is None else replace(build, sink=replace(build.sink, **change))
        for name, build in site.pipes.items()
    }
    assert rule in audit(replace(site, pipes=builds), plan).rules


def with_builds(site: Site, **facts: float) -> Site:
    builds = {n: replace(b, **facts) if b.sink else b for n, b in site.pipes.items()}
    return replace(site, pipes=builds)


def with_source(site: Site, **facts: float) -> Site:
    source = replace(site.sources["furnace_purge"], **facts)
    return replace(site, sources={source.name: source})


def with_heat_sink(site: Site, **facts: float) -> Site:
    return replace(site, heat_sinks={"sink": replace(site.heat_sinks["sink"], **facts)})


def more_gas_there(site: Site) -> Site:
    """Another source at the mouth before the sink."""
    other = replace(site.sources["furnace_purge"], name="other")
    return replace(site, sources={**site.sources, "other": other})


def wider(site: Site) -> Site:
    """A sink that is offered for more gas than its source gives."""
    routes = {
        name: replace(route, capacities=dict.fromkeys(route.capacities or {}, 1.0))
        for name, route in site.routes.items()
    }
    return replace(site, routes=routes)


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda site: with_builds(site, price=5.0), "sink_takes"),
        (more_gas_there, "sink_source"),
        (wider, "sink_flow"),
        (lambda site: with_heat_sink(site, heat_while_on=9e3), "sink_known"),
        (lambda site: with_heat_sink(site, max_temperature=380.0), "sink_hottest"),
        (lambda site: with_heat_sink(site, max_outlet_temperature=380.0), "sink_hottest"),
        (lambda site: with_source(site, water=0.05), "sink_wet"),
        (lambda site: with_source(site, flow=0.02), "sink_outlet"),
    ],
)
def test_a_plan_of_a_site_that_is_hotter(
    site: Site, plan: Plan, change: Callable[[Site], Site], rule: str
) -> None:
    assert rule in audit(change(site), plan).rules


def test_a_plan_passes_through_every_rule_but_those_of_wet_gas(site: Site, plan: Plan) -> None:
    checks = {rule for rule in audit(site, plan).checks if rule.startswith(("sink", "one_sink"))}
    assert len(checks) == 11


def test_it_is_said(site: Site, plan: Plan, tmp_path: Path) -> None:
    text = " ".join(summary(site, plan).split())
    assert "sink furnace_purge 5 yes 480 116 250 0" in text  # t, degC, kg of steam
    assert "pump of furnace_purge hydrogen taken in 116 250 134" in text
    assert "Heat sinks fail: one whose filling leaks" in " ".join(cautions_for(site))
    files = plan_files(site, plan)
    assert b"sink of 5 t with recovery" in files["build_order.csv"]
    two = read_site(written(tmp_path, ("mass: 5 t", "mass: [5 t, 1 t]")))
    counted = {row[:2]: row[2:] for row in heat_sinks(two)["in_plans"].rows}
    outlet, pump_limit, reason = counted["sink, 1 t", True]
    assert outlet == pytest.approx(273.15 + 116, abs=0.5)
    pump = two.sources["furnace_purge"].pump
    assert pump is not None
    assert (pump_limit, reason) == (pump.max_inlet_temperature, None)
    assert "it may reach 144 degC, above" in str(counted["sink, 5 t", False][2])
    told = [entry["as_heat_sink"] for entry in json.loads(heat_sinks(two).to_json())["baths"]]
    assert [one["gas_leaves_at_most_k"] is None for both in told for one in both] == [
        True,
        False,
    ] * 2


def test_what_a_sink_takes_is_in_the_bill(tmp_path: Path) -> None:
    take = "mass: 5 t\n    materials: {steel: 40 g/kg}\n    price: 3 /kg"
    take += "\n    base: {materials: {steel: 90 kg}, price: 700}"
    site = network_of(read_site(written(tmp_path, ("mass: 5 t", take))))
    plan = planned(site)
    bill = [line for line in bill_of_materials(site, plan) if line.item.startswith("sink of 5 t")]
    assert [line.money for line in bill] == [15_700.0, 0.0]
    assert [line.kg for line in bill] == [None, pytest.approx(290.0)]
    assert plan.money == pytest.approx(15_700.0)
    (steel,) = plan.materials
    assert steel.used == pytest.approx(290.0 + 25_000.0, rel=1e-6)


def test_the_heat_of_a_sink_is_let_into_its_place(tmp_path: Path) -> None:
    """30 kW go to recovery and 60 W/K * 100 K to the air: more than 30 kW, less than 40 kW."""
    plans = {}
    for limit in ("30 kW", "40 kW"):
        folder = tmp_path / limit[:2]
        folder.mkdir()
        place = ("{yard: {at: [0, 0]}}", f"{{yard: {{at: [0, 0], heat_limit: {limit}}}}}")
        site = read_site(written(folder, place, ("duty: 30 kW", "duty: 29 kW")))
        plans[limit] = planned(site, "mean")
    tight, wide = plans["30 kW"], plans["40 kW"]
    assert tight.power.mean_clean == 0.0
    assert "places.yard.heat_limit is 30 kW" in "\n".join(tight.limits)
    assert wide.power.mean_clean > 50e3


def test_a_chamber_is_filled_through_the_sink(plan: Plan, tmp_path: Path) -> None:
    """What the pump draws out of it through pauses is cooled already: no less is promised."""
    inlet = "max_inlet_temperature: 250 degC"
    chamber = (inlet, f"{inlet}, chamber: {{volume: 40 m^3, min_pressure: 1.2 bar}}")
    found = planned(read_site(written(tmp_path, chamber)))
    assert found.heat_sinks[0].used
    assert found.power.firm_clean >= plan.power.firm_clean


def test_a_sink_is_never_a_loss(tmp_path: Path) -> None:
    """Hot gas may pass it by: a cooler that makes power of steady gas still has all of it."""
    steady = ("    cycle: [{on: 310 s, every: 640 s}, {on: 72 d, every: 131 d}]\n", "")
    bears = (", max_inlet_temperature: 250 degC", "")
    cooler = (
        "demands: {base: {power: 60 kW}}",
        "demands: {base: {power: 900 kW}}\n"
        "coolers:\n"
        "  stage:\n"
        "    {fluid: hydrogen, set_point: 60 degC, rate: 20 g/s, places: [yard],\n"
        "     recovery: {efficiency: 12 %, threshold: 200 degC}}",
    )
    limit = ("h2_cell: {inputs", "h2_cell: {max_inlet_temperature: 70 degC, inputs")
    site = read_site(written(tmp_path, steady, bears, cooler, limit))
    found = planned(site)
    without = planned(replace(site, heat_sinks={}))
    assert without.recoveries
    assert found.power.firm_clean == pytest.approx(without.power.firm_clean, rel=1e-6)


def why_refused(folder: Path, *changes: tuple[str, str]) -> str:
    """The warning of a site whose source is too hot for its pump."""
    report = check_site(written(folder, *changes))
    assert report.site is not None
    return " ".join(str(warning) for warning in report.warnings)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            [("max_inlet_temperature: 250 degC", "max_inlet_temperature: 90 degC")],
            "and the pump bears 90 degC",
        ),
        (
            [("max_temperature: 140 degC", "max_temperature: 115.3 degC")],
            "above its 'max_temperature' (115 degC)",
        ),
        (
            [("max_outlet_temperature: 250 degC", "max_outlet_temperature: 100 degC")],
            "its 'max_outlet_temperature'",
        ),
        ([("    max_outlet_temperature: 250 degC", "    heat_while_on: 9 kW")], "'heat_while_on'"),
        ([("pressure: 2.5 bar", "pressure: 2.5 bar\n    water: 5 %")], "its gas is wet"),
        (
            [
                ("loss_conductance: 60 W/K", "loss_conductance: 0 W/K"),
                ("    recovery: {duty: 30 kW, threshold: 115 degC, efficiency: 12 %}\n", ""),
            ],
            "above its 'max_temperature'",
        ),
    ],
)
def test_why_a_sink_does_not_count(
    changes: list[tuple[str, str]], words: str, tmp_path: Path
) -> None:
    told = why_refused(tmp_path, *changes)
    assert "its gas is too hot for its pump" in told
    assert "heat sink 'sink' does not" in told
    assert words in told


def test_wet_gas_counts_where_the_sink_stays_above_its_dew_point(tmp_path: Path) -> None:
    """Steadily on, the sink stays near 115 degC, far above the dew point of 5 % at 2.5 bar."""
    wet = ("pressure: 2.5 bar", "pressure: 2.5 bar\n    water: 5 %")
    steady = ("    cycle: [{on: 310 s, every: 640 s}, {on: 72 d, every: 131 d}]\n", "")
    more = ("recovery: {duty: 30 kW", "recovery: {duty: 90 kW")
    site = read_site(written(tmp_path, wet, steady, more))
    assert planned(site).heat_sinks[0].used
    # 5 % of 2.5 bar: water boils at 0.125 bar at 50.2 degC (IAPWS-IF97, from memory)
    cold = ("threshold: 115 degC, efficiency: 12 %", "threshold: 50 degC, efficiency: 5 %")
    folder = tmp_path / "cold"
    folder.mkdir()
    assert "wet down to 50.2 degC" in why_refused(folder, wet, steady, more, cold)


def test_a_warm_start_is_added(tmp_path: Path) -> None:
    """A sink that starts above the coldest of its cycle may come as much above the hottest."""
    site = read_site(written(tmp_path, SHORT, *SITES["stones"]))
    heat_sink = site.heat_sinks["sink"]
    cold = guaranteed(
        network_of(site), replace(heat_sink, initial_temperature=288.15), heat_sink.mass, False
    )
    assert isinstance(cold, Sink)
    (warm,) = sinks_of(network_of(site)).usable["furnace_purge"]
    assert cold.outlet < warm.outlet < cold.outlet + heat_sink.initial_temperature - 288.15


RANGED = [
    (("flow: 9.5 g/s\n", "flow: {low: 7 g/s, high: 12 g/s}\n"), {"flow": 12e-3}),
    (("on: 310 s", "on: {low: 200 s, high: 420 s}"), {"on": 420.0}),
    (("every: 131 d", "every: {low: 100 d, high: 162 d}"), {"outer": 0.0}),
    (("every: 640 s", "every: {low: 500 s, high: 780 s}"), {"inner": 0.0}),
]


@pytest.mark.parametrize(("change", "end"), RANGED)
def test_ranges_count_at_their_hottest_end(
    change: tuple[str, str], end: dict[str, float], tmp_path: Path
) -> None:
    """A site with a range is as hot as one at the end of it; and so is each draw of it."""
    site = read_site(written(tmp_path, ("duty: 30 kW", "duty: 80 kW"), change))
    source = site.sources["furnace_purge"]
    inner, outer = source.stages
    stages = {
        "on": (Stage(end.get("on", 0.0), inner.every), outer),
        "inner": (outer,),
        "outer": (),
    }
    key = next(iter(end))
    top = replace(source, flow=end.get("flow", source.flow), stages=stages.get(key, source.stages))
    worst = replace(site, sources={source.name: top}, spreads={})
    heat_sink = site.heat_sinks["sink"]
    assert guaranteed(network_of(site), heat_sink, 300.0, True) == guaranteed(
        network_of(worst), heat_sink, 300.0, True
    )
    case = Case(site, None, True, {}, {}, {}, {}, {}, {}, site)  # type: ignore[arg-type]
    at_top = Case(worst, None, True, {}, {}, {}, {}, {}, {}, worst)  # type: ignore[arg-type]
    light = replace(heat_sink, mass=300.0)
    assert warmest(case, light, True) == pytest.approx(warmest(at_top, light, True), rel=1e-9)
    (drawn,) = site.spreads
    for value in (site.spreads[drawn].low, site.spreads[drawn].high):
        one = changed(site, {drawn: value})
        assert guaranteed(network_of(one), heat_sink, 300.0, True) == guaranteed(
            network_of(site), heat_sink, 300.0, True
        )


def test_a_plan_is_operated_anew_in_each_draw(tmp_path: Path) -> None:
    path = written(tmp_path, RANGED[0][0], ("rate: 9.5 g/s", "rate: 12 g/s"))
    site = read_site(path)
    plan = planned(site)
    for flow in (7e-3, 12e-3):
        other = changed(network_of(site), {"sources.furnace_purge.flow": flow})
        assert [breach for breach in audit(other, plan).breaches if "sink" in breach.rule] == []
