"""Pressure along lines: hand-solved lines, a brute force over builds, spurs, boosters, ends."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.pressure_records import PipeLoss
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit

GAS = (
    "{phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15 kg/m^3, viscosity: 1.2e-5,"
    " molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}}"
)
AMBIENT = 101_325.0
WATTS = 10e3 / 1.5e-3
"""W for each kg/s that the engine takes."""
HEAD = f"""format: allocator.site/2
name: Pressed
goals: [clean_power]
fluids: {{gas: {GAS}, co2: {{phase: gas, emission: biogenic}}}}
"""
ENGINE = """  engine:
    inputs: {{gas: 1.5 g/s}}
    outputs: {{power: 10 kW, co2: 2.6 g/s}}
    min_inlet_pressure: {need} kPa
    places: {{{places}}}
demands: {{all: {{power: 1000 kW}}}}
"""


def read(folder: Path, text: str) -> Site:
    path = folder / "site.yaml"
    path.write_text(text)
    return read_site(path)


def planned(site: Site, basis: str = "firm") -> Plan:
    plan = make_plan(site, Settings(basis=basis, gap=1e-7, node_limit=20_000)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    return plan


def lost(pipe: PipeLoss, flow: float) -> float:
    """Loss of a pipe, with Colebrook's factor by halving."""
    if flow <= 0.0:
        return 0.0
    re = flow * pipe.reynolds
    low, high = 1.0, 100.0  # 1 / sqrt(f)
    for _ in range(50):
        x = (low + high) / 2
        if x + 2 * math.log10(pipe.roughness / 3.7 + 2.51 * x / re) > 0:
            high = x
        else:
            low = x
    return pipe.factor * max(64 / re, 1 / low**2) * flow**2


def most(curve: Callable[[float], float], drive: float, top: float = 1.0) -> float:
    """The greatest flow that a drive gives, by halving."""
    if drive <= 0.0:
        return 0.0
    low, high = 0.0, top
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if curve(middle) <= drive else (low, middle)
    return low


def carried(pipe: PipeLoss, start: float, end: float, top: float = 1.0) -> float:
    """The greatest flow of gas between two squared pressures, which loses as it gains speed."""
    if start <= end:
        return 0.0
    log = math.log(start / end)
    return most(lambda q: lost(pipe, q) + pipe.swift * q**2 * log, start - end, top)


def losses(site: Site) -> dict[tuple[str, str, str], PipeLoss]:
    return dict(network_of(site).pressures["gas"].losses)


def line(pieces: int) -> str:
    names = [f"p{n}" for n in range(pieces + 1)]
    step = 1000.0 / pieces
    places = "".join(f"  {n}: {{at: [{step * k} m, 0 m]}}\n" for k, n in enumerate(names))
    routes = "".join(f"  r{n}: {{between: [{names[n]}, {names[n + 1]}]}}\n" for n in range(pieces))
    return (
        f"{HEAD}places:\n{places}sources:\n  well: {{place: p0, fluid: gas, flow: 30 g/s, "
        "pressure: 111.325 kPa}\n"
        f"pipes: {{dn50: {{bore: 52.5 mm}}}}\nroutes:\n{routes}machines:\n"
        + ENGINE.format(need=101.325, places=f"{names[-1]}: 30")
    )


@pytest.mark.parametrize("pieces", [1, 10])
def test_a_kilometre_carries_what_its_curve_says_in_however_many_routes(
    pieces: int, tmp_path: Path
) -> None:
    one = read(tmp_path, line(1))
    pipe = losses(one)["r0", "p0", "dn50"]
    flow = carried(pipe, 111_325.0**2, AMBIENT**2)
    plan = planned(read(tmp_path, line(pieces)))
    assert plan.goals[0].value == pytest.approx(WATTS * flow, rel=1e-6)
    assert plan.pressures[0].high == pytest.approx(111_325.0)
    assert min(p.low for p in plan.pressures) == pytest.approx(AMBIENT, rel=1e-8)


