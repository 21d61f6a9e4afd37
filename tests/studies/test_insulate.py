"""Every build of one run: what is told, and which is the lightest that holds."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from allocator.base.errors import AllocatorError
from allocator.cli.entry import main
from allocator.network.deriving import network_of
from allocator.network.facts import facts_of
from allocator.network.insulation import ground_of
from allocator.network.pressure_curves import losses_at
from allocator.network.reading import read_site
from allocator.studies.build_rows import lightest, rows_of_route
from allocator.studies.insulate_result import insulate

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
COOL = NETWORKS / "cool_first.yaml"
Told = pytest.CaptureFixture[str]


def test_the_lightest_for_each_stream() -> None:
    rows = rows_of_route(read_site(COOL), "track")
    best = {row.inlet: lightest(rows, "hydrogen", row.inlet) for row in rows}
    assert {inlet: row.build for inlet, row in best.items() if row is not None} == {
        653.15: "thick",
        333.15: "thin",
        323.15: "bare",
    }
    bare = next(row for row in rows if row.build == "bare" and row.inlet == 653.15)
    assert bare.broken == ("surface too hot",)
    assert bare.surface <= 653.15


def test_mass_by_hand() -> None:
    """DN65 schedule 40 (ASME B36.10M: 8.63 kg/m), and wool by the volume of its shell."""
    rows = {row.build: row for row in rows_of_route(read_site(COOL), "track")}
    assert rows["bare"].per_metre == pytest.approx(8.63, abs=0.01)
    inner = (0.0627 + 2 * 0.00516) / 2
    wool = math.pi * ((inner + 0.12) ** 2 - inner**2) * 100
    assert rows["thick"].materials["wool"] == pytest.approx(700 * wool)


def test_less_flow_ends_colder_and_more_insulation_warmer() -> None:
    rows = rows_of_route(read_site(COOL), "track", flow=0.0005)
    for row in rows:
        assert row.end_at_flow is not None
        assert row.end_at_flow <= row.end
    hot = {row.build: row for row in rows if row.inlet == 653.15}
    assert hot["thick"].loss_per_metre < hot["thin"].loss_per_metre < hot["bare"].loss_per_metre
    assert hot["thick"].end > hot["thin"].end > hot["bare"].end


def test_a_thin_layer_on_a_thin_pipe_adds_loss(tmp_path: Path) -> None:
    """Below its critical radius k/h; told, and true of the figures."""
    text = COOL.read_text(encoding="utf-8")
    text = text.replace("{material: wool, thickness: 30 mm}", "{material: rubber, thickness: 2 mm}")
    text = text.replace(
        "bare: {bore: 62.7 mm, layers: [{material: steel, thickness: 5.16 mm}]}",
        "bare: {bore: 4 mm, layers: [{material: steel, thickness: 1 mm}]}",
    )
    text = text.replace(
        "thin: {bore: 62.7 mm, layers: [{material: steel, thickness: 5.16 mm}",
        "thin: {bore: 4 mm, layers: [{material: steel, thickness: 1 mm}",
    )
    text = text.replace(
        "  fins: {stock",
        "  rubber: {density: 1200 kg/m^3, conductivity: 0.25 W/(m*K)}\n  fins: {stock",
    )
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    rows = {r.build: r for r in rows_of_route(read_site(path), "track", temperature=330.0)}
    assert "below its critical radius of 25 mm" in rows["thin"].warning
    assert rows["thin"].loss_per_metre > rows["bare"].loss_per_metre


def test_the_table_holds_the_rows() -> None:
    result = insulate(read_site(COOL), "track")
    assert result.builds.column("mass") == tuple(row.mass for row in result.rows)
    kept = [row["build"] for row in result.builds.records() if row["lightest"]]
    assert kept == ["thick", "thin", "bare"]
    assert set(result.builds.column("broken")) == {"none", "surface too hot"}


def test_what_cannot_be_told() -> None:
    site = read_site(NETWORKS / "first.yaml")
    with pytest.raises(AllocatorError, match="has a source with a temperature"):
        insulate(site, "lane")
    with pytest.raises(AllocatorError, match="there is no route 'alley'; the site has lane"):
        insulate(site, "alley")
    with pytest.raises(AllocatorError, match="no source of 'biogas' has a temperature"):
        insulate(site, "lane", fluid="biogas")
    with pytest.raises(AllocatorError, match="there is no fluid 'steam'"):
        insulate(site, "lane", fluid="steam")


def test_the_command(capsys: Told) -> None:
    assert main(["insulate", str(COOL), "--route", "track", "--flow", "1 g/s"]) == 0
    out = capsys.readouterr().out
    assert "lightest that keeps every limit: thick" in out
    assert "upper bounds" in out
    assert max(len(line) for line in out.splitlines()) <= 100
    assert main(["insulate", str(COOL), "--route", "track", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["format"] == "allocator.insulate/1"
    assert [row["build"] for row in data["builds"] if row["lightest"]] == ["thick", "thin", "bare"]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--route", "none"], "there is no route 'none'"),
        (["--route", "track", "--temperature", "hot"], "--temperature expects"),
        (["--route", "track", "--temperature", "-300 degC"], "must be above 0"),
        (["--route", "track", "--temperature", "3000 degC"], "fluid 'hydrogen': has no data"),
        (["--route", "track", "--flow", "3 kW"], "--flow"),
    ],
)
def test_bad_input(more: list[str], said: str, capsys: Told) -> None:
    assert main(["insulate", str(COOL), *more]) == 2
    assert said in capsys.readouterr().err


PRESSED = """format: allocator.site/2
name: Pressed
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15 kg/m^3,
  viscosity: 1.2e-5, molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}},
  co2: {phase: gas, emission: biogenic}}
