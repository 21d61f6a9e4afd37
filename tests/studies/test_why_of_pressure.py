"""What keeps a plan from more, where that is pressure."""

import math
from pathlib import Path

import pytest
from pressed_sites import LINE

from allocator.base.clock import Clock
from allocator.model.limits import Want
from allocator.network.deriving import network_of
from allocator.network.pressure_curves import losses_at
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.conflicts import Conflict, conflict_of
from allocator.search.elastic import elastic_relaxation_of
from allocator.studies.carry_result import carry
from allocator.studies.why_words import sufficient

SITE = """format: allocator.site/2
name: Pressed
goals: [clean_power]
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15 kg/m^3,
  viscosity: 1.2e-5, molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}},
  co2: {phase: gas, emission: biogenic}}
places: {a: {at: [0 m, 0 m]}, b: {at: [1000 m, 0 m]}}
sources: {well: {place: a, fluid: gas, flow: 30 g/s, pressure: 111.325 kPa}}
pipes: {dn50: {bore: 52.5 mm}}
routes: {r: {between: [a, b]}}
machines:
  engine: {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW, co2: 2.6 g/s}, places: {b: 30}}
demands: {all: {power: 1000 kW}}
"""


def test_the_pressure_of_sources_is_named_with_what_is_sufficient(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE)
    want = Want("firm_clean", "", 140e3, "clean power wanted at all times is at least")
    settings = Settings(node_limit=2000)
    found = conflict_of(read_site(path), settings, Clock(None), (want,))
    assert {limit.kind for limit in found.limits} == {"pressure", "want"}
    (change,) = [one for one in found.changes if one.limit.kind == "pressure"]
    assert change.amount is not None
    path.write_text(SITE.replace("111.325 kPa", f"{111_325 + change.amount + 1:.3f} Pa"))
    again = conflict_of(read_site(path), settings, Clock(None), (want,))
    assert again.status == "possible"
    short = 111_325 + 0.999 * change.amount
    assert math.isfinite(short)
    path.write_text(SITE.replace("111.325 kPa", f"{short:.3f} Pa"))
    assert conflict_of(read_site(path), settings, Clock(None), (want,)).status == "conflict"
    assert change.amount == pytest.approx(7.389e3, rel=0.002)


def conflict(path: Path, text: str, watts: float) -> Conflict:
    path.write_text(text)
    want = Want("firm_clean", "", watts, "clean power wanted at all times is at least")
    return conflict_of(read_site(path), Settings(node_limit=2000), Clock(None), (want,))


@pytest.mark.parametrize(
    ("line", "key", "kind", "watts", "pascal"),
    [
        pytest.param(
            *("places: {b: 30}", "min_inlet_pressure", "inlet_pressure", 60e3, 110_500.0),
            marks=pytest.mark.slow,
        ),
        ("bore: 52.5 mm", "pressure_rating", "pipe_rating", 40e3, 110_000.0),
        ("places: {b: 30}", "pressure_rating", "machine_rating", 40e3, 110_000.0),
    ],
)
def test_inlets_and_ratings_are_named_with_what_is_sufficient(
    line: str, key: str, kind: str, watts: float, pascal: float, tmp_path: Path
) -> None:
    path = tmp_path / "site.yaml"

    def stated(value: float) -> str:
        return SITE.replace(line, f"{line}, {key}: {value:.3f} Pa")

    found = conflict(path, stated(pascal), watts)
    assert found.status == "conflict"
    (change,) = [one for one in found.changes if one.limit.kind == kind]
    assert change.limit.value == pytest.approx(pascal)
    assert change.limit.path[-1] == key
    assert change.amount is not None
    sign = 1 if change.limit.more else -1
    enough = stated(pascal + sign * (change.amount + 1))
    assert conflict(path, enough, watts).status == "possible"
    short = stated(pascal + sign * 0.999 * change.amount)
    assert conflict(path, short, watts).status == "conflict"
    assert change.limit.address in {
        "machines.engine.min_inlet_pressure",
        "pipes.dn50.pressure_rating",
        "machines.engine.pressure_rating",
    }