TREE = """places:
  a: {at: [0 m, 0 m]}
  b: {at: [0 m, 400 m]}
  j: {at: [300 m, 0 m]}
  end: {at: [900 m, 0 m]}
sources:
  high: {place: a, fluid: gas, flow: 40 g/s, pressure: 112 kPa}
  low: {place: b, fluid: gas, flow: 40 g/s, pressure: 107 kPa}
pipes: {dn25: {bore: 27.3 mm}, dn40: {bore: 41.9 mm}}
routes:
  one: {between: [a, j], pipes: [dn25]}
  two: {between: [b, j], pipes: [dn40]}
  trunk: {between: [j, end], pipes: [dn40]}
machines:
"""


def test_a_tree_by_hand(tmp_path: Path) -> None:
    """What two sources push into a junction is what the trunk lets on: one pressure there."""
    site = read(tmp_path, HEAD + TREE + ENGINE.format(need=103, places="end: 40"))
    known = losses(site)
    one, two = known["one", "a", "dn25"], known["two", "b", "dn40"]
    trunk = known["trunk", "j", "dn40"]
    low, high = 103e3**2, 112e3**2
    for _ in range(100):
        joint = (low + high) / 2
        into = carried(one, 112e3**2, joint, 0.04)
        into += carried(two, 107e3**2, joint, 0.04)
        if into > carried(trunk, joint, 103e3**2):
            low = joint
        else:
            high = joint
    plan = planned(site)
    assert plan.goals[0].value == pytest.approx(WATTS * into, rel=1e-6)
    (at,) = [p for p in plan.pressures if p.node == "j"]
    assert at.low == pytest.approx(math.sqrt(joint), rel=1e-6)


LOOP = """materials: {{steel: {{stock: {stock} kg}}}}
places:
  a: {{at: [0 m, 0 m]}}
  b: {{at: [200 m, 0 m]}}
  c: {{at: [200 m, 150 m]}}
  d: {{at: [500 m, 0 m]}}
sources:
  first: {{place: a, fluid: gas, flow: {first} g/s, pressure: {mouth} kPa}}
  second: {{place: c, fluid: gas, flow: {second} g/s, pressure: {other} kPa}}
pipes:
  thin: {{bore: 16.1 mm, max_velocity: 200, max_mach: 1, layers: [{{material: steel, mass: 1.27}}]}}
  wide: {{bore: 27.3 mm, max_velocity: 200, max_mach: 1, layers: [{{material: steel, mass: 2.51}}]}}
routes:
  ab: {{between: [a, b], length: {ab} m, one_way: true}}
  cb: {{between: [c, b], length: {cb} m, one_way: true}}
  bd: {{between: [b, d], length: {bd} m, one_way: true}}
  ad: {{between: [a, d], length: {ad} m, one_way: true}}
machines:
"""


def drawn_loop(number: int) -> tuple[dict[str, float], float]:
    chance = random.Random(number)
    numbers = {
        "stock": chance.uniform(600, 4000),
        "first": chance.uniform(2, 20),
        "second": chance.uniform(1, 10),
        "mouth": chance.uniform(106, 118),
        "other": chance.uniform(105, 118),
    }
    numbers |= {name: chance.uniform(100, 600) for name in ("ab", "cb", "bd", "ad")}
    return numbers, chance.uniform(103, 105)