materials: {steel: {stock: 20 t, density: 7850 kg/m^3, conductivity: 45 W/(m*K)}}
places: {a: {at: [0 m, 0 m]}, b: {at: [1000 m, 0 m]}}
sources: {well: {place: a, fluid: gas, flow: 30 g/s, pressure: 111.325 kPa, temperature: 15 degC}}
pipes:
  dn25: {bore: 27.3 mm, layers: [{material: steel, thickness: 3.38 mm}]}
  dn50: {bore: 52.5 mm, layers: [{material: steel, thickness: 3.91 mm}], pressure_rating: 1.1 bar}
  dn80: {bore: 78 mm, layers: [{material: steel, thickness: 5.49 mm}], pressure_rating: 6 bar}
routes: {r: {between: [a, b]}}
machines:
  engine: {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW, co2: 2.6 g/s}, places: {b: 30},
           min_inlet_pressure: 105 kPa}
demands: {all: {power: 1000 kW}}
"""


def test_builds_by_the_pressures_of_the_site(tmp_path: Path) -> None:
    """What leaves 105 kPa of the 111.325 at the mouth, and which is the lightest for a flow."""
    path = tmp_path / "site.yaml"
    path.write_text(PRESSED)
    result = insulate(path, "r", flow=8e-3)
    site = network_of(read_site(path))
    for row in result.rows:
        assert row.pressure is not None
        assert (row.pressure.enters, row.pressure.needed) == pytest.approx((111_325.0, 105_000.0))
        loss = site.pressures["gas"].losses["r", "a", row.build]
        lost = losses_at([loss], [row.pressure.flow])[0][0]
        lost += loss.swift * row.pressure.flow**2 * math.log((111_325.0 / 105_000.0) ** 2)
        assert lost == pytest.approx(111_325.0**2 - 105_000.0**2, rel=1e-6)
        left = loss.after(111_325.0**2, losses_at([loss], [8e-3])[0][0], 8e-3)
        assert row.pressure.end == pytest.approx(math.sqrt(max(0.0, left)), rel=1e-9)
    broken = {row.build: row.broken for row in result.rows}
    assert broken == {
        "dn25": ("pressure too low",),
        "dn50": ("pressure rating too low",),
        "dn80": (),
    }
    text = " ".join(result.summary().split())
    assert "capacity by velocity" in [column.head for column in result.builds.columns]
    enters = "100 mbar(g) (1113.2 mbar absolute)"
    assert f"by pressure: entering from a at {enters} without booster" in text
    needed = "36.8 mbar(g) (1050 mbar absolute) needed by machine engine at b"
    assert f"{enters} of source well; {needed}" in text
    assert "kPa" not in text
    assert "lightest that keeps every limit: dn80" in text
    facts = json.loads(result.to_json())["builds"][2]
    assert facts["flow_by_pressure_kg_per_s"] > 8e-3
    assert facts["end_pressure_at_flow_pa"] > 105_000


LINES = """format: allocator.site/2
name: Lines
fluids: {h2: {phase: gas, heating_value: 120 MJ/kg, substance: Hydrogen}}
materials: {steel: {stock: 4 t}}
places: {cells: {at: [0 m, 0 m]}, fork: {at: [300 m, 0 m]}, tanks: {at: [300 m, 80 m]},
  house: {at: [450 m, 0 m]}}
