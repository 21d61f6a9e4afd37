"""``allocator enclosure``, and the limits and losses of a plan that follow from walls."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

import allocator as al
from allocator.cli.entry import main
from allocator.site.writing import site_text

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
Said = pytest.CaptureFixture[str]
WALLS = """
enclosures:
  hall:
    inside_temperature: 60 degC
    max_heat_loss: 1 kW
    areas:
      - {name: sides, area: 40 m^2, layers: [{material: wool, thickness: [40 mm, 200 mm]}]}
      - {name: door, area: 2 m^2, resistance: 0.5 m^2*K/W}
      - {name: inner wall, area: 9 m^2, passes_heat: false}
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A furnace in a hall."""
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    text = text.replace("works: {at: [40 m, 0 m]}", "works: {at: [40 m, 0 m], enclosure: hall}")
    file = tmp_path / "hall.yaml"
    file.write_text(text + WALLS, encoding="utf-8")
    return file


def test_the_lightest_walls_that_keep_the_limit(site: Path, tmp_path: Path, capsys: Said) -> None:
    file = tmp_path / "areas.csv"
    assert main(["enclosure", str(site), "-o", str(file)]) == 0
    out = capsys.readouterr().out
    assert "ventilation" in out
    assert "Local codes" in out
    assert "heat limit of place works: " in out
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    assert [row["name"] for row in rows] == ["sides", "door", "inner wall"]
    assert main(["enclosure", str(site), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    (room,) = data["rooms"]
    assert data["format"] == "allocator.enclosure/1"
    assert data["layers"][0]["thickness_m"] == 0.2
    assert room["mass_kg"] == pytest.approx(40 * 0.2 * 100)
    assert room["heat_loss_w"] == pytest.approx(sum(a["heat_loss_w"] for a in data["areas"]))
    assert room["conductance_w_per_k"] == pytest.approx(room["heat_loss_w"] / 50)
    assert data["areas"][1]["heat_loss_w"] == pytest.approx(200.0)
    # what the walls let out is what may be released in the hall
    assert al.read_site(site).places["works"].heat_limit == pytest.approx(room["heat_loss_w"])


def test_a_limit_that_no_thickness_keeps(site: Path) -> None:
    text = site.read_text(encoding="utf-8").replace("max_heat_loss: 1 kW", "max_heat_loss: 300 W")
    site.write_text(text, encoding="utf-8")
    (row,) = al.enclosure(site, "hall")["rooms"].records()
    assert row["broken"] == "lets too much heat out"
    assert "lets too much heat out" in " ".join(al.enclosure(site).summary().split())


def test_check_tells_of_a_limit_that_no_thickness_keeps(site: Path) -> None:
    def told() -> list[str]:
        return [str(w) for w in al.check_site(site).warnings if "enclosure 'hall'" in str(w)]

    assert not told()
    text = site.read_text(encoding="utf-8").replace("max_heat_loss: 1 kW", "max_heat_loss: 300 W")
    site.write_text(text, encoding="utf-8")
    (warning,) = told()
    (row,) = al.enclosure(site, "hall")["rooms"].records()
    least = al.format_quantity(row["heat_loss_w"], "power")
    assert f"is 300 W, and the walls that are offered let out at least {least}" in warning


def test_a_casing_gives_the_loss_of_a_heat_sink(site: Path) -> None:
    sink = (
        "heat_sinks:\n  block: {source: furnace, mass: 1 t, specific_heat: 800 J/(kg*K), "
        "enclosure: hall, max_temperature: 90 degC}\n"
    )
    site.write_text(site.read_text(encoding="utf-8") + sink, encoding="utf-8")
    read = al.read_site(site)
    found = al.enclosure(read)
    assert read.heat_sinks["block"].loss_conductance == found["rooms"].column("conductance")[0]
    assert "loss of heat sink block: " in found.summary()


def test_a_heat_sink_needs_a_loss_or_a_casing(site: Path, capsys: Said) -> None:
    sink = (
        "heat_sinks:\n  block: {source: furnace, mass: 1 t, specific_heat: 800 J/(kg*K), "
        "max_temperature: 90 degC}\n"
    )
    site.write_text(site.read_text(encoding="utf-8") + sink, encoding="utf-8")
    assert main(["check", str(site)]) == 2
    assert "needs the key 'loss_conductance'" in capsys.readouterr().err


def test_a_heat_limit_of_its_own_holds(site: Path) -> None:
    text = site.read_text(encoding="utf-8").replace(", enclosure", ", heat_limit: 7 W, enclosure")
    site.write_text(text, encoding="utf-8")
    assert al.read_site(site).places["works"].heat_limit == 7.0


def test_a_place_built_in_python_needs_its_limit(site: Path) -> None:
    read = al.read_site(site)
    places = {**read.places, "works": replace(read.places["works"], heat_limit=None)}
    with pytest.raises(al.AllocatorError, match="needs heat_limit beside its enclosure"):
        al.plan(replace(read, places=places), node_limit=1)


@pytest.mark.parametrize(
    ("area", "said"),
    [
        (al.WallArea("a", 2.0), "needs either 'layers' or 'resistance'"),
        (al.WallArea("a", -2.0, resistance=1.0), "must be above 0"),
        (al.WallArea("a", 2.0, layers=(al.WallLayer("wool"),)), "layer 1 of 'a'"),
        (al.WallArea("a", 2.0, layers=(al.WallLayer("tin", (0.1,)),)), "unknown material 'tin'"),
        (al.WallArea("a", 2.0, layers=(al.WallLayer("fins", (0.1,)),)), "conductivity is not"),
    ],
)
def test_faults_of_rooms_built_in_python(area: al.WallArea, said: str, site: Path) -> None:
    hall = al.Enclosure("hall", 333.15, (area,))
    with pytest.raises(al.SiteFileError, match=said):
        al.enclosure(replace(al.read_site(site), enclosures={"hall": hall}))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("resistance: 0.5 m^2*K/W", "part: wall", "has neither 'layers' nor 'resistance'"),
        ("name: door", "name: sides", "'sides' is the name of another area"),
        ("material: wool, thickness: [40", "material: fins, thickness: [40", "density of 'fins'"),
        ("wool, thickness: [40 mm, 200 mm]", "fins, thickness: 4 mm", "conductivity is not given"),
        ("thickness: [40 mm, 200 mm]", "resistance: 2 m^2*K/W", "keys of more than one of"),
        ("inside_temperature: 60 degC", "inside_temperature: 5 degC", "lets no heat out"),
        ("area: 2 m^2", "area: 0 m^2", "above 0"),
        ("enclosure: hall", "enclosure: hull", "hall"),
    ],
)
def test_faults(old: str, new: str, said: str, site: Path, capsys: Said) -> None:
    text = site.read_text(encoding="utf-8")
    assert old in text
    site.write_text(text.replace(old, new), encoding="utf-8")
    assert main(["enclosure", str(site)]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.startswith(f"{site}:")


def test_no_enclosures(capsys: Said, site: Path) -> None:
    assert main(["enclosure", str(NETWORKS / "near_furnace.yaml")]) == 2
    assert "lists no enclosures" in capsys.readouterr().err
    assert main(["enclosure", str(site), "--name", "shed"]) == 2
    assert "no enclosure 'shed'; it has hall" in capsys.readouterr().err


VESSEL = """
enclosures:
  vessel:
    inside_temperature: 200 degC
    max_heat_loss: 300 W
    areas:
      - {name: side, area: 1 m^2, layers: [{material: gap, thickness: 10 mm}]}
