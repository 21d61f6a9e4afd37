"""The audit's walk along lines: plans that hold are accepted, and each tampering is named."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from fluids.friction import friction_factor
from pressed_sites import HUT, LINE, pressed_site

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import NodePressure, PipeFlow, Plan, Run, SourceUse
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Plan]:
    path = tmp_path_factory.mktemp("line") / "site.yaml"
    path.write_text(LINE, encoding="utf-8")
    site = read_site(path)
    plan = make_plan(site, Settings(node_limit=300, threads=1)).plan
    assert plan is not None
    assert plan.power.firm_clean > 10_000
    return site, plan


def breaches(site: Site, plan: Plan) -> list[str]:
    return [str(breach) for breach in audit(site, plan).breaches]


def test_a_plan_with_a_spur_and_a_fan_is_accepted(line: tuple[Site, Plan]) -> None:
    site, plan = line
    assert breaches(site, plan) == []
    assert [run.route for run in plan.runs] == ["lane", "spur", "trunk"]
    assert plan.boosters
    rows = {row.node: row for row in plan.pressures}
    assert set(rows) == {"mouth", "fork", "yard", "works"}
    assert rows["works"].low >= 102_500 * (1 - 1e-6)


def test_a_plan_that_compresses_what_is_no_ideal_gas_is_accepted(tmp_path: Path) -> None:
    """Plans count the gas at the highest pressure that there may be, which takes 2 % more power."""
    path = tmp_path / "site.yaml"
    path.write_text(HUT, encoding="utf-8")
    site = read_site(path)
    plan = make_plan(site, Settings(node_limit=300, threads=1)).plan
    assert plan is not None
    assert plan.power.firm_clean > 5_000
    assert breaches(site, plan) == []
    (use,) = plan.boosters
    for factor in (0.97, 1.04):
        changed = replace(plan, boosters=(replace(use, power=factor * use.power),))
        assert "booster_power" in {breach.rule for breach in audit(site, changed).breaches}


@pytest.mark.parametrize("number", range(16))
def test_plans_of_drawn_sites_are_accepted(number: int, tmp_path: Path) -> None:
    site = pressed_site(number, tmp_path)
    plan = make_plan(site, Settings(node_limit=500, threads=1)).plan
    assert plan is not None
    assert breaches(site, plan) == []


def longer(site: Site, route: str, factor: float) -> Site:
    changed = replace(site.routes[route], length=factor * site.routes[route].length)
    return replace(site, routes={**site.routes, route: changed})


def test_a_longer_route_breaks_what_is_behind_it(line: tuple[Site, Plan]) -> None:
    site, plan = line
    found = audit(longer(site, "lane", 3.0), plan)
    assert {"pressure_reported"} <= set(found.rules)
    assert {"pressure_inlet", "pressure_fill", "pressure_along"} & set(found.rules)


Change = Callable[[Site, Plan], tuple[Site, Plan]]


def raised(node: str, factor: float, field: str) -> Change:
    def change(site: Site, plan: Plan) -> tuple[Site, Plan]:
        rows = tuple(
            replace(row, **{field: getattr(row, field) * factor}) if row.node == node else row
            for row in plan.pressures
        )
        return site, replace(plan, pressures=rows)

    return change


def no_fan(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(plan, boosters=())


def free_fan(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(plan, boosters=tuple(replace(b, power=0.0) for b in plan.boosters))


def lean_fan(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(
        plan, boosters=tuple(replace(b, power=0.99 * b.power) for b in plan.boosters)
    )


def no_filling(site: Site, plan: Plan) -> tuple[Site, Plan]:
    """All pressures are set so low that the lines hold and nothing fills the holder."""
    rows = tuple(
        replace(row, high=min(row.high, 102.9e3), low=min(row.low, 102.9e3))
        if row.node == "yard"
        else row
        for row in plan.pressures
    )
    engine = replace(site.machines["engine"], min_inlet_pressure=101.4e3)
    lower = {"fork": 102.8e3, "works": 101.4e3}
    rows = tuple(replace(row, low=lower.get(row.node, row.low)) for row in rows)
    return replace(site, machines={"engine": engine}), replace(plan, pressures=rows)


def turned(site: Site, plan: Plan) -> tuple[Site, Plan]:
    """The trunk runs from the works to the fork."""
    runs = tuple(
        replace(
            run, flows=tuple(replace(flow, start=flow.end, end=flow.start) for flow in run.flows)
        )
        if run.route == "trunk"
        else run
        for run in plan.runs
    )
    return site, replace(plan, runs=runs)


def thin(site: Site, plan: Plan) -> tuple[Site, Plan]:
    """Another pipe of the file is laid on the lane, with a bore a third less."""
    narrow = replace(site.pipes["dn50"], name="dn32", bore=0.0351)
    runs = tuple(replace(run, build="dn32") if run.route == "lane" else run for run in plan.runs)
    return replace(site, pipes={**site.pipes, "dn32": narrow}), replace(plan, runs=runs)


def slow_fan(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(plan, boosters=tuple(replace(b, flow=b.flow / 2) for b in plan.boosters))


def old_fan(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(plan, boosters=tuple(replace(b, new=False) for b in plan.boosters))


def weak_pipe(site: Site, plan: Plan) -> tuple[Site, Plan]:
    pipe = replace(site.pipes["dn50"], pressure_rating=1.05e5)
    return replace(site, pipes={"dn50": pipe}), plan


def slow_pipe(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return replace(site, pipes={"dn50": replace(site.pipes["dn50"], max_velocity=0.5)}), plan


def hungry(site: Site, plan: Plan) -> tuple[Site, Plan]:
    engine = replace(site.machines["engine"], min_inlet_pressure=1.2e5)
    return replace(site, machines={"engine": engine}), plan


def stiff_holder(site: Site, plan: Plan) -> tuple[Site, Plan]:
    holder = replace(site.storage["holder"], pressure=1.3e5)
    return replace(site, storage={"holder": holder}), plan


def both_ways(site: Site, plan: Plan) -> tuple[Site, Plan]:
    """The trunk is said to carry collect flow as well, against what it supplies."""
    (trunk,) = [run for run in plan.runs if run.route == "trunk"]
    back = replace(trunk.flows[0], start=trunk.flows[0].end, end=trunk.flows[0].start)
    runs = [replace(run, flows=(*run.flows, back)) if run is trunk else run for run in plan.runs]
    return site, replace(plan, runs=tuple(runs))


def unsaid(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(plan, pressures=plan.pressures[1:])


def early_release(site: Site, plan: Plan) -> tuple[Site, Plan]:
    """The holder is said to be filled out of the supply, which does not come to the yard."""
    stores = tuple(replace(store, inflow=0.5) for store in plan.stores)
    return site, replace(plan, stores=stores)


def other_fluid(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return site, replace(plan, boosters=tuple(replace(b, fluid="co2") for b in plan.boosters))


def starved_fan(site: Site, plan: Plan) -> tuple[Site, Plan]:
    fan = replace(site.boosters["fan"], min_inlet_pressure=2e5)
    return replace(site, boosters={"fan": fan}), plan


def two_fans(site: Site, plan: Plan) -> tuple[Site, Plan]:
    more = replace(plan.boosters[0], route="spur", start="fork")
    return site, replace(plan, boosters=(plan.boosters[0], more, replace(more, route="trunk")))


def far_away(site: Site, plan: Plan) -> tuple[Site, Plan]:
    return longer(site, "lane", 40.0), plan


def no_room(site: Site, plan: Plan) -> tuple[Site, Plan]:
    fan = replace(site.boosters["fan"], places={"yard": 1})
    return replace(site, boosters={"fan": fan}), plan


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (raised("fork", 1.01, "high"), "pressure_reported"),
        (raised("works", 1.001, "low"), "pressure_reported"),
        (raised("fork", 0.999, "low"), "pressure_reported"),
        (raised("mouth", 0.9, "shut_in"), "pressure_reported"),
        (raised("works", 0.9, "low"), "pressure_reported"),
        (unsaid, "pressure_reported"),
        (no_fan, "pressure_inlet"),
        (no_filling, "pressure_reported"),
        (turned, "pressure_reported"),
        (thin, "pressure_along"),
        (free_fan, "booster_power"),
        (lean_fan, "booster_power"),
        (slow_fan, "booster_flow"),
        (old_fan, "booster_new"),
        (no_room, "booster_place"),
        (weak_pipe, "pressure_rating"),
        (slow_pipe, "bore_velocity"),
        (hungry, "pressure_inlet"),
        (stiff_holder, "pressure_fill"),
        (both_ways, "pressure_direction"),
        (early_release, "pressure_filling"),
        (other_fluid, "booster_pressure"),
        (starved_fan, "booster_inlet"),
        (two_fans, "booster_units"),
        (far_away, "pressure_along"),
    ],
)
def test_each_rule_names_its_breach(line: tuple[Site, Plan], change: Change, rule: str) -> None:
    site, plan = change(*line)
    assert rule in audit(site, plan).rules


def test_what_is_set_to_fill_a_store_fills_it(line: tuple[Site, Plan]) -> None:
    report = audit(*no_filling(*line))
    found = [str(breach) for breach in report.breaches if breach.rule == "pressure_reported"]
    assert [text for text in found if "the pressure that is given to fill it" in text]


BESIDE = """format: allocator.site/2
name: Engine beside its source
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15, viscosity: 1.2e-5,
  molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}}}