def by_brute_force(site: Site, numbers: dict[str, float], need: float) -> float:
    """The best flow over all builds; of a layout by the pressure at its junction."""
    known = losses(site)
    starts = {"ab": "a", "cb": "c", "bd": "b", "ad": "a"}
    mass = {None: 0.0, "thin": 1.27, "wide": 2.51}
    end, at_a, at_c = ((1e3 * p) ** 2 for p in (need, numbers["mouth"], numbers["other"]))
    first, second = 1e-3 * numbers["first"], 1e-3 * numbers["second"]

    def greatest(route: str, build: str | None, start: float, end: float) -> float:
        if build is None:
            return 0.0
        pipe = known[route, starts[route], build]
        return carried(pipe, start, end, pipe.capacity)

    best = 0.0
    for builds in itertools.product(mass, repeat=4):
        laid = dict(zip(starts, builds, strict=True))
        steel = sum(mass[build] * numbers[route] for route, build in laid.items())
        if steel > numbers["stock"]:
            continue
        straight = min(first, greatest("ad", laid["ad"], at_a, end))
        low, high = end, max(at_a, at_c)
        total = 0.0
        for _ in range(45):
            joint = (low + high) / 2
            into = min(first - straight, greatest("ab", laid["ab"], at_a, joint))
            into += min(second, greatest("cb", laid["cb"], at_c, joint))
            on = greatest("bd", laid["bd"], joint, end)
            total = max(total, straight + min(into, on))
            low, high = (joint, high) if into > on else (low, joint)
        best = max(best, total)
    return best


@pytest.mark.parametrize("number", range(5))
def test_the_best_plan_is_that_of_a_brute_force(number: int, tmp_path: Path) -> None:
    numbers, need = drawn_loop(number)
    text = HEAD + LOOP.format(**numbers) + ENGINE.format(need=need, places="d: 40")
    site = read(tmp_path, text)
    found = planned(site).goals[0].value
    assert found == pytest.approx(WATTS * by_brute_force(site, numbers, need), rel=1e-6)


SPUR = """places:
  j: {{at: [0 m, 0 m]}}
  s: {{at: [400 m, 0 m]}}
sources:
  well: {{place: j, fluid: gas, flow: {flow} g/s, pressure: {mouth} kPa,
    cycle: [{{on: 2 h, every: 6 h}}]}}
storage:
  holder: {{holds: gas, places: [s], size: {{max: 2 t}}, pressure: 106 kPa{rating}}}
pipes: {{dn25: {{bore: 27.3 mm}}}}
routes: {{spur: {{between: [j, s]}}}}
{boosters}machines:
"""
BLOWER = """boosters:
  blower: {{kind: blower, fluids: [gas], places: [{place}], ratio: {ratio}, efficiency: 50 %,
    discharge_temperature: 20 degC}}
"""


def spur(
    folder: Path, flow: float = 30, mouth: float = 110, rating: str = "", more: str = ""
) -> Site:
    text = SPUR.format(flow=flow, mouth=mouth, rating=rating, boosters=more)
    return read(folder, HEAD + text + ENGINE.format(need=103, places="j: 40"))


@pytest.mark.parametrize(("flow", "mouth"), [(2.0, 110.0), (30.0, 108.0), (30.0, 106.2)])
def test_a_holder_fills_and_gives_through_one_pipe(
    flow: float, mouth: float, tmp_path: Path
) -> None:
    """Filling and release each have the whole pipe; a third of the time it fills."""
    site = spur(tmp_path, flow, mouth)
    known = losses(site)
    fill = carried(known["spur", "j", "dn25"], (1e3 * mouth) ** 2, 106e3**2)
    give = carried(known["spur", "s", "dn25"], 106e3**2, 103e3**2)
    capacity = known["spur", "j", "dn25"].capacity
    into = min(fill, 1e-3 * flow, 0.75 * capacity)  # both ways together are a pipe's capacity
    plan = planned(site)
    assert plan.goals[0].value == pytest.approx(WATTS * min(into / 3, give), rel=1e-6)
    assert len({flow.start for flow in plan.runs[0].flows}) == 2


def test_a_holder_at_the_other_end_forbids_no_filling(tmp_path: Path) -> None:
    """A route with a store site at either end may be a spur of the one or of the other."""
    alone = planned(spur(tmp_path)).goals[0].value
    text = (tmp_path / "site.yaml").read_text()
    other = "  bell: {holds: gas, places: [j], size: {max: 1 g}, pressure: 104 kPa}\npipes:"
    site = read(tmp_path, text.replace("pipes:", other, 1))
    both = planned(site)
    assert audit(site, both).accepted
    assert both.goals[0].value >= alone * (1.0 - 1e-6)
    assert len({flow.start for flow in both.runs[0].flows}) == 2