"""


def test_a_vacuum_of_unknown_emissivity_is_dull_for_the_heat_limit(site: Path) -> None:
    """Dull for what may be let out at the most, bright for what is let out at the least."""
    text = site.read_text(encoding="utf-8").replace(WALLS, VESSEL).replace("hall}", "vessel}")

    def heat(gap: str) -> float:
        given = text.replace("  fins: {", f"  gap: {{vacuum: true{gap}}}\n  fins: {{")
        site.write_text(given, encoding="utf-8")
        (room,) = al.enclosure(site)["rooms"].records()
        broken = "none" if room["heat_loss_w"] <= 300.0 else "lets too much heat out"
        assert room["broken"] == broken
        return float(room["heat_loss_w"])

    bright, dull = heat(", emissivity: 30 %"), heat(", emissivity: 95 %")
    assert bright < 300.0 < dull
    assert heat("") == pytest.approx(dull)
    assert al.read_site(site).places["works"].heat_limit == pytest.approx(bright)


CASING = """
enclosures:
  pit:
    inside_temperature: 14 degC
    areas:
      - {name: walls, area: 10 m^2, resistance: 1 m^2*K/W}
      - {name: floor, area: 4 m^2, part: floor, resistance: 0.5 m^2*K/W, outside_temperature: 4 degC}
heat_sinks:
  block: {source: furnace, mass: 1 t, specific_heat: 800 J/(kg*K), enclosure: pit, max_temperature: 900 degC}
"""  # noqa: E501


def test_a_casing_on_colder_ground_by_hand(tmp_path: Path) -> None:
    """10 W/K to air of 10 degC and 8 W/K to ground of 4 degC: 18 W/K to 132/18 degC."""
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    file = tmp_path / "pit.yaml"
    file.write_text(text + CASING, encoding="utf-8")
    site = al.read_site(file)
    assert al.enclosure(site)["rooms"].column("conductance")[0] == pytest.approx(18.0)
    (row,) = json.loads(al.heat_sinks(site).to_json())["baths"]
    state = row["states"][0]
    hottest = state["peak_k"]
    lost = 10 * (hottest - 283.15) + 8 * (hottest - 277.15)
    assert state["heat_lost_w"] == pytest.approx(lost, rel=1e-6)
    file.write_text(site_text(site), encoding="utf-8")
    assert al.read_site(file).heat_sinks["block"] == site.heat_sinks["block"]