sources: {cell: {place: cells, fluid: h2, flow: 2 g/s, pressure: 1.6 bar, temperature: 15 degC}}
storage:
  vessel: {holds: h2, places: [tanks], min_pressure: 2 bar, max_pressure: 8 bar,
    size: {max: 9 kg}}
pipes:
  dn20: {bore: 20.9 mm, pressure_rating: 16 bar, max_velocity: 60 m/s}
  slow: {bore: 20.9 mm, pressure_rating: 7 bar}
routes: {main: {between: [cells, fork]}, spur: {between: [fork, tanks]},
  tail: {between: [fork, house]}}
machines:
  gen: {inputs: {h2: 0.2 g/s}, outputs: {power: 8 kW}, places: {house: 6},
    min_inlet_pressure: 1.3 bar}
demands: {shop: {power: 40 kW}}
"""


@pytest.mark.parametrize("backwards", [False, True])
def test_the_pressure_is_that_of_what_gives_at_the_start_of_the_route(
    backwards: bool, tmp_path: Path
) -> None:
    """The source's 1.6 bar, not the vessel's 8; the vessel gives as at its emptiest."""
    path = tmp_path / "site.yaml"
    ends = ("[cells, fork]", "[fork, cells]") if backwards else ("", "")
    path.write_text(LINES.replace(*ends) if backwards else LINES)
    found = insulate(path, "main", flow=1.05e-3)
    for row in found.rows:
        one = row.pressure
        assert one is not None
        assert (one.start, one.given_by) == ("cells", "source cell")
        assert (one.enters, one.needed) == pytest.approx((1.6e5, 1.3e5))
        assert one.needed_by == "machine gen at house"
        assert one.end == pytest.approx(1.406e5, rel=0.002)
        assert row.broken == (("too fast",) if row.build == "slow" else ())
    for route, start, by in (("spur", "tanks", "vessel"), ("tail", "fork", "vessel at tanks")):
        for row in insulate(path, route, flow=1e-3).rows:
            one = row.pressure
            assert one is not None
            assert (one.start, one.given_by) == (start, f"store {by}")
            assert one.enters == pytest.approx(2e5)
            assert row.broken == (("pressure rating too low",) if row.build == "slow" else ())


def test_what_comes_from_elsewhere_is_less_by_its_rise(tmp_path: Path) -> None:
    """Water of 5 bar that has risen 20 m has 3.04 bar, and 10 m are still to come."""
    path = tmp_path / "site.yaml"
    path.write_text("""format: allocator.site/2
name: Rising
ambient: {temperature: 10 degC}
fluids: {water: {phase: liquid, substance: Water}}
places: {low: {at: [0 m, 0 m]}, middle: {at: [100 m, 0 m], elevation: 20 m},
  high: {at: [200 m, 0 m], elevation: 15 m}, top: {at: [300 m, 0 m], elevation: 30 m}}
sources: {well: {place: low, fluid: water, flow: 2 kg/s, pressure: 5 bar, temperature: 10 degC}}
pipes: {dn40: {bore: 41 mm}}
routes: {first: {between: [low, middle]}, then: {between: [high, middle]},
  last: {between: [high, top]}}