def test_a_source_below_its_holder_needs_a_blower(tmp_path: Path) -> None:
    assert planned(spur(tmp_path, mouth=104)).goals[0].value == 0.0
    plan = planned(spur(tmp_path, mouth=104, more=BLOWER.format(place="s", ratio=1.06)))
    (blower,) = plan.boosters
    assert (blower.booster, blower.store, blower.new) == ("blower", "holder@s", True)


@pytest.mark.parametrize(("rating", "stands"), [(111, True), (110, False)])
def test_a_store_bears_what_a_blower_at_its_inlet_gives_shut_in(
    rating: int, stands: bool, tmp_path: Path
) -> None:
    """The holder's 106 kPa back at the junction, 4.5 % more behind the blower: 110.8 kPa."""
    rated = f", pressure_rating: {rating} kPa"
    site = spur(tmp_path, mouth=104, rating=rated, more=BLOWER.format(place="s", ratio=1.045))
    plan = planned(site)
    assert (len(plan.boosters), plan.goals[0].value > 0.0) == (stands, stands)
    assert audit(site, plan).breaches == ()
    if stands:
        weak = replace(site.storage["holder"], pressure_rating=1.1e5)
        weakened = replace(site, storage={"holder": weak})
        assert audit(weakened, plan).rules == ("pressure_rating",)


@pytest.mark.parametrize(("place", "inlet"), [("s", "holder@s"), ("j", "")])
def test_a_blower_takes_its_power_at_peak(place: str, inlet: str, tmp_path: Path) -> None:
    """At the holder, or at the inlet of the pipe to it where another pipe brings the gas back."""
    more = BLOWER.format(place=place, ratio=1.06)
    site = spur(tmp_path, mouth=104, more=more)
    if not inlet:
        text = (tmp_path / "site.yaml").read_text()
        site = read(tmp_path, text.replace("[j, s]}}", "[j, s]}, back: {between: [s, j]}}"))
    plan = planned(site)
    (blower,) = plan.boosters
    assert blower.store == inlet
    (option,) = [
        option
        for option in network_of(site).pressures["gas"].boosters
        if (option.route, option.store, option.start) == (blower.route, blower.store, blower.start)
    ]
    filled = math.fsum(plan.sources[0].collect.values())
    assert blower.flow == pytest.approx(filled, rel=1e-9)
    assert blower.power == pytest.approx(filled * option.energy, rel=1e-9)
    made = math.fsum(10e3 * m.flat_load for m in plan.machines)
    assert made - blower.power == pytest.approx(plan.goals[0].value, rel=1e-9)
    assert plan.goals[0].value > 0.0


def test_nothing_is_attached_that_does_not_bear_what_it_is_fed_with(tmp_path: Path) -> None:
    rated = spur(tmp_path, rating=", pressure_rating: 112 kPa")
    assert planned(rated).goals[0].value > 0.0
    rated = spur(tmp_path, rating=", pressure_rating: 109 kPa")
    assert planned(rated).goals[0].value == 0.0


def test_a_demand_has_its_pressure(tmp_path: Path) -> None:
    text = line(1).replace("goals: [clean_power]", "goals: [served_fluid]")
    start = text.index("machines:")
    text = text[:start] + (
        "demands: {all: {fluid: gas, place: p1, flow: 1 kg/s, min_inlet_pressure: 105 kPa}}\n"
    )
    site = read(tmp_path, text)
    pipe = losses(site)["r0", "p0", "dn50"]
    flow = carried(pipe, 111_325.0**2, 105e3**2)
    assert planned(site).goals[0].value == pytest.approx(flow, rel=1e-6)


