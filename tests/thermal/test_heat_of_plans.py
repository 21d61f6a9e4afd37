"""True temperatures of planned sites: balances of energy, mixing, and the audit's own view."""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import allocator.verify
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import CoolerHeat, FlowHeat, Heat, Plan, Run
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.thermal.enthalpy import enthalpy_of
from allocator.thermal.states import Flow, Given, drawn_from_stores, given_by_sources
from allocator.thermal.temperatures import temperatures
from allocator.verify import audit

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
TWO_FURNACES = (
    ("set_point: 50 degC", "set_point: 45 degC"),
    (
        "    flow: 1.5 g/s\n    temperature: 360 degC\n",
        "    flow: 1.5 g/s\n    temperature: 240 degC\n    water: 3 %\n",
    ),
    ("power_share: 2 %", "power_share: 2 %\n    recovery: {efficiency: 8 %, threshold: 200 degC}"),
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    for old, new in TWO_FURNACES:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path_factory.mktemp("heat") / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    found = make_plan(site, Settings(gap=1e-4, time_limit=60.0)).plan
    assert found is not None
    assert audit(site, found).accepted
    return found


def heat(plan: Plan) -> Heat:
    assert plan.heat is not None
    return plan.heat


@pytest.mark.parametrize("state", ["busiest", "quiet"])
def test_energy_is_kept(site: Site, plan: Plan, state: str) -> None:
    """What comes to a place leaves it, to 1e-6; flows lose no less than what they have less."""
    table = enthalpy_of(network_of(site), "hydrogen", site.ambient.temperature, 653.15)
    flows = [f for f in heat(plan).flows if f.state == state]
    assert flows
    net: dict[str, float] = {}
    at: dict[str, float] = {}
    for flow in flows:
        route = site.routes[flow.route]
        end = route.end if flow.start == route.start else route.start
        net[flow.start] = net.get(flow.start, 0.0) + flow.rate * float(table.of(flow.inlet))
        net[end] = net.get(end, 0.0) - flow.rate * float(table.of(flow.outlet))
        at[flow.start] = flow.inlet
    brought = 0.0
    for given in given_by_sources(network_of(site), plan, "hydrogen", state):
        brought += given.rate * float(table.of(given.temperature))
        net[given.place] = net.get(given.place, 0.0) - given.rate * float(
            table.of(given.temperature)
        )
    stores = {place for _, place, _ in drawn_from_stores(network_of(site), plan, "hydrogen", state)}
    for place, left in net.items():
        if place in at and place not in stores and left > -1e-9:
            assert abs(left) <= 1e-6 * max(brought, 1.0), place
    for flow in flows:
        less = flow.rate * float(table.of(flow.inlet) - table.of(flow.outlet))
        if flow.surface is None:  # a cooler or a passage
            assert flow.loss == pytest.approx(less, rel=1e-9, abs=1e-9)
        else:  # a pipe loses the most without the film inside, and ends hottest with it
            assert less - 1e-9 <= flow.loss < 1.2 * less + 1.0


def test_coolers_and_recovery(site: Site, plan: Plan) -> None:
    assert heat(plan).coolers
    for cooler in heat(plan).coolers:
        route = site.routes[cooler.route]
        flows = [f for f in heat(plan).flows if f.route == cooler.route and f.state == "busiest"]
        assert cooler.power == pytest.approx(sum(f.rate for f in flows) * route.energy)
        assert 0 < cooler.mean_duty < cooler.duty
        # nothing but the furnaces feeds them, and both are hotter than the threshold
        assert cooler.recovered == pytest.approx(0.08 * cooler.mean_duty)


def test_no_stream_is_cooled_below_its_coolant(site: Site, plan: Plan) -> None:
    coolant = site.coolers["fin_fan"].coolant
    assert coolant is not None
    for flow in heat(plan).flows:
        stream = site.routes[flow.route].stream
        if stream is not None and stream.kind == "cooler":
            assert flow.outlet >= coolant


def test_upper_bounds_hold(site: Site, plan: Plan) -> None:
    """True temperatures are no hotter than the levels that the program reckoned with."""
    for flow in heat(plan).flows:
        stream = site.routes[flow.route].stream
        if stream is not None and stream.kind != "passage":
            assert flow.inlet <= stream.inlet + 1e-6
            assert flow.outlet <= stream.outlet + 1e-6
    assert all(limit.value <= limit.most for limit in heat(plan).limits)


def test_wet_gas_is_told(plan: Plan) -> None:
    tapped = {use.name for use in plan.sources if use.tapped}
    assert "south_furnace" in tapped
    assert any("dew point" in note and "to drain" in note for note in heat(plan).notes)


def test_the_plan_file_keeps_it(plan: Plan) -> None:
    assert plan_from_json(plan_to_json(plan), "plan").heat == plan.heat


def test_mixing_by_hand(site: Site) -> None:
    """2 kg/s at 400 K and 1 kg/s at 300 K, heat capacity nearly constant in between."""
    route = next(
        r for r in site.routes.values() if r.stream is not None and r.stream.kind == "passage"
    )
    run = Run(route.name, route.pipes[0], "hydrogen", False)
    table = enthalpy_of(network_of(site), "hydrogen", 283.15, 653.15)
    given = [Given(route.start, 2.0, 400.0), Given(route.start, 1.0, 300.0)]
    found = temperatures(
        network_of(site), "hydrogen", table, [Flow(run, route.start, route.end, 3.0)], given
    )
    assert found.at[route.start] == pytest.approx((2 * 400 + 300) / 3, abs=0.3)
    assert found.at[route.end] == pytest.approx(found.at[route.start], abs=1e-6)


def changed(plan: Plan, kind: str, change: Callable[[FlowHeat], FlowHeat], site: Site) -> Plan:
    """The plan with the first flow of a kind of route changed."""
    flows = list(heat(plan).flows)
    number = next(
        i
        for i, flow in enumerate(flows)
        if (stream := site.routes[flow.route].stream) is not None and stream.kind == kind
    )
    flows[number] = change(flows[number])
    return replace(plan, heat=replace(heat(plan), flows=tuple(flows)))


@pytest.mark.parametrize(
    ("kind", "change", "rule"),
    [
        ("pipe", lambda f: replace(f, outlet=f.outlet + 20.0), "heat_along"),
        ("pipe", lambda f: replace(f, surface=f.surface - 20.0), "heat_surface"),
        ("pipe", lambda f: replace(f, inlet=f.inlet - 20.0), "heat_mixing"),
        ("pipe", lambda f: replace(f, rate=f.rate / 2), "heat_given"),
        ("pipe", lambda f: replace(f, loss=f.loss / 2), "heat_loss"),
        ("cooler", lambda f: replace(f, loss=f.loss / 2), "heat_loss"),
        ("cooler", lambda f: replace(f, outlet=f.outlet - 10.0), "cooler_outlet"),
        ("passage", lambda f: replace(f, outlet=f.outlet - 10.0), "heat_along"),
    ],
)
def test_the_audit_finds_what_is_tampered_with(
    site: Site, plan: Plan, kind: str, change: Callable[[FlowHeat], FlowHeat], rule: str
) -> None:
    assert rule in audit(site, changed(plan, kind, change, site)).rules


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"duty": 0.9}, "cooler_duty_told"),
        ({"power": 0.9}, "cooler_power_told"),
        ({"mean_duty": 1.1}, "cooler_mean_told"),
        ({"recovered": 1.1}, "cooler_recovered_told"),
    ],
)
def test_figures_of_coolers(site: Site, plan: Plan, change: dict[str, float], rule: str) -> None:
    def with_coolers(coolers: tuple[CoolerHeat, ...]) -> Plan:
        return replace(plan, heat=replace(heat(plan), coolers=coolers))

    (first, *rest) = heat(plan).coolers
    wrong = {name: factor * getattr(first, name) for name, factor in change.items()}
    assert rule in audit(site, with_coolers((replace(first, **wrong), *rest))).rules
    assert "cooler_told" in audit(site, with_coolers(tuple(rest))).rules
    assert "listed_twice" in audit(site, with_coolers((first, *rest, first))).rules