def held(pressures: str) -> str:
    """The line with a well half of the time, and a holder of some pressures at its end."""
    text = SITE.replace("flow: 30 g/s", "flow: 30 g/s, cycle: [{on: 3 h, every: 6 h}]")
    holder = f"storage: {{holder: {{holds: gas, places: [b], size: {{max: 20 t}}, {pressures}}}}}"
    return text.replace("routes:", f"{holder}\nroutes:")


BEHIND = (
    held("pressure: 101600")
    .replace("places: {b: 30}", "places: {c: 30}, min_inlet_pressure: 101500")
    .replace("b: {at: [1000 m, 0 m]}", "b: {at: [9 m, 0 m]}, c: {at: [60 m, 0 m]}")
    .replace("between: [a, b]}", "between: [a, b]}, q: {between: [b, c]}")
)
"""The machine at the end of a line of its own, that the holder feeds."""
HALVED = SITE.replace("b: {at", "m: {at: [500 m, 0 m]}, b: {at").replace(
    "{r: {between: [a, b]}}", "{r: {between: [a, m]}, q: {between: [m, b]}}"
)
FAN = (
    "boosters: {fan: {kind: blower, fluids: [gas], places: [a], ratio: 1.02, efficiency: 0.5, "
    "discharge_temperature: 15 degC, %s}}\n"
)
TWO = HALVED + (FAN % "max_units: 1").replace("[a]", "[a, m]")
UPHILL = """format: allocator.site/2
name: Uphill
goals: [clean_power]
fluids: {water: {phase: liquid, constants: {density: 1000 kg/m^3, viscosity: 1e-3,
  specific_heat: 4200}}}
places: {low: {at: [0 m, 0 m]}, top: {at: [200 m, 0 m], elevation: 30 m}}
sources: {spring: {place: low, fluid: water, flow: 5 kg/s, pressure: 2 bar}}
pipes: {dn40: {bore: 41.9 mm}}
routes: {rise: {between: [low, top]}}
boosters: {lift: {kind: pump, fluids: [water], places: [low], head: 19 m, efficiency: 60 %}}
machines: {wheel: {inputs: {water: 1 kg/s}, outputs: {power: 2 kW}, places: [top]}}
demands: {town: {power: 10 kW}}
"""


@pytest.mark.parametrize(
    ("text", "key", "kind", "watts", "sign"),
    [
        (held("pressure: 110000"), "110000", "filling_pressure", 3e4, -1),
        (BEHIND, "101600", "release_pressure", 9e4, 1),
        pytest.param(
            held("min_pressure: 104000, max_pressure: 110000"),
            *("110000", "max_pressure", 3e4, -1),
            marks=pytest.mark.slow,
        ),
        (SITE + FAN % "max_flow: 0.01 kg/s", "0.01 kg/s", "booster_flow", 1.07e5, 1),
        (SITE + FAN % "min_inlet_pressure: 113000", "113000", "booster_inlet_pressure", 1.07e5, -1),
        (SITE + FAN % "price: 1", "1.02", "booster_ratio", 1.2e5, 1),
        (TWO, "1}", "booster_units", 1.15e5, 1),
        (UPHILL, "19 m", "booster_head", 1e3, 1),
    ],
)
def test_pressures_of_stores_and_boosters_are_named_with_what_is_sufficient(
    text: str, key: str, kind: str, watts: float, sign: int, tmp_path: Path
) -> None:
    """What is sufficient is so in the file; a thousandth less is not, where that is proven."""
    path = tmp_path / "site.yaml"
    assert text.count(key) == 1
    found = conflict(path, text, watts)
    assert found.status == "conflict"
    (change,) = [one for one in found.changes if one.limit.kind == kind]
    assert change.amount is not None
    assert change.proven == (kind not in ("booster_ratio", "booster_head"))

    def stated(share: float) -> str:
        assert change.amount is not None
        unit = key.partition(" ")[2]
        value = change.limit.value + sign * share * change.amount
        whole = kind == "booster_units"
        return text.replace(key, f"{round(value)}}}" if whole else f"{value:.9g} {unit}")

    assert conflict(path, stated(1.0005), watts).status == "possible"
    if change.proven and kind != "booster_units":
        assert conflict(path, stated(0.999), watts).status == "conflict"


SHORT = SITE.replace("[1000 m, 0 m]", "[5 m, 0 m]").replace("52.5 mm", "27.3 mm")
"""A pipe so short that its velocity limits it, not the pressure that it loses."""