demands: {town: {fluid: water, place: top, flow: 1 kg/s, min_inlet_pressure: 1.5 bar}}
""")
    for row in insulate(path, "then", flow=0.5).rows:
        one = row.pressure
        assert one is not None
        assert (one.start, one.given_by) == ("middle", "source well at low")
        assert one.enters == pytest.approx(5e5 - 20 * 9.80665 * 999.7, rel=1e-4)
        assert one.needed == pytest.approx(1.5e5 + 15 * 9.80665 * 999.7, rel=1e-4)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("[[50 degC, 0.04], [400 degC, 0.1]]", "so cold"),
        ("[[0 degC, 0.04], [100 degC, 0.05]]", "so hot"),
        ("[[90 degC, 0.04], [100 degC, 0.05]]", "so hot or so cold"),
    ],
)
def test_a_conductivity_that_is_not_known_is_told_for_hot_and_cold(
    tmp_path: Path, table: str, words: str
) -> None:
    """Wool between gas of 380 degC and air of 15 degC; a table holds 25 K beyond its ends."""
    text = COOL.read_text(encoding="utf-8")
    path = tmp_path / "site.yaml"
    changed, number = re.subn(
        r"  wool:\n(    .*\n)+",
        f"  wool: {{stock: 12 t, density: 100 kg/m^3, conductivity: {table}}}\n",
        text,
    )
    assert number == 1
    path.write_text(changed, encoding="utf-8")
    rows = rows_of_route(read_site(path), "track")
    (thick,) = (row for row in rows if (row.build, row.inlet) == ("thick", 653.15))
    assert f"a conductivity not known {words}" in thick.broken


PATH = "path: {between: [furnace, works]"
BURIED = (PATH, f"{PATH}, burial_depth: 90 cm")


def test_ground_counts_dry_for_temperatures_and_wet_for_heat(tmp_path: Path) -> None:
    """A hot pipe dries its ground: ends and surfaces as in dry ground, heat as in wet ground."""
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    assert BURIED[0] in text
    file = tmp_path / "buried.yaml"

    def rows(ground: str) -> tuple[list[dict[str, object]], str]:
        air = "pressure: 101.3 kPa"
        file.write_text(text.replace(*BURIED).replace(air, air + ground), encoding="utf-8")
        found = insulate(file, "path", temperature=653.15)
        return found["builds"].records(), found.summary()

    heat = ("heat_loss_w", "heat_loss_per_length_w_per_m")
    kelvins = ("end_temperature_k", "surface_temperature_k")
    unknown, told = rows("")
    dry, told_dry = rows(", ground_conductivity: 0.5 W/(m*K)")
    wet, _ = rows(", ground_conductivity: 2 W/(m*K)")
    between, _ = rows(", ground_conductivity: {low: 0.5 W/(m*K), high: 2 W/(m*K)}")
    for one, low, high, ranged in zip(unknown, dry, wet, between, strict=True):
        assert [one[key] for key in kelvins] == [low[key] for key in kelvins]
        assert [one[key] for key in heat] == [high[key] for key in heat]
        assert {**ranged} == {**one}
        assert low["heat_loss_w"] < high["heat_loss_w"]  # type: ignore[operator]
    warmer, colder = (table[1]["end_temperature_k"] for table in (unknown, wet))
    assert warmer > colder + 0.1  # type: ignore[operator]
    assert "ground of 0.5 W/(m K) for temperatures, 2 W/(m K) for heat" in " ".join(told.split())
    assert "ground of 0.5 W/(m K)" in told_dry
    assert "for temperatures" not in told_dry


def test_a_buried_pipe_by_hand(tmp_path: Path) -> None:
    """Bare steel in ground of 0.5 W/(m K): acosh(2 z / D) / (2 pi k), z with 0.0685 k more."""
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8").replace(*BURIED)
    file = tmp_path / "buried.yaml"
    file.write_text(text, encoding="utf-8")
    rows = insulate(file, "path", temperature=653.15)["builds"].records()
    (bare,) = [row for row in rows if row["build"] == "bare"]
    size = 0.0627 + 2 * 0.00516
    wall = math.log(size / 0.0627) / (2 * math.pi * 45)
    wet = wall + math.acosh(1.8 / size) / (2 * math.pi * 2.0)
    assert bare["heat_loss_per_length_w_per_m"] == pytest.approx(370 / wet, rel=1e-6)
    ground = math.acosh((1.8 + 0.0685) / size) / (2 * math.pi * 0.5)
    share = ground / (ground + wall)
    assert bare["surface_temperature_k"] == pytest.approx(283.15 + 370 * share, abs=1e-4)


def test_a_range_of_ground_is_one_value_where_it_is_set(tmp_path: Path) -> None:
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8").replace(*BURIED)
    ground = "pressure: 101.3 kPa, ground_conductivity: {low: 0.5 W/(m*K), high: 2 W/(m*K)}"
    file = tmp_path / "buried.yaml"
    file.write_text(text.replace("pressure: 101.3 kPa", ground), encoding="utf-8")
    site = read_site(file)
    assert ground_of(site) == (0.5, 2.0)
    fact = facts_of(site)["ambient.ground_conductivity"]
    assert ground_of(fact.change(site, 0.8)) == (0.8, 0.8)