materials: {steel: {}}
places: {farm: {at: [0 m, 0 m]}, mill: {at: [90 m, 0 m]}}
sources: {well: {place: farm, fluid: gas, flow: 3 g/s, pressure: 130 kPa}}
pipes: {dn25: {bore: 27.3 mm, layers: [{material: steel, mass: 2.5 kg/m}]}}
routes: {lane: {between: [farm, mill], length: 90 m}}
storage: {holder: {holds: gas, places: [farm], size: {max: 9 kg}, pressure: 120 kPa}}
machines: {engine: {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW}, places: {farm: 2},
  min_inlet_pressure: 110 kPa}}
demands: {all: {power: 20 kW}}
"""


def test_an_end_without_a_pipe_has_its_pressure_too(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(BESIDE, encoding="utf-8")
    site = network_of(read_site(tmp_path / "site.yaml"))
    plan = make_plan(site, Settings(node_limit=100)).plan
    assert plan is not None
    assert plan.pressures
    assert audit(site, plan).accepted
    assert audit(site, replace(plan, pressures=())).rules == ("pressure_reported",)


@pytest.mark.parametrize("grams", [1.0, 1e-3])
def test_flow_in_a_circle_is_named(grams: float, line: tuple[Site, Plan], tmp_path: Path) -> None:
    """From fork to works and back again: every sum closes, and no pressure holds.

    With a gram a second all pressure is lost after some turns, with a milligram never quite.
    """
    _, plan = line
    path = tmp_path / "site.yaml"
    text = LINE.replace("routes:\n", "routes:\n  back: {between: [works, fork], length: 500 m}\n")
    path.write_text(text, encoding="utf-8")
    site = read_site(path)
    plan = replace(plan, site_sha256=site.sha256)
    rate = 1e-3 * grams
    there = PipeFlow("fork", "works", "supply", "flat", rate)
    runs = [
        replace(run, flows=(*run.flows, there)) if run.route == "trunk" else run
        for run in plan.runs
    ]
    back = Run("back", "dn50", "gas", True, (replace(there, start="works", end="fork"),))
    assert "pressure_circle" in audit(site, replace(plan, runs=(*runs, back))).rules
    assert "pressure_circle" not in audit(site, plan).rules


def test_a_tree_by_hand(line: tuple[Site, Plan]) -> None:
    """The mouth's pressure is the wells'; the lane's loss is isothermal flow's by hand."""
    site, plan = line
    network = network_of(site)
    rows = {row.node: row for row in plan.pressures}
    assert rows["mouth"].low == pytest.approx(106e3)
    (lane,) = [run for run in plan.runs if run.route == "lane"]
    flow = math.fsum(f.rate for f in lane.flows)
    fans = [b for b in plan.boosters if b.start == "mouth"]
    start = 106e3**2 + len(fans) * (1.03**2 - 1) * 101_325.0**2
    law = 101_325.0 / 1.15 * 303.15 / 288.15
    flux = flow / (math.pi / 4 * 0.0525**2)
    re = flux * 0.0525 / 1.2e-5
    x = 5.0
    for _ in range(60):
        x = -2 * math.log10(4.5e-5 / 0.0525 / 3.7 + 2.51 * x / re)
    end = start
    for _ in range(60):  # it loses by friction, and as it gains speed
        end = start - flux**2 * law * (400 / x**2 / 0.0525 + math.log(start / end))
    assert rows["fork"].high == pytest.approx(math.sqrt(end), rel=1e-6)
    assert network.pressures["gas"].losses["lane", "mouth", "dn50"].checked


def test_rows_of_a_fluid_without_pressures_are_refused(line: tuple[Site, Plan]) -> None:
    site, plan = line
    rows = (*plan.pressures, NodePressure("nowhere", "gas", 1e5, 1e5, 1e5))
    assert "unknown_name" in audit(site, replace(plan, pressures=rows)).rules


HILL = """format: allocator.site/2
name: Hill
goals: [clean_power]
fluids:
  water: {phase: liquid, constants: {density: 1000 kg/m^3, viscosity: 1e-3, specific_heat: 4200}}