@pytest.mark.parametrize(
    ("key", "kind", "value"),
    [("max_velocity: %.9g m/s", "velocity", 12.0), ("max_mach: %.9g", "mach", 0.03)],
)
def test_a_velocity_that_limits_is_named_with_what_is_sufficient(
    key: str, kind: str, value: float, tmp_path: Path
) -> None:
    """By hand: 9 kW of 1.2 kg/m3 for each m/s in 27.3 mm, with a little more at its pressure."""
    path = tmp_path / "site.yaml"

    def stated(limit: float) -> str:
        return SHORT.replace("27.3 mm", f"27.3 mm, {key % limit}")

    found = conflict(path, stated(value), 70e3)
    assert found.status == "conflict"
    (change,) = [one for one in found.changes if one.limit.kind == kind]
    assert change.limit.address == f"pipes.dn50.max_{kind}"
    assert change.limit.value == pytest.approx(value)
    assert change.amount is not None
    assert not change.proven
    assert conflict(path, stated(value + change.amount), 70e3).status == "possible"
    # of the same shape in the sentence that names it
    assert change.limit.stated.startswith(f"pipes.dn50.max_{kind} is ")


def test_a_velocity_is_named_far_above_the_ambient_pressure(tmp_path: Path) -> None:
    """At 8 bar 4 m/s carry 142 kW, and a third more carries a third more; the plan says so too."""
    path, text = tmp_path / "site.yaml", SHORT.replace("111.325 kPa", "8 bar")

    def stated(limit: float) -> str:
        return text.replace("27.3 mm", f"27.3 mm, max_velocity: {limit:.9g} m/s")

    found = conflict(path, stated(4.0), 185e3)
    assert found.status == "conflict"
    (change,) = [one for one in found.changes if one.limit.kind == "velocity"]
    assert change.amount is not None
    assert 1.0 < change.amount < 1.7
    assert not change.proven
    assert conflict(path, stated(4.0 + change.amount), 185e3).status == "possible"
    path.write_text(stated(4.0))
    plan = make_plan(read_site(path), Settings(node_limit=2000)).plan
    assert plan is not None
    assert plan.power.firm_clean == pytest.approx(142e3, rel=0.01)
    assert "pipes.dn50.max_velocity: 4 m/s of 4 m/s in 'r'" in plan.limits
    path.write_text(stated(8.0))
    plan = make_plan(read_site(path), Settings(node_limit=2000)).plan
    assert plan is not None
    assert not any("max_velocity" in line for line in plan.limits)