def test_water_runs_uphill_by_a_pump_alone(tmp_path: Path) -> None:
    """A static head of thirty metres is more than two bar; a pump of forty metres does it."""
    text = """format: allocator.site/2
name: Uphill
goals: [served_fluid]
fluids: {water: {phase: liquid, substance: Water}}
places: {low: {at: [0 m, 0 m]}, top: {at: [200 m, 0 m], elevation: 30 m}}
sources: {spring: {place: low, fluid: water, flow: 5 kg/s, pressure: 2 bar}}
pipes: {dn40: {bore: 41.9 mm}}
routes: {rise: {between: [low, top]}}
demands: {town: {fluid: water, place: top, flow: 5 kg/s}, light: {power: 0.1 W}}
"""
    assert planned(read(tmp_path, text)).goals[0].value == 0.0
    text += (
        "boosters: {lift: {kind: pump, fluids: [water], places: [low], head: 40 m, "
        "efficiency: 60 %}}\n"
        "machines: {wheel: {inputs: {water: 1 kg/s}, outputs: {power: 2 kW}, places: [low]}}\n"
    )
    site = read(tmp_path, text)
    one = network_of(site).pressures["water"]
    pipe, (pump,) = one.losses["rise", "low", "dn40"], [b for b in one.boosters if b.start == "low"]
    plan = planned(site)
    (use,) = plan.boosters
    flow = most(lambda q: lost(pipe, q), 2e5 + pump.gain - pipe.head - AMBIENT, 5.0)
    flow = min(flow, pipe.capacity)
    # the wheel takes water for the power of the pump
    flow = min(flow, 5.0 / (1.0 + pump.energy / 2e3))
    assert plan.goals[0].value == pytest.approx(flow, rel=1e-6)
    assert use.power == pytest.approx(flow * pump.energy, rel=1e-6)


VALLEY = """format: allocator.site/2
name: Valley
goals: [served_fluid]
ambient: {{temperature: 10 degC}}
fluids: {{water: {{phase: liquid, substance: Water}}}}
places:
  spring: {{at: [0 m, 0 m], elevation: 60 m}}
  valley: {{at: [400 m, 0 m]}}
  top: {{at: [400 m, 200 m], elevation: 45 m}}
sources:
  spring: {{place: spring, fluid: water, flow: 400 g/s, pressure: 102 kPa, temperature: {hot} degC,
    cycle: [{{on: 12 h, every: 24 h}}]}}
storage:
  tank: {{holds: water, places: [top], size: {{max: 9 t}}, pressure: 1.3 bar,
    pressure_rating: {rating} bar}}
pipes: {{pe40: {{bore: 32.6 mm, roughness: 0.01 mm, pressure_rating: {deep} bar}}}}
routes: {{down: {{between: [spring, valley]}}, up: {{between: [valley, top]}}}}
demands: {{scrub: {{fluid: water, flow: 100 g/s, place: {place}, min_inlet_pressure: 1.2 bar}}}}
"""


@pytest.mark.parametrize("place", ["top", "valley"])
@pytest.mark.parametrize(
    ("rating", "deep", "served"), [(2.55, 7.0, True), (2.4, 7.0, False), (4.0, 6.5, False)]
)
@pytest.mark.parametrize("hot", [10, 60])
def test_what_rises_again_loses_its_static_head_shut_in(
    hot: int, rating: float, deep: float, served: bool, place: str, tmp_path: Path
) -> None:
    """15 m of water below the spring are 2.49 bar, 60 m are 6.90 bar; the demand may be on top,

    or in the valley: then the tank fills and gives through one pipe.
    """
    site = read(tmp_path, VALLEY.format(hot=hot, rating=rating, deep=deep, place=place))
    plan = planned(site)
    assert (plan.goals[0].value > 0.0) is served
    assert audit(site, plan).breaches == ()
    if served:
        shut = {row.node: row.shut_in for row in plan.pressures}
        assert shut["top"] == pytest.approx(102e3 + 15 * 9.80665 * 999.7, rel=1e-4)
        assert shut["valley"] == pytest.approx(102e3 + 60 * 9.80665 * 999.7, rel=1e-4)
        for strict in (2.45e5, 2.5e5):
            tank = replace(site.storage["tank"], pressure_rating=strict)
            found = audit(replace(site, storage={"tank": tank}), plan).rules
            assert found == (("pressure_rating",) if strict < 2.49e5 else ())
        (run,) = [run for run in plan.runs if run.route == "up"]
        assert place == "top" or len({flow.start for flow in run.flows}) == 2