places:
  tarn: {at: [0 m, 0 m], elevation: 40 m}
  works: {at: [300 m, 0 m]}
sources: {tarn: {place: tarn, fluid: water, flow: 5 kg/s, pressure: 1.2 bar}}
pipes: {dn80: {bore: 78 mm, pressure_rating: %s bar}}
routes: {main: {between: [tarn, works]}}
machines:
  turbine: {inputs: {water: 1 kg/s}, outputs: {power: 200 W}, places: {works: 5},
            min_inlet_pressure: 4 bar, pressure_rating: 6 bar}
demands: {town: {power: 2 kW}}
"""


@pytest.mark.parametrize(("rating", "units"), [(6.0, 5), (5.0, 0)])
def test_a_liquid_that_falls_gains_its_head_and_shut_in_as_well(
    rating: float, units: int, tmp_path: Path
) -> None:
    """1.2 bar and 40 m of water: 5.12 bar shut in, less friction when it flows."""
    path = tmp_path / "site.yaml"
    path.write_text(HILL % rating, encoding="utf-8")
    site = read_site(path)
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    assert breaches(site, plan) == []
    assert sum(machine.count for machine in plan.machines) == units
    if units:
        rows = {row.node: row for row in plan.pressures}
        assert rows["works"].shut_in == pytest.approx(1.2e5 + 40 * 9806.65, rel=1e-9)
        # by the library's formula of Darcy and Weisbach
        (run,) = plan.runs
        speed = run.flows[0].rate / 1000 / (math.pi / 4 * 0.078**2)
        factor = friction_factor(speed * 0.078 / 1e-6, 4.5e-5 / 0.078)
        length = math.hypot(300, 40)
        lost = factor * length / 0.078 * 1000 * speed**2 / 2
        assert rows["works"].low == pytest.approx(1.2e5 + 40 * 9806.65 - lost, rel=1e-4)
        weak = replace(site, pipes={"dn80": replace(site.pipes["dn80"], pressure_rating=5e5)})
        assert "pressure_rating" in audit(weak, plan).rules


def test_a_long_line_is_settled_once_a_place(line: tuple[Site, Plan], tmp_path: Path) -> None:
    """Three hundred places in a row, each with a source, named so that none is in order."""
    many, (_, plan) = 300, line
    head, rest = LINE[: LINE.index("places:")], LINE[LINE.index("pipes:") :]
    kinds = rest[: rest.index("routes:")] + rest[rest.index("machines:") :]
    places = "".join(f"  p{n}: {{at: [{n} m, 0 m]}}\n" for n in range(many + 1))
    given = "fluid: gas, flow: 0.01 g/s, pressure: 106 kPa"
    sources = "".join(f"  s{n}: {{place: p{n}, {given}}}\n" for n in range(many))
    routes = "".join(f"  r{n}: {{between: [p{n}, p{n + 1}]}}\n" for n in range(many))
    path = tmp_path / "long.yaml"
    text = f"{head}places:\n{places}sources:\n{sources}routes:\n{routes}{kinds}"
    path.write_text(text.replace("works: 30", f"p{many}: 30"), encoding="utf-8")
    site = read_site(path)
    flows = [PipeFlow(f"p{n}", f"p{n + 1}", "supply", "flat", 1e-5 * (n + 1)) for n in range(many)]
    long = replace(
        plan,
        site_sha256=site.sha256,
        sources=tuple(SourceUse(f"s{n}", True, True, {}, {"flat": 1e-5}) for n in range(many)),
        runs=tuple(Run(f"r{n}", "dn50", "gas", True, (f,)) for n, f in enumerate(flows)),
        machines=tuple(replace(m, name=f"engine@p{many}", place=f"p{many}") for m in plan.machines),
        stores=(),
        boosters=(),
        pressures=(),
    )
    report = audit(site, long)
    assert report.checks["pressure_along"] == many
    assert not {"pressure_circle", "pressure_along", "pressure_inlet"} & set(report.rules)


RETORT = """format: allocator.site/2
name: Retort
ambient: {temperature: 10 degC}
fluids:
  retort: {phase: gas, heating_value: 10 MJ/kg, constants: {density: 1.15 kg/m^3,
    viscosity: 1.6e-5 Pa*s, molar_mass: 26.7 g/mol, specific_heat: 1250 J/(kg*K),
    conductivity: 0.04 W/(m*K)}}
  co2: {phase: gas, emission: biogenic}
