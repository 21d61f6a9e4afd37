"""Pressures and boosters in site files: gauge readings, clear errors, what check says of ends."""

from __future__ import annotations

from pathlib import Path

import pytest
from pressed_sites import HUT, LINE

from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.search import Settings, make_plan
from allocator.verify import audit

FAN = "  fan: {kind: blower,"


def checked(tmp_path: Path, *changes: tuple[str, str]) -> tuple[list[str], list[str]]:
    """Faults and warnings of the line with changes, without the path of the file."""
    text = LINE
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    report = check_site(path)
    return (
        [str(fault).partition("site.yaml:")[2] for fault in report.faults],
        [str(fault).partition("site.yaml:")[2] for fault in report.warnings],
    )


def test_the_line_is_sound(tmp_path: Path) -> None:
    assert checked(tmp_path) == ([], [])


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("ratio: 1.03", "ratio: 1", "ratio must be above 1 (got 1)"),
        ("ratio: 1.03", "ratio: 0.8", "ratio must be above 1 (got 0.8)"),
        ("efficiency: 50 %", "efficiency: 120 %", "efficiency must be at most 100 %"),
        ("kind: blower", "kind: pump", "needs 'head', as it is a pump"),
        ("kind: blower", "kind: pump", "holds 'gas', a gas, and a pump moves liquid"),
        ("ratio: 1.03", "head: 3 m", "head is for liquids, and it is a blower"),
        ("discharge_temperature: 30 degC, ", "", "needs the hottest temperature at which the gas"),
        ("fluids: [gas],", "fluids: [oil],", "names the unknown fluid 'oil'"),
        ("pressure: 103 kPa", "min_pressure: 103 kPa", "needs 'max_pressure' beside it"),
        (
            "pressure: 103 kPa",
            "min_pressure: 103 kPa, max_pressure: 102 kPa",
            "is above 'max_pressure' (103 kPa absolute > 102 kPa absolute)",
        ),
        (
            "pressure: 103 kPa",
            "pressure: 103 kPa, max_pressure: 104 kPa",
            "is given beside 'pressure', which is constant",
        ),
        ("pressure_rating: 2 bar", "pressure_rating: 1 bar", "is below its highest pressure"),
        (
            "min_inlet_pressure: 102.5 kPa",
            "min_inlet_pressure: 102.5 kPa\n    pressure_rating: 1 bar",
            "pressure_rating is below 'min_inlet_pressure' (100 kPa absolute < 102 kPa absolute)",
        ),
        ("bore: 52.5 mm", "bore: 52.5 mm, roughness: 60 mm", "roughness is not below the bore"),
    ],
)
def test_one_value_that_cannot_be(old: str, new: str, said: str, tmp_path: Path) -> None:
    faults, _ = checked(tmp_path, (old, new))
    (fault,) = [one for one in faults if said in one]
    line, column, _ = fault.split(":", 2)
    assert int(line) > 1
    assert int(column) >= 1


@pytest.mark.parametrize(
    ("built", "said"),
    [
        ("{booster: fan, place: fork, fluid: gas}", "needs 'route' or 'store'"),
        ("{booster: fan, place: works, fluid: gas, route: trunk}", "which 'fan' does not list"),
        ("{booster: fan, place: fork, fluid: co2, route: trunk}", "which 'fan' does not move"),
        ("{booster: fan, place: fork, fluid: gas, route: nowhere}", "unknown route 'nowhere'"),
        ("{booster: fan, place: mouth, fluid: gas, route: trunk}", "into which nothing flows"),
        ("{booster: fan, place: fork, fluid: gas, store: holder}", "has no 'gas' at 'fork'"),
    ],
)
def test_existing_boosters(built: str, said: str, tmp_path: Path) -> None:
    faults, _ = checked(tmp_path, ("demands:", f"built: {{boosters: [{built}]}}\ndemands:"))
    assert [one for one in faults if said in one]