@pytest.mark.parametrize(("rating", "served"), [(2.68, True), (2.63, False)])
def test_what_is_above_all_that_gives_is_as_light_as_it_can_be(
    rating: float, served: bool, tmp_path: Path
) -> None:
    """45 m above 7 bar: 2.66 bar of water of 60 degC, 2.59 bar of water of 10 degC."""
    text = VALLEY.format(hot=60, rating=rating, deep=9, place="top")
    text = text.replace("place: spring,", "place: valley,").replace("102 kPa", "7 bar")
    site = read(tmp_path, text)
    plan = planned(site)
    assert (plan.goals[0].value > 0.0) is served
    assert audit(site, plan).breaches == ()
    if served:
        shut = {row.node: row.shut_in for row in plan.pressures}
        assert shut["top"] == pytest.approx(7e5 - 45 * 9.80665 * 983.2, rel=1e-4)


SERIES = """materials: {steel: {stock: 9 t}}
places: {a: {at: [0 m, 0 m]}, b: {at: [100 m, 0 m]}, c: {at: [200 m, 0 m]}}
sources: {well: {place: a, fluid: gas, flow: 20 g/s, pressure: 7 bar}}
pipes:
  strong: {bore: 52.5 mm, layers: [{material: steel, mass: 5.44 kg/m}]}
  weak: {bore: 52.5 mm, layers: [{material: steel, mass: 5 kg/m}], pressure_rating: RATING}
routes: {ab: {between: [a, b]}, bc: {between: [b, c]}}
boosters:
  press: {kind: compressor, fluids: [gas], places: {a: 1, b: 1}, ratio: 2, efficiency: 70 %,
    discharge_temperature: 30 degC}
machines:
"""


@pytest.mark.parametrize(("rating", "kilograms"), [(13, 1088), (15, 1044), (29, 1000)])
def test_boosters_in_series_are_counted_shut_in(
    rating: float, kilograms: float, tmp_path: Path
) -> None:
    """7 bar are 14 bar and 28 bar shut in, behind one and behind two: no reason against both.

    The engine needs nearly what 7 bar and twice 3 times the ambient potential give.
    """
    need = math.sqrt(700.0**2 + 6 * 101.325**2) - 1.0
    text = HEAD.replace("clean_power", "clean_power, scarce_material")
    text += SERIES.replace("RATING", f"{rating} bar") + ENGINE.format(need=need, places="c: 30")
    site = read(tmp_path, text.replace("1000 kW", "10 kW"))
    plan = planned(site)
    assert plan.goals[0].value == pytest.approx(10e3, rel=1e-6)
    assert len(plan.boosters) == 2
    assert audit(site, plan).breaches == ()
    assert plan.materials[0].used == pytest.approx(kilograms, rel=1e-6)


LIFT = """format: allocator.site/2
name: Lift
goals: [served_fluid]
ambient: {{temperature: 10 degC}}
fluids: {{water: {{phase: liquid, substance: Water}}}}
places: {{foot: {{at: [0 m, 0 m]}}, top: {{at: [100 m, 0 m], elevation: 30 m}}}}
sources: {{well: {{place: foot, fluid: water, flow: 400 g/s, pressure: 102 kPa}}}}
pipes: {{pe40: {{bore: 32.6 mm, roughness: 0.01 mm, pressure_rating: {rating} bar}}}}
routes: {{up: {{between: [foot, top]}}}}
boosters:
  lift: {{kind: pump, fluids: [water], places: {{foot: 1}}, head: 40 m, efficiency: 60 %}}
machines: {{set: {{inputs: {{water: 1 g/s}}, outputs: {{power: 1 kW}}, places: {{foot: 1}}}}}}
demands: {{wash: {{fluid: water, flow: 100 g/s, place: top, min_inlet_pressure: 1.2 bar}}}}
"""


