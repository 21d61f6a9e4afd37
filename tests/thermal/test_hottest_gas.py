"""The audit's own view of the hottest that gas can be: levels, layers, surfaces, heat let in."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from allocator.cli.entry import main
from allocator.network.deriving import network_of
from allocator.network.insulation import pipe_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.physics.insulation import Outside, heat_loss, insulation_of
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Route, Site
from allocator.verify import audit
from allocator.verify.hottest import MODELS
from allocator.verify.pipe_model import PipeModel, faces_of

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
CHANGES = (  # a cooler is dear, so gas runs hot in lagged and clad pipe
    ("works: {at: [700 m, 0 m]}", "works: {at: [40 m, 0 m]}"),
    ("furnaces: {at: [0 m, 0 m]}", "furnaces: {at: [0 m, 0 m], heat_limit: 30 kW}"),
    (
        "    conductivity: [[10 degC, 0.033",
        "    max_temperature: 420 degC\n    conductivity: [[10 degC, 0.033",
    ),
    (
        "  fins: {stock: 1 t, price: 6 /kg}",
        "  fins: {stock: 1 t, price: 6 /kg}\n"
        "  sheet: {stock: 9 t, density: 2700 kg/m^3, conductivity: 200 W/(m*K), "
        "max_temperature: 70 degC}",
    ),
    ("thickness: 120 mm}]", "thickness: 120 mm}, {material: sheet, thickness: 1 mm}]"),
    (
        "set_point: 50 degC\n    places: [furnaces, works]",
        "set_point: 50 degC\n    places: [works]",
    ),
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    for old, new in CHANGES:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path_factory.mktemp("hottest") / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    found = make_plan(site, Settings(gap=1e-3, node_limit=40, time_limit=60.0)).plan
    assert found is not None
    assert {run.build for run in found.runs} & {"thick"}
    return found


def test_a_hot_plan_in_clad_pipes_passes_through_every_rule(site: Site, plan: Plan) -> None:
    report = audit(site, plan)
    assert [str(breach) for breach in report.breaches] == []
    assert {"level", "layer_hottest", "layer_known", "let_in_hottest"} <= set(report.checks)


@pytest.mark.parametrize("name", ["cool_first", "warm_kiln", "hot_purge", "near_furnace"])
def test_plans_of_hot_sites_are_accepted(name: str) -> None:
    hot = network_of(read_site(NETWORKS / f"{name}.yaml"))
    found = make_plan(hot, Settings(node_limit=20)).plan
    assert found is not None
    assert [str(breach) for breach in audit(hot, found).breaches] == []


def everywhere(site: Site, change: Callable[[Site], Site]) -> Site:
    """A change of the file and of the network that was derived from it before."""
    assert isinstance(site, Network)
    return replace(change(site), site=change(site.site))


def material(name: str, **changes: Any) -> Callable[[Site], Site]:
    def change(site: Site) -> Site:
        return replace(
            site, materials={**site.materials, name: replace(site.materials[name], **changes)}
        )

    return change


WOOL_TO_200 = ((283.15, 0.033), (473.15, 0.064))


@pytest.mark.parametrize(
    ("rule", "change"),
    [
        ("layer_hottest", material("wool", max_temperature=600.0)),  # gas comes at 653 K
        ("layer_hottest", material("sheet", max_temperature=285.0)),
        ("layer_hottest", material("steel", max_temperature=650.0)),
        ("layer_known", material("wool", conductivity=WOOL_TO_200)),
    ],
)
def test_a_layer_that_gets_too_hot_is_a_breach(
    site: Site, plan: Plan, rule: str, change: Callable[[Site], Site]
) -> None:
    found = audit(everywhere(site, change), plan)
    assert rule in found.rules
    assert all(breach.size > 0 for breach in found.breaches if breach.rule == rule)


def test_a_layer_just_beyond_the_tolerance_is_a_breach(site: Site, plan: Plan) -> None:
    """0.2 % of what the gas is hotter than the air, for the sheet; the wool is as the gas."""
    (run,) = {run.route: run for run in plan.runs if run.build == "thick"}.values()
    stream = site.routes[run.route].stream
    assert stream is not None
    model = PipeModel.of(network_of(site), site.routes[run.route], "thick")
    assert model is not None
    inner = faces_of(model, stream.inlet)[2]
    room = MODELS * (stream.inlet - site.ambient.temperature)
    for off, broken in ((0.5 * room, False), (1.5 * room, True)):
        other = everywhere(site, material("sheet", max_temperature=inner - off))
        assert ("layer_hottest" in audit(other, plan).rules) == broken


@pytest.mark.parametrize("build", ["bare", "thin", "thick"])
@pytest.mark.parametrize("kelvin", [300.0, 420.0, 653.15])
def test_two_models_of_the_layers_agree(site: Site, build: str, kelvin: float) -> None:
    route = next(r for r in site.corridors.values())
    model, pipe = (
        PipeModel.of(network_of(site), route, build),
        pipe_of(network_of(site), site.pipes[build]),
    )
    assert model is not None
    assert pipe is not None
    other = heat_loss(insulation_of([pipe]), kelvin, Outside.of(1, site.ambient.temperature))
    mine = faces_of(model, kelvin)
    room = 5e-4 * (kelvin - site.ambient.temperature)  # a quarter of what the audit allows
    assert mine == pytest.approx([float(k) for k in other.faces[:, 0]], abs=room)


def test_a_thick_last_layer_counts_as_warm_as_its_inner_side(tmp_path: Path) -> None:
    """100 mm of stone around the wool: 1.2 W/(m K), and warmer within than at its surface."""
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    text = text.replace("max_surface_temperature: 55 degC", "max_surface_temperature: 500 degC")

    def offered(hottest: str) -> bool:
        new = text.replace(
            "  fins: {stock: 1 t, price: 6 /kg}",
            "  fins: {stock: 1 t, price: 6 /kg}\n  stone: {stock: 900 t, density: 2000 kg/m^3, "
            f"conductivity: 1.2 W/(m*K), max_temperature: {hottest}}}",
        ).replace("thickness: 30 mm}]", "thickness: 30 mm}, {material: stone, thickness: 100 mm}]")
        path = tmp_path / "site.yaml"
        path.write_text(new, encoding="utf-8")
        made = network_of(read_site(path))
        hot = [
            r
            for r in made.routes.values()
            if r.stream is not None and r.stream.kind == "pipe" and r.stream.inlet > 650.0
        ]
        builds = {name for r in hot for name in r.pipes}
        model = PipeModel.of(made, next(iter(made.corridors.values())), "thin")
        assert model is not None
        faces.append(faces_of(model, 653.15)[2:])
        return "thin" in builds

    faces: list[list[float]] = []
    offered("400 degC")
    inner, surface = faces[0]
    assert inner > surface + 5.0
    assert not offered(f"{(inner + surface) / 2 - 273.15:.2f} degC")
    assert not offered(f"{inner - 273.15 - 0.5:.2f} degC")
    assert offered(f"{inner - 273.15 + 0.5:.2f} degC")


def lowered(site: Site, plan: Plan, kelvins: float) -> Site:
    """The network with the level at which gas leaves the furnaces too low by so much."""
    routes = dict(site.routes)
    used = {run.route for run in plan.runs if run.flows}
    places = {site.sources[use.name].place for use in plan.sources if use.tapped}
    for name in used:
        route = routes[name]
        if route.start in places and route.stream is not None:
            stream = replace(route.stream, inlet=route.stream.inlet - kelvins)
            routes[name] = replace(route, stream=stream)
    assert routes != site.routes
    return replace(site, routes=routes)


def test_a_level_that_only_the_mixture_keeps_is_a_breach(site: Site, plan: Plan) -> None:
    """Both furnaces together come at some 371 degC; the hotter one alone at 380."""
    assert plan.heat is not None
    told = audit(lowered(site, plan, 5.0), plan)
    assert "level" in told.rules
    assert "plain_temperature" not in told.rules  # in the states that the plan tells nothing shows


def test_limits_hold_for_the_hotter_source_alone(site: Site, plan: Plan) -> None:
    """A limit on surfaces between that of the mixture and that of the hotter furnace's gas."""
    assert plan.heat is not None
    flows = [f for f in plan.heat.flows if f.surface is not None and f.build == "thick"]
    mixed = max(f.surface for f in flows if f.surface is not None)
    route = site.routes[flows[0].route]
    model = PipeModel.of(network_of(site), route, "thick")
    assert model is not None
    assert route.stream is not None
    hottest = faces_of(model, route.stream.inlet)[-1]
    room = MODELS * (route.stream.inlet - site.ambient.temperature)
    assert mixed < hottest - room

    def limited(one: Site) -> Site:
        def change(r: Route) -> Route:
            most = (mixed + hottest - room) / 2
            return (
                r if r.max_surface_temperature is None else replace(r, max_surface_temperature=most)
            )

        return replace(one, routes={n: change(r) for n, r in one.routes.items()})

    assert "max_surface_temperature" in audit(everywhere(site, limited), plan).rules


def test_heat_let_in_and_inlets_count_as_hot_as_gas_can_be(site: Site, plan: Plan) -> None:
    def cramped(one: Site) -> Site:
        places = {**one.places, "furnaces": replace(one.places["furnaces"], heat_limit=1.0)}
        return replace(one, places=places)

    assert "let_in_hottest" in audit(everywhere(site, cramped), plan).rules

    def delicate(one: Site) -> Site:
        cell = replace(one.machines["fuel_cell"], max_inlet_temperature=290.0)
        return replace(one, machines={**one.machines, "fuel_cell": cell})

    assert "max_inlet_temperature" in audit(everywhere(site, delicate), plan).rules


def test_a_mix_that_the_site_does_not_know_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = NETWORKS / "first.yaml"
    assert main(["plan", str(first), "-o", str(tmp_path / "plan"), "--quiet"]) == 0
    data = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    data["mix"] = "of nowhere"
    wrong = tmp_path / "wrong.json"
    wrong.write_text(json.dumps(data), encoding="utf-8")
    capsys.readouterr()
    assert main(["audit", str(first), str(wrong)]) == 2
    error = capsys.readouterr().err
    assert "$.mix" in error
    assert "there is no mix 'of nowhere'" in error