def test_a_gauge_reading_counts_from_the_ambient_pressure(tmp_path: Path) -> None:
    text = LINE.replace("pressure: 106 kPa", "pressure: 5 kPa(g)")
    path = tmp_path / "site.yaml"
    path.write_text("ambient: {pressure: 98 kPa}\n" + text, encoding="utf-8")
    site = read_site(path)
    assert site.sources["well"].pressure == pytest.approx(103e3, abs=1e-6)
    path.write_text("ambient: {pressure: 98 kPa(g)}\n" + text, encoding="utf-8")
    (fault,) = check_site(path).faults
    assert "expects an absolute pressure such as '101.3 kPa'" in str(fault)


def test_a_mouth_below_what_all_need_is_told_with_both_numbers(tmp_path: Path) -> None:
    start = LINE.index(FAN)
    fans = LINE[LINE.index("boosters:") : LINE.index("machines:")]
    assert start > 0
    needs = ("min_inlet_pressure: 102.5 kPa", "min_inlet_pressure: 108 kPa")
    holder = ("pressure: 103 kPa,", "pressure: 109 kPa,")
    faults, warnings = checked(tmp_path, (fans, ""), needs, holder)
    assert faults == []
    (well, kiln) = warnings
    assert "source 'well': its mouth is at 106 kPa" in well
    assert "needs at least 108 kPa absolute: nothing can be had of it" in well
    assert "offer a booster" in kiln
    faults, (fan,) = checked(tmp_path, needs, holder)
    assert faults == []
    assert "booster 'fan': what it adds is counted at its least inlet pressure" in fan


def test_a_booster_that_counts_as_too_weak_is_told(tmp_path: Path) -> None:
    """14 times 1.5 bar is 21 bar, but what it adds is counted at the least inlet pressure."""
    path = tmp_path / "site.yaml"
    path.write_text(HUT, encoding="utf-8")
    assert check_site(path).warnings == ()
    path.write_text(HUT.replace("pressure: 1.45 bar", "pressure: 1.2 bar"), encoding="utf-8")
    (told,) = map(str, check_site(path).warnings)
    assert "counted at its least inlet pressure of 120 kPa absolute: 'h2' of 150 kPa " in told
    assert "to 1.68 MPa absolute by it, and 'vessel' is filled at 2 MPa absolute" in told


def test_pressures_that_three_digits_do_not_tell_apart(tmp_path: Path) -> None:
    fans = LINE[LINE.index("boosters:") : LINE.index("machines:")]
    needs = ("min_inlet_pressure: 102.5 kPa", "min_inlet_pressure: 106.2 kPa")
    holder = ("pressure: 103 kPa,", "pressure: 109 kPa,")
    _, (well, _) = checked(tmp_path, (fans, ""), needs, holder)
    said = (
        "its mouth is at 106\u00a0000 Pa absolute, and whatever takes 'gas' needs at least "
        "106\u00a0200 Pa"
    )
    assert f"{said} absolute" in well


def test_what_bears_less_than_all_sources_give_is_told(tmp_path: Path) -> None:
    low = ("pressure_rating: 1.5 bar", "pressure_rating: 1.02 bar")
    faults, (told,) = checked(tmp_path, low)
    assert faults == []
    assert "pipe 'dn50': it bears 102 kPa absolute, and all that gives 'gas' gives at " in told
    assert "at least 103 kPa absolute, shut in" in told


def test_what_a_pipe_says_of_its_ends_does_not_count(tmp_path: Path) -> None:
    _, (told,) = checked(
        tmp_path, ("dn50: {bore: 52.5 mm,", "dn50: {bore: 52.5 mm, inlet_pressure: 2 bar,")
    )
    assert "pipe 'dn50': its 'inlet_pressure' and 'outlet_pressure' do not count for 'gas'" in told