@pytest.mark.parametrize(("rating", "served"), [(4.9, False), (5.0, True)])
def test_a_pipe_bears_what_a_pump_gives_into_it(
    rating: float, served: bool, tmp_path: Path
) -> None:
    """1.02 bar and 40 m of water are 4.94 bar where the pipe begins, 2.00 bar where it ends."""
    site = read(tmp_path, LIFT.format(rating=rating))
    plan = planned(site)
    assert (plan.goals[0].value > 0.0) is served
    assert audit(site, plan).breaches == ()
    if served:
        weak = {"pe40": replace(site.pipes["pe40"], pressure_rating=4.9e5)}
        assert audit(replace(site, pipes=weak), plan).rules == ("pressure_rating",)


SLOPE = """places:
  top: {at: [0 m, 0 m], elevation: TOP}
  end: {at: [300 m, 0 m], elevation: END}
sources: {well: {place: top, fluid: gas, flow: 20 g/s, pressure: 2.5 kPa(g)}}
pipes: {dn100: {bore: 102.3 mm}}
routes: {lane: {between: [top, end]}}
machines:
"""


def sloped(folder: Path, fluid: str, fall: float, need: float, more: str = "") -> Site:
    """Gas of 25 mbar along 300 m of wide pipe, to an engine so far below its source."""
    text = HEAD.replace(GAS, fluid)
    text += SLOPE.replace("TOP", f"{max(fall, 0.0)} m").replace("END", f"{max(-fall, 0.0)} m")
    text += ENGINE.format(need=need, places="end: 1").replace(
        "    min_inlet", f"{more}    min_inlet"
    )
    return read(folder, text)


@pytest.mark.parametrize(
    ("fluid", "kilograms"),
    [
        ("{phase: gas, heating_value: 40 MJ/kg, substance: Methane}", 0.67983),
        ("{phase: gas, heating_value: 120 MJ/kg, substance: Hydrogen}", 0.08520),
        ("{phase: gas, heating_value: 40 MJ/kg, substance: n-Propane}", 1.8992),
    ],
)
@pytest.mark.parametrize("fall", [60.0, -60.0])
def test_the_pressure_of_a_gas_counts_from_the_air_at_its_height(
    fluid: str, kilograms: float, fall: float, tmp_path: Path
) -> None:
    """``dp = (rho_gas - rho_air) g h`` of what is left over the air outside; friction is 1 Pa.

    Densities at 15 degC and 101.325 kPa (CoolProp 6.6): the air of the standard atmosphere (ISO
    2533) has 1.2250 kg/m3. A gas lighter than it gains by rising and loses by falling.
    """
    gained = (kilograms * 103.825 / 101.325 - 1.2250) * 9.80665 * fall
    for margin, served in ((-45.0, True), (10.0, False)):
        need = 103.825 + (gained + margin) / 1000.0
        site = sloped(tmp_path, fluid, fall, need)
        plan = planned(site)
        assert (plan.goals[0].value > 0.0) is served
        assert audit(site, plan).breaches == ()
        if served:
            shut = {row.node: row.shut_in for row in plan.pressures}
            assert shut["end"] == pytest.approx(103825.0 + gained, abs=4.0)
            for more, bears in ((10.0, True), (-10.0, False)):
                rating = f"    pressure_rating: {103825.0 + gained + more} Pa\n"
                strict = sloped(tmp_path, fluid, fall, 101.325, rating)
                assert (planned(strict).goals[0].value > 0.0) is bears
                found = audit(replace(site, machines=strict.machines), plan).rules
                assert found == (() if bears else ("pressure_rating",))