def test_temperatures_left_out(site: Site, plan: Plan) -> None:
    assert "heat_given" in audit(site, replace(plan, heat=None)).rules
    none = replace(plan, heat=replace(heat(plan), flows=()))
    assert "heat_given" in audit(site, none).rules


def test_limits_that_the_plan_breaks(site: Site, plan: Plan) -> None:
    """The same plan on a site whose limits are tighter."""
    tighter = {
        "max_surface_temperature": replace(
            site,
            routes={
                n: replace(
                    r, max_surface_temperature=None if r.max_surface_temperature is None else 290.0
                )
                for n, r in site.routes.items()
            },
        ),
        "route_heat_limit": replace(
            site, routes={n: replace(r, heat_limit=1.0) for n, r in site.routes.items()}
        ),
        "build_hottest": replace(
            site, pipes={n: replace(b, max_temperature=290.0) for n, b in site.pipes.items()}
        ),
        "max_inlet_temperature": replace(
            site,
            machines={n: replace(m, max_inlet_temperature=281.0) for n, m in site.machines.items()},
        ),
        "cooler_duty": replace(
            site, coolers={n: replace(c, duty=100.0) for n, c in site.coolers.items()}
        ),
        "cooler_rate": replace(
            site, coolers={n: replace(c, rate=1e-5) for n, c in site.coolers.items()}
        ),
        "cooler_conductance": replace(
            site, coolers={n: replace(c, conductance=1.0) for n, c in site.coolers.items()}
        ),
        "bore_velocity": replace(
            site, pipes={n: replace(b, max_velocity=0.01) for n, b in site.pipes.items()}
        ),
        "bore_mach": replace(
            site, pipes={n: replace(b, max_mach=1e-5) for n, b in site.pipes.items()}
        ),
        "bore_pressure": replace(
            site,
            # where no mouth has a pressure, none is computed along lines
            sources={n: replace(s, pressure=None) for n, s in site.sources.items()},
            pipes={
                n: replace(b, inlet_pressure=101_301.0, outlet_pressure=101_300.0)
                for n, b in site.pipes.items()
            },
        ),
        "colder_than_coolant": replace(
            site, coolers={n: replace(c, coolant=330.0) for n, c in site.coolers.items()}
        ),
    }
    for rule, other in tighter.items():
        assert rule in audit(other, plan).rules, rule