materials:
  steel: {stock: 6 t, density: 7850 kg/m^3, conductivity: 50 W/(m*K)}
places: {kiln: {at: [0 m, 0 m]}, yard: {at: [60 m, 0 m]}, hall: {at: [160 m, 20 m]}}
sources:
  retort: {place: kiln, fluid: retort, flow: 15 g/s, temperature: 320 degC, pressure: 3 kPa(g),
    cycle: [{on: 5 h, every: 9 h}]}
storage:
  holder: {holds: retort, places: [yard], pressure: 4 kPa(g), size: {max: 900 kg},
    max_inlet_temperature: 80 degC}
pipes: {dn80: {bore: 77.9 mm, layers: [{material: steel, thickness: 5.49 mm}]}}
routes: {r1: {between: [kiln, yard]}, r2: {between: [yard, hall]}}
coolers: {quench: {fluid: retort, set_point: 60 degC, places: [kiln], duty: 8 kW}}
boosters:
  fan: {kind: blower, fluids: [retort], places: [PLACE], ratio: 1.08, efficiency: 50 %,
    discharge_temperature: HOT degC}
machines:
  engine: {inputs: {retort: 3 g/s}, outputs: {power: 9 kW, co2: 4 g/s}, places: {hall: 6},
    max_inlet_temperature: 80 degC, min_inlet_pressure: 2 kPa(g)}