def test_a_capacity_beside_a_bore_holds_as_well(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(LINE.replace("bore: 52.5 mm,", "bore: 52.5 mm, capacity: 4 g/s,"), "utf-8")
    losses = network_of(read_site(path)).pressures["gas"].losses
    assert {loss.capacity for loss in losses.values()} == {0.004}
    assert all(loss.checked for loss in losses.values())


def test_no_pressure_above_the_ambient_one(tmp_path: Path) -> None:
    fans = LINE[LINE.index("boosters:") : LINE.index("machines:")]
    low = ("pressure: 106 kPa", "pressure: 0.9 bar")
    faults, _ = checked(tmp_path, (fans, ""), low, ("pressure: 103 kPa", "pressure: 0.9 bar"))
    (fault,) = faults
    said = "has no pressure for 'gas' above the ambient 101\u00a0325 Pa (highest 90\u00a0000 Pa)"
    assert said in fault


def test_what_is_odd_about_figures(tmp_path: Path) -> None:
    """A plain number of kelvin, and lengths that three digits do not tell apart."""
    _, (told,) = checked(tmp_path, ("discharge_temperature: 30 degC", "discharge_temperature: 30"))
    assert "discharge_temperature is -243 degC; a plain number is kelvin" in told
    _, (told,) = checked(
        tmp_path, ("between: [mouth, fork]", "between: [mouth, fork], length: 399.59")
    )
    assert "(399.59 m < 400 m)" in told
    _, (told,) = checked(
        tmp_path,
        (LINE[LINE.index("boosters:") : LINE.index("machines:")], ""),
        (
            "well: {place: mouth, fluid: gas, flow: 20 g/s, pressure: 106 kPa",
            "well: {place: mouth, fluid: gas, flow: 20 g/s, pressure: 6 kPa",
        ),
    )
    assert "its mouth is at 6 kPa" in told
    assert "check the pressures ('5 kPa(g)' counts from the ambient one)" in told


POND = """format: allocator.site/2
name: Pond
goals: [served_fluid]
fluids: {water: {phase: liquid, substance: Water}}
places: {pond: {at: [0 m, 0 m], elevation: 30 m}, works: {at: [200 m, 0 m]}}
sources: {pond: {place: pond, fluid: water, flow: 200 g/s, pressure: 101.325 kPa}}
pipes: {pe40: {bore: 32.6 mm, roughness: 0.01 mm}}
routes: {down: {between: [pond, works]}}
demands: {quench: {fluid: water, flow: 100 g/s, place: works, min_inlet_pressure: 2 bar}}
"""


@pytest.mark.parametrize("mouth", ["101.325 kPa", "101.4 kPa"])
def test_a_pond_up_hill_needs_no_booster(mouth: str, tmp_path: Path) -> None:
    """Thirty metres of water are 2.94 bar, above the ambient pressure."""
    path = tmp_path / "site.yaml"
    path.write_text(POND.replace("101.325 kPa", mouth))
    assert (check_site(path).faults, check_site(path).warnings) == ((), ())
    site = read_site(path)
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    assert plan.goals[0].value == pytest.approx(0.1, rel=1e-6)
    (works,) = [row for row in plan.pressures if row.node == "works"]
    assert works.shut_in > 3.9e5
    assert audit(site, plan).breaches == ()


def test_a_pond_too_low_is_told_with_what_comes_of_it(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(POND.replace("2 bar", "4.1 bar"))
    (told,) = map(str, check_site(path).warnings)
    assert "mouth is at 101 kPa absolute, at most 395 kPa absolute reach demand 'quench'" in told
    assert "that needs 410 kPa absolute: nothing can be had of it" in told
    path.write_text(POND.replace("elevation: 30 m", "elevation: 0 m"))
    (fault,) = map(str, check_site(path).faults)
    assert "has no pressure for 'water' above the ambient" in fault


LANDFILL = """format: allocator.site/2
name: Landfill
ambient: {temperature: 10 degC, pressure: 100 kPa}
fluids: {lfg: {phase: gas, heating_value: 15 MJ/kg, constants: {density: 1.206 kg/m^3,
  viscosity: 1.3e-5 Pa*s, molar_mass: 28.4 g/mol, specific_heat: 1350 J/(kg*K)}}}
places: {w: {at: [0 m, 0 m]}, j: {at: [300 m, 0 m]}, v: {at: [300 m, 90 m]}, p: {at: [520 m, 0 m]}}
sources:
  s1: {place: w, fluid: lfg, flow: 16 g/s, pressure: 2 kPa(g), cycle: [{on: 3 h, every: 7 h}]}
storage:
  vess: {holds: lfg, places: [v], min_pressure: 1.2 bar, max_pressure: 3 bar,
    pressure_rating: 4 bar, size: {unit: 15 kg, max: 180 kg}}
pipes: {d50: {bore: 52.5 mm}}
routes: {a: {between: [w, j]}, b: {between: [j, v]}, c: {between: [j, p]}}
boosters:
  comp: {kind: compressor, fluids: [lfg], places: {w: 1, v: 1}, ratio: 3.2, efficiency: 60 %,
    discharge_temperature: 45 degC, max_units: 1}
machines:
  gen: {inputs: {lfg: 1.5 g/s}, outputs: {power: 7 kW}, places: {p: 5},
    min_inlet_pressure: 1.08 bar}
demands: {d: {power: 40 kW}}
"""
PAUSES = ", cycle: [{on: 3 h, every: 7 h}]"
LITTLE = ("ratio: 3.2", "ratio: 1.01")
WEAK = ("pressure_rating: 4 bar", "pressure_rating: 3.1 bar")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ([], ""),
        ([("2 kPa(g)", "-2 kPa(g)")], "at 98 kPa absolute, below the ambient 100 kPa absolute"),
        ([("2 kPa(g)", "20 mbar")], "at 2 kPa absolute, below the ambient 100 kPa absolute"),
        (
            [("ratio: 3.2", "ratio: 2.5")],
            "with all boosters at most 251 kPa absolute reach store 'vess', and that needs "
            "300 kPa absolute: it fills no store, and it has pauses",
        ),
        # twice the same booster reaches it, and so does gas that is burnt as it comes
        ([("ratio: 3.2", "ratio: 2.5"), (", max_units: 1", ""), ("rating: 4", "rating: 9")], ""),
        ([("ratio: 3.2", "ratio: 2.5"), (PAUSES, "")], ""),
        (
            [LITTLE, (PAUSES, "")],
            "with all boosters at most 103 kPa absolute reach machine 'gen', and that needs 108 "
            "kPa absolute: nothing can be had of it",
        ),
        (
            [WEAK],
            "behind 'comp' at least 326 kPa absolute reach store 'vess', shut in, and that bears "
            "310 kPa absolute",
        ),
        ([("ratio: 3.2", "ratio: 3"), WEAK], ""),
    ],
)
def test_a_source_of_which_nothing_can_come_is_told_in_spite_of_boosters(
    changes: list[tuple[str, str]], said: str, tmp_path: Path
) -> None:
    """And what is told is so: the best plan has no power. What is not told can be had."""
    text = LANDFILL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    report = check_site(path)
    assert report.faults == ()
    assert len(report.warnings) == bool(said)
    assert all(said in str(told) for told in report.warnings)
    plan = make_plan(read_site(path), Settings(node_limit=200, threads=1)).plan
    assert plan is not None
    assert (plan.power.firm_clean > 0.0) is (not said)


HOT = "discharge_temperature: 45 degC"


@pytest.mark.parametrize(
    ("degrees", "more", "told"),
    [
        (45, "", False),
        (290, "", True),
        (290, "built: {boosters: [{booster: comp, place: w, fluid: lfg, route: a}]}\n", False),
    ],
)
def test_a_hot_booster_that_is_only_offered_is_told(
    degrees: int, more: str, told: bool, tmp_path: Path
) -> None:
    """Its gas counts in every pipe; another booster as hot, or gas as hot, would do so anyway."""
    text = LANDFILL.replace(HOT, f"discharge_temperature: {degrees} degC") + more
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    report = check_site(path)
    assert report.faults == ()
    assert len(report.warnings) == told
    if told:
        (words,) = map(str, report.warnings)
        assert (
            "booster 'comp': its gas leaves at 290 degC, and all other 'lfg' has at most" in words
        )
        assert "aftercooler" in words
        hot = text.replace("2 kPa(g)", "2 kPa(g), temperature: 280 degC")
        path.write_text(hot, encoding="utf-8")
        assert not any("its gas leaves" in str(told) for told in check_site(path).warnings)