def test_a_limit_told_wrong(site: Site, plan: Plan) -> None:
    wrong = tuple(replace(limit, most=limit.value - 1.0) for limit in heat(plan).limits)
    told = replace(plan, heat=replace(heat(plan), limits=wrong))
    assert "heat_limit_told" in audit(site, told).rules


@pytest.mark.parametrize(
    ("files", "tests", "passed_over"),
    [
        (
            ("heat.py", "coolers.py", "bores.py", "cooler_heat.py"),
            "test_heat_of_plans.py",
            {"pump_inlet", "bore_pressure"},  # pressures along lines are computed here
        ),
        (("heat_released.py",), "test_heat_let_in.py", None),
        (("hottest.py",), "test_hottest_gas.py", None),
        (("recovery.py",), "test_recovered_power.py test_heat_of_coolers.py", None),
        (("sink_states.py",), "test_heat_sinks_of_plans.py", None),
        (("sinks.py",), "test_heat_sinks.py", None),
    ],
)
def test_every_rule_is_passed_through_and_broken(
    site: Site, plan: Plan, files: tuple[str, ...], tests: str, passed_over: set[str] | None
) -> None:
    """The names of rules in files of the audit, against what a file of tests breaks.

    Where ``passed_over`` is None, those tests see for themselves that a plan passes through all.
    """
    found = set()
    for name in files:
        path = Path(allocator.verify.__file__).with_name(name)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                checks = node.func.attr in ("holds", "at_most", "at_least", "equals", "breach")
                if checks and node.args and isinstance(node.args[0], ast.Constant):
                    found.add(str(node.args[0].value))
    here = "".join(Path(__file__).with_name(name).read_text() for name in tests.split())
    assert len(found) >= 3
    assert {rule for rule in found if f'"{rule}"' not in here} == set()
    if passed_over is not None:
        assert found - set(audit(site, plan).checks) == passed_over


def test_a_pump_that_would_be_too_hot() -> None:
    """Hot gas must go through a cooler before its pump; the audit looks at the pump itself."""
    site = network_of(read_site(Path(__file__).parents[1] / "site" / "hot_sink.yaml"))
    found = make_plan(site, Settings(gap=1e-2, time_limit=30.0)).plan
    assert found is not None
    assert audit(site, found).accepted
    source = site.sources["north"]
    assert source.pump is not None
    weak = replace(source, pump=replace(source.pump, max_inlet_temperature=300.0))
    other = replace(site, sources={**site.sources, "north": weak})
    assert "pump_inlet" in audit(other, found).rules