def test_the_velocity_of_a_liquid_is_named_too(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    text = UPHILL.replace("head: 19 m", "head: 40 m").replace(
        "41.9 mm", "41.9 mm, max_velocity: 0.4"
    )
    found = conflict(path, text, 1.2e3)
    (change,) = [one for one in found.changes if one.limit.kind == "velocity"]
    # 2 kW for each kg/s, of which the pump takes 40 m of head at 60 %
    flow = 1.2e3 / (2e3 - 9.80665 * 40 / 0.6)
    assert change.amount == pytest.approx(4 * flow / (1000 * math.pi * 0.0419**2) - 0.4, rel=1e-4)


def test_a_mouth_is_raised_no_further_than_ratings_bear(tmp_path: Path) -> None:
    """More pressure alone is not sufficient where the pipe does not bear it."""
    path = tmp_path / "site.yaml"
    found = conflict(path, SITE.replace("52.5 mm", "52.5 mm, pressure_rating: 112 kPa"), 140e3)
    (change,) = [one for one in found.changes if one.limit.kind == "pressure"]
    assert (change.amount, change.proven) == (None, True)
    wide = SITE.replace("52.5 mm", "52.5 mm, pressure_rating: 120 kPa")
    (change,) = [one for one in conflict(path, wide, 140e3).changes if one.limit.kind == "pressure"]
    assert change.amount == pytest.approx(7.389e3, rel=0.002)


@pytest.mark.slow
def test_units_that_a_line_carries_are_those_that_its_pressure_leaves(tmp_path: Path) -> None:
    """Of the kilometre 102 kW, as in the hand-solved line; what stops the next unit is named."""
    path = tmp_path / "site.yaml"
    path.write_text(SITE.replace("places: {b: 30}", "places: {b: 30}, min_inlet_pressure: 105 kPa"))
    result = carry(path, settings=Settings(node_limit=500))
    (row,) = result.generators.records()
    site = network_of(read_site(path))
    loss = site.pressures["gas"].losses["r", "a", "dn50"]
    low, high = 0.0, 0.03
    for _ in range(60):
        middle = (low + high) / 2
        friction = losses_at([loss], [middle])[0][0]
        fits = loss.after(111_325.0**2, friction, middle) >= 105e3**2
        low, high = (middle, high) if fits else (low, middle)
    assert row["units_firm"] == pytest.approx(low / 1.5e-3, abs=1e-3)
    assert row["whole"] == math.floor(low / 1.5e-3)
    limits = {one["limit"]: one["sufficient"] for one in result.limits.records()}
    assert set(limits) == {"sources.well.pressure", "machines.engine.min_inlet_pressure"}
    assert limits["machines.engine.min_inlet_pressure"].startswith("-")
    assert "changing one of them alone" in result.limits.title


def test_a_plan_names_the_pressure_that_binds_it(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE.replace("places: {b: 30}", "places: {b: 30}, min_inlet_pressure: 105 kPa"))
    plan = make_plan(read_site(path), Settings(node_limit=500)).plan
    assert plan is not None
    assert "pressure: 'engine@b' with no more than the 36.8 mbar(g) needed" in plan.limits


def test_every_pressure_of_the_line_is_a_limit(tmp_path: Path) -> None:
    """Each with its key in the file; those that are lowered have no marginal value."""
    path = tmp_path / "site.yaml"
    path.write_text(LINE.replace(": 1.5 bar", ": 107 kPa").replace(": 2 bar", ": 108 kPa"))
    site = network_of(read_site(path))
    settings = Settings(node_limit=100)
    limits = elastic_relaxation_of(site, settings, Clock(None)).limits
    addresses = {
        limit.address or limit.stated: limit.value
        for limit in limits
        if limit.dimension == "pressure"
    }
    assert addresses == {
        "the pressures of the sources of 'gas' are no more than the file states": pytest.approx(
            106e3
        ),
        "machines.engine.min_inlet_pressure": pytest.approx(102.5e3),
        "pipes.dn50.pressure_rating": pytest.approx(107e3),
        "storage.holder.pressure": pytest.approx(103e3),
        "storage.holder.pressure_rating": pytest.approx(108e3),
    }
    others = {limit.address: limit.value for limit in limits if limit.dimension == "number"}
    assert others.items() >= {
        ("boosters.fan.ratio", 1.03),
        ("boosters.fan.places.fork", 1.0),
        ("boosters.fan.places.mouth", 1.0),
    }
    assert [limit.kind for limit in limits if limit.address == "storage.holder.pressure"] == [
        "release_pressure",
        "filling_pressure",
    ]
    priced = elastic_relaxation_of(site, settings, Clock(None), demands=True).limits
    assert "inlet_pressure" not in {limit.kind for limit in priced}


def test_the_pressures_of_several_sources_are_raised_together(tmp_path: Path) -> None:
    """By what is told of each of them it is enough; a source without a way is not among them."""
    path = tmp_path / "site.yaml"
    other = "sources: {%s: {place: %s, fluid: gas, flow: 1 g/s, pressure: %s}, "
    places = "{c: {at: [0 m, 900 m]}, "
    alone = SITE.replace("sources: {", other % ("far", "c", "20 bar")).replace(
        "places: {a", f"places: {places}a"
    )
    found = conflict(path, alone, 140e3)
    (change,) = [one for one in found.changes if one.limit.kind == "pressure"]
    assert change.limit.address == "sources.well.pressure"
    assert change.amount == pytest.approx(7.389e3, rel=0.002)
    two = SITE.replace("sources: {", other % ("weak", "a", "%s"))
    found = conflict(path, two % "111 kPa", 140e3)
    (change,) = [one for one in found.changes if one.limit.kind == "pressures"]
    assert change.limit.address == ""
    assert "'gas'" in change.limit.stated
    assert change.amount is not None
    assert "for each of them" in sufficient(change)
    raised = two.replace("111.325 kPa", f"{111_325 + change.amount + 1:.3f} Pa")
    raised %= f"{111_000 + change.amount + 1:.3f} Pa"
    assert conflict(path, raised, 140e3).status == "possible"