demands: {mill: {power: 50 kW}}
"""


def retort_site(tmp_path: Path, place: str, hot: int) -> Site:
    path = tmp_path / "site.yaml"
    path.write_text(RETORT.replace("PLACE", place).replace("HOT", str(hot)), encoding="utf-8")
    return read_site(path)


def test_a_holder_is_told_as_hot_as_what_is_blown_into_it(tmp_path: Path) -> None:
    """The bare pipe cools the gas to the air; the fan at the holder may give it 75 degC."""
    site = retort_site(tmp_path, "yard", 75)
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    assert breaches(site, plan) == []
    (fan,) = plan.boosters
    assert (fan.store, plan.power.firm_clean > 0.0) == ("holder@yard", True)
    assert plan.heat is not None
    (holder,) = [one for one in plan.heat.limits if one.subject == "store holder at yard"]
    assert holder.value == pytest.approx(273.15 + 75)
    cold = [replace(one, value=290.0) if one == holder else one for one in plan.heat.limits]
    forged = replace(plan, heat=replace(plan.heat, limits=tuple(cold)))
    assert "limit_value" in audit(site, forged).rules


def test_a_booster_at_a_pipe_takes_the_power_of_the_pipes_stream(tmp_path: Path) -> None:
    """Behind the cooler the gas has 60 degC, not the 320 degC of the source."""
    site = network_of(retort_site(tmp_path, "kiln", 50))
    energies = {
        site.routes[one.route].stream.inlet: one.energy
        for one in site.pressures["retort"].boosters
        if one.start.startswith("kiln")
    }
    cold, hot = min(energies), max(energies)
    assert hot == pytest.approx(273.15 + 320)
    assert cold < 273.15 + 61
    assert energies[cold] / energies[hot] == pytest.approx(cold / hot, rel=0.01)
    plan = make_plan(site.site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    assert breaches(site.site, plan) == []
    (fan,) = plan.boosters
    inlet = site.routes[fan.route].stream.inlet
    assert fan.power == pytest.approx(fan.flow * energies[inlet], rel=1e-6)
    for share in (0.9, 1.1):
        other = replace(plan, boosters=(replace(fan, power=share * fan.power),))
        assert "booster_power" in audit(site.site, other).rules


FOLLOWING = """format: allocator.site/2
name: Gas made in step with a demand
fluids:
  feed: {phase: liquid}
  gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15, viscosity: 1.2e-5,
    molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}}
