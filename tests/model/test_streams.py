"""Where the program takes the heat away: coolers and bare pipe, or thick insulation."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit

NETWORKS = Path(__file__).resolve().parents[2] / "networks"


def planned(site: Site) -> Plan:
    plan = make_plan(site, Settings(gap=1e-6, time_limit=120.0)).plan
    assert plan is not None
    assert audit(site, plan).accepted
    return plan


def laid(site: Site, plan: Plan, kind: str) -> dict[str, str]:
    """Corridor or type of cooler -> build."""
    streams = {run.route: site.routes[run.route].stream for run in plan.runs}
    return {
        stream.corridor: run.build
        for run in plan.runs
        if run.new and (stream := streams[run.route]) is not None and stream.kind == kind
    }


def read(name: str, folder: Path, *changes: tuple[str, str]) -> Site:
    text = (NETWORKS / name).read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


def test_cool_first_then_bare(tmp_path: Path) -> None:
    site = read("cool_first.yaml", tmp_path)
    plan = planned(site)
    assert laid(site, plan, "cooler") == {"fin_fan": "fin_fan x 1"}
    assert laid(site, plan, "pipe") == {"track": "bare"}
    assert {m.name: m.used for m in plan.materials}["wool"] == 0


def test_without_coolers_the_long_run_is_thick(tmp_path: Path) -> None:
    """The same town is served, for tonnes of wool more."""
    site = read(
        "cool_first.yaml",
        tmp_path,
        ("places: [furnaces, works]\n    duty: 12 kW", "places: [works]\n    duty: 12 kW"),
    )
    dear = planned(site)
    assert laid(site, dear, "pipe") == {"track": "thick"}
    cheap = planned(read("cool_first.yaml", tmp_path))
    assert dear.power.firm_clean > 0.999 * cheap.power.firm_clean
    scarce = [next(g.value for g in p.goals if g.name == "scarce_material") for p in (dear, cheap)]
    assert scarce[0] > scarce[1] + 2 * 4000


def test_a_short_run_is_thick(tmp_path: Path) -> None:
    site = read("near_furnace.yaml", tmp_path)
    plan = planned(site)
    assert laid(site, plan, "cooler") == {}
    assert laid(site, plan, "pipe") == {"path": "thick"}


def test_a_light_cooler_wins_on_the_short_run(tmp_path: Path) -> None:
    site = read("near_furnace.yaml", tmp_path, ("fins: 900 kg", "fins: 60 kg"))
    plan = planned(site)
    assert laid(site, plan, "cooler") == {"fin_fan": "fin_fan x 1"}
    assert laid(site, plan, "pipe") == {"path": "bare"}


def test_nothing_is_promised_where_nothing_may_run_so_hot(tmp_path: Path) -> None:
    """No cooler, and not even the thick build keeps 35 degC."""
    site = read(
        "near_furnace.yaml",
        tmp_path,
        ("max_surface_temperature: 55 degC", "max_surface_temperature: 12 degC"),
        ("set_point: 50 degC", "set_point: 370 degC"),
    )
    plan = planned(site)
    assert plan.power.firm_clean == 0.0


@pytest.mark.parametrize(("limit", "power"), [("20 degC", 0.0), ("35 degC", 60_000.0)])
def test_cold_gas_warms_on_its_way(limit: str, power: float, tmp_path: Path) -> None:
    """Gas at 5 degC in air at 30: no insulation promises less than 30 where little flows."""
    site = read(
        "near_furnace.yaml",
        tmp_path,
        ("ambient: {temperature: 10 degC", "ambient: {temperature: 30 degC"),
        ("temperature: 380 degC", "temperature: 5 degC"),
        ("set_point: 50 degC", "set_point: 4 degC"),
        ("max_inlet_temperature: 400 degC", f"max_inlet_temperature: {limit}"),
    )
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(power, rel=1e-5)
    for flow in plan.heat.flows if plan.heat else ():
        stream = site.routes[flow.route].stream
        assert stream is not None
        assert flow.inlet - 1e-6 <= flow.outlet <= stream.outlet + 1e-6
        assert flow.loss <= 1e-9


def test_what_a_cooler_takes_is_taken_off_the_promise(tmp_path: Path) -> None:
    """A power share of 50 % of the heat taken away: the town gets so much less."""
    change = ("    power_share: 2 %\n", "    power_share: 50 %\n")
    # hot gas alone, in so narrow a pipe, is too little for the fuel cells
    asked = (("power: 60 kW", "power: 90 kW"), ("thick: {bore: 62.7 mm", "thick: {bore: 40 mm"))
    greedy = read("cool_first.yaml", tmp_path, change, *asked)
    modest = read("cool_first.yaml", tmp_path, *asked)
    own = []
    for site in (greedy, modest):
        plan = planned(site)
        own.append(
            sum(
                site.routes[run.route].energy * flow.rate for run in plan.runs for flow in run.flows
            )
        )
        made = sum(
            site.machines[m.type].power_out * (m.flat_load + sum(m.following.values()))
            for m in plan.machines
        )
        assert made >= plan.power.firm_clean + own[-1] - 1e-3 * made
    assert own[0] > 10 * own[1]


def test_built_things_stand_on_their_levels(tmp_path: Path) -> None:
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    text += (
        "built:\n"
        "  pipes: [{route: track, pipe: thick, fluid: hydrogen}]\n"
        "  storage: {holder: {works: 50 kg}}\n"
        "  machines: {fuel_cell: {works: 2}}\n"
    )
    path = tmp_path / "built.yaml"
    path.write_text(text, encoding="utf-8")
    built = network_of(read_site(path))
    plan = planned(built)
    thick = [run for run in plan.runs if run.build == "thick"]
    assert [run.new for run in thick] == [False]
    stream = built.routes[thick[0].route].stream
    assert stream is not None
    assert stream.inlet == 653.15
    # the standing pipe bears the hot gas: no cooler is needed any more
    assert laid(built, plan, "cooler") == {}
    assert {m.name: m.used for m in plan.materials}["fins"] == 0


@pytest.mark.parametrize("name", ["cool_first.yaml", "near_furnace.yaml"])
def test_the_mean_basis_knows_temperatures_too(name: str) -> None:
    site = network_of(read_site(NETWORKS / name))
    plan = make_plan(site, Settings(basis="mean")).plan
    assert plan is not None
    assert plan.heat is not None
    assert plan.heat.flows
    assert audit(site, plan).accepted


def test_nothing_is_built_at_levels_of_an_excluded_place(tmp_path: Path) -> None:
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    path = tmp_path / "site.yaml"
    path.write_text(text + "limits: {excluded_places: [works]}\n", encoding="utf-8")
    site = network_of(read_site(path))
    plan = planned(site)
    assert plan.power.firm_clean == 0.0
    assert plan.runs == ()