materials: {steel: {}}
places: {works: {at: [0 m, 0 m]}, mill: {at: [90 m, 0 m]}}
sources:
  well: {place: works, fluid: feed, flow: 10 g/s}
  puff: {place: works, fluid: gas, flow: 3 g/s, pressure: 120 kPa, cycle: [{on: 1 h, every: 4 h}]}
pipes: {dn25: {bore: 27.3 mm, layers: [{material: steel, mass: 2.5 kg/m}]}}
routes: {lane: {between: [works, mill]}}
storage: {holder: {holds: gas, places: [works], size: {max: 400 kg}, pressure: 105 kPa}}
machines:
  reformer: {inputs: {feed: 4 g/s}, outputs: {power: 10 kW, gas: 3 g/s}, outlet_pressure: 120 kPa,
    places: {works: 1}}
demands:
  town: {power: 6 kW, place: works, profile: [0.5, 1.5]}
  mill: {fluid: gas, flow: 1.6 g/s, place: mill, min_inlet_pressure: 102 kPa, min_share: 100 %}
"""


def test_what_follows_a_demand_fills_stores_at_its_least(tmp_path: Path) -> None:
    """The holder releases what it gets, so nothing but its filling can be at fault."""
    path = tmp_path / "site.yaml"
    path.write_text(FOLLOWING, encoding="utf-8")
    site = read_site(path)
    plan = make_plan(site, Settings(node_limit=300, threads=1)).plan
    assert plan is not None
    assert breaches(site, plan) == []
    (holder,), (reformer,) = plan.stores, plan.machines
    (load,) = reformer.following.values()
    assert load == pytest.approx(0.6)
    least = 3e-3 * (reformer.flat_load + 0.5 * load)
    most = 3e-3 * (reformer.flat_load + load)
    for inflow, found in (
        (0.99 * least, ()),
        (1.01 * least, ("pressure_filling",)),
        (0.99 * most, ("pressure_filling",)),
    ):
        more = replace(holder, inflow=inflow, draw={"flat": holder.draw["flat"] + inflow})
        assert audit(site, replace(plan, stores=(more,))).rules == found
