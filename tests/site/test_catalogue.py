"""The catalogue: its values against other tables, and what a site takes from it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from CoolProp.CoolProp import PropsSI

from allocator.base.quantities import parse_quantity
from allocator.network.reading import check_site, read_site
from allocator.report.catalogue import fluid_table, pipe_table, steel_mass, value_table
from allocator.site.catalogue import FLUIDS, PIPES
from allocator.site.document import read_document
from allocator.site.nodes import plain_data
from allocator.site.schema import site_schema
from allocator.site.writing import site_text

# Standard enthalpies of formation at 25 degC in kJ/mol and formula (C, H, O, N), NIST Chemistry
# WebBook, from memory; the liquid of methanol and ethanol.
FORMED = {
    "methane": (-74.6, "Methane", 1, 4, 0, 0),
    "hydrogen": (0.0, "Hydrogen", 0, 2, 0, 0),
    "propane": (-104.7, "Propane", 3, 8, 0, 0),
    "butane": (-125.6, "n-Butane", 4, 10, 0, 0),
    "carbon monoxide": (-110.53, "CarbonMonoxide", 1, 0, 1, 0),
    "ammonia": (-45.9, "Ammonia", 0, 3, 0, 1),
    "methanol": (-238.6, "Methanol", 1, 4, 1, 0),
    "ethanol": (-277.0, "Ethanol", 2, 6, 1, 0),
}
CO2, STEAM = -393.51, -241.83
PARTS = {
    "natural gas": {
        "Methane": 0.93, "Ethane": 0.04, "Propane": 0.01, "Nitrogen": 0.01, "CarbonDioxide": 0.01
    },
    "landfill gas": {"Methane": 0.5, "CarbonDioxide": 0.5},
    "biogas": {"Methane": 0.6, "CarbonDioxide": 0.4},
}  # fmt: skip
# Net heats of combustion in kJ/mol and atoms of carbon, ISO 6976:2016, from memory.
BURNT = {"Methane": (802.55, 1), "Ethane": (1428.65, 2), "Propane": (2043.12, 3)}


def _value(fluid: str, key: str, dimension: str) -> float:
    text = next(value.text for value in FLUIDS[fluid].values if value.key == key)
    return parse_quantity(text, dimension)


@pytest.mark.parametrize("name", FORMED)
def test_heating_values_follow_from_enthalpies_of_formation(name: str) -> None:
    formed, library, carbon, hydrogen, _, _ = FORMED[name]
    mole = PropsSI("M", library)
    heat = 1e3 * (formed - carbon * CO2 - hydrogen / 2 * STEAM) / mole
    assert _value(name, "heating_value", "energy_per_mass") == pytest.approx(heat, rel=3e-3)
    assert FLUIDS[name].co2 == pytest.approx(carbon * 0.0440095 / mole, rel=1e-3)


def _wilke(parts: dict[str, float], of_pure: dict[str, float]) -> float:
    """A property of a mixture of gases (Wilke, J. Chem. Phys. 18 (1950) 517)."""
    viscosity = {n: PropsSI("V", "T", 288.15, "P", 101325.0, n) for n in parts}
    mole = {n: PropsSI("M", n) for n in parts}
    total = 0.0
    for one, share in parts.items():
        weights = (
            y
            * (1 + math.sqrt(viscosity[one] / viscosity[n]) * (mole[n] / mole[one]) ** 0.25) ** 2
            / math.sqrt(8 * (1 + mole[one] / mole[n]))
            for n, y in parts.items()
        )
        total += share * of_pure[one] / sum(weights)
    return total


@pytest.mark.parametrize("name", PARTS)
def test_mixtures_follow_from_their_composition(name: str) -> None:
    parts = PARTS[name]

    def pure(letter: str) -> dict[str, float]:
        return {n: PropsSI(letter, "T", 288.15, "P", 101325.0, n) for n in parts}

    mole = sum(x * PropsSI("M", n) for n, x in parts.items())
    heat = sum(x * 1e3 * BURNT.get(n, (0.0, 0))[0] for n, x in parts.items()) / mole
    carbon = sum(x * BURNT.get(n, (0.0, 1 if "Carbon" in n else 0))[1] for n, x in parts.items())
    methane = parts["Methane"] * PropsSI("M", "Methane") / mole
    weight = 29.8 if name == "natural gas" else 27.0  # IPCC AR6 WG1 table 7.15
    for key, dimension, expected in (
        ("heating_value", "energy_per_mass", heat),
        ("constants.molar_mass", "molar_mass", mole),
        ("constants.viscosity", "viscosity", _wilke(parts, pure("V"))),
        ("constants.conductivity", "conductivity", _wilke(parts, pure("L"))),
        (
            "constants.specific_heat",
            "specific_heat",
            sum(x * pure("CPMOLAR")[n] for n, x in parts.items()) / mole,
        ),
        ("vented_weight", "number", methane * weight),
    ):
        assert _value(name, key, dimension) == pytest.approx(expected, rel=2e-3), key
    assert FLUIDS[name].co2 == pytest.approx(carbon * 0.0440095 / mole, rel=1e-3)


def test_diesel_is_that_of_the_ipcc() -> None:
    # IPCC 2006 Guidelines, volume 2, tables 1.2 and 1.4: 43.0 TJ/Gg and 74,100 kg/TJ, from memory
    assert FLUIDS["diesel"].co2 == pytest.approx(43.0 * 0.0741, rel=1e-3)


def test_diesel_is_as_thick_as_it_may_be_at_zero() -> None:
    """ASTM D341: lg lg(nu + 0.7) is straight in lg T, nu in mm2/s; EN 590 allows 4.5 at 40 degC."""

    def height(viscosity: float) -> float:
        return math.log10(math.log10(viscosity + 0.7))

    falls = (height(2.7) - height(1.1)) / math.log10(373.15 / 313.15)
    thick = height(4.5) + falls * math.log10(313.15 / 273.15)
    most = (10 ** (10**thick) - 0.7) * 1e-6 * 845.0  # the densest that EN 590 allows
    assert _value("diesel", "constants.viscosity", "viscosity") == pytest.approx(most, rel=0.02)


COLD = """
format: allocator.site/2
name: Cold diesel
ambient: {temperature: AROUND}
fluids: {fuel: {catalogue: dieselGIVEN}, co2: {catalogue: fossil CO2}}
places: {depot: {at: [0 m, 0 m]}, shed: {at: [400 m, 0 m]}}
sources: {depot: {place: depot, fluid: fuel, flow: 6 g/s, pressure: 1.8 bar}}
pipes: {dn10: {bore: 12.6 mm}}
routes: {line: {between: [depot, shed]}}
machines:
  set: {inputs: {fuel: 2 g/s}, outputs: {power: 30 kW, co2: 6.4 g/s}, places: {shed: 3}}
demands: {town: {power: 90 kW}}
"""


@pytest.mark.parametrize(
    ("around", "given", "told"),
    [
        ("-20 degC", "", True),
        ("1 degC", "", False),
        ("-20 degC", ", constants: {viscosity: 4e-2 Pa*s}", False),
    ],
)
def test_a_site_colder_than_a_value_of_the_catalogue_is_told(
    tmp_path: Path, around: str, given: str, told: bool
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(COLD.replace("AROUND", around).replace("GIVEN", given), encoding="utf-8")
    report = check_site(path)
    assert not report.faults
    words = [str(warning) for warning in report.warnings if "viscosity" in str(warning)]
    assert bool(words) == told
    assert all("fluid 'fuel': gives a viscosity that holds down to 0 degC" in w for w in words)
    assert all("may be as cold as -20 degC" in word for word in words)


# Masses in kg/m that the standards list for plain ends, from memory: a second witness of the walls.
MASSES = {
    "NPS 1/2 SCH 40": 1.27, "NPS 3/4 SCH 40": 1.69, "NPS 1 SCH 40": 2.50, "NPS 1 1/4 SCH 40": 3.39,
    "NPS 1 1/2 SCH 40": 4.05, "NPS 2 SCH 40": 5.44, "NPS 2 1/2 SCH 40": 8.63, "NPS 3 SCH 40": 11.29,
    "NPS 3 1/2 SCH 40": 13.57, "NPS 4 SCH 40": 16.07, "NPS 5 SCH 40": 21.77, "NPS 6 SCH 40": 28.26,
    "NPS 8 SCH 40": 42.55, "NPS 10 SCH 40": 60.31, "NPS 12 SCH 40": 79.73, "NPS 1/2 SCH 80": 1.62,
    "NPS 3/4 SCH 80": 2.20, "NPS 1 SCH 80": 3.24, "NPS 1 1/4 SCH 80": 4.47, "NPS 2 SCH 80": 7.48,
    "NPS 2 1/2 SCH 80": 11.41, "NPS 3 SCH 80": 15.27, "NPS 4 SCH 80": 22.32, "NPS 5 SCH 80": 30.97,
    "NPS 6 SCH 80": 42.56, "NPS 8 SCH 80": 64.64, "NPS 12 SCH 80": 132.08,
    "DN 15 medium": 1.21, "DN 20 medium": 1.56, "DN 25 medium": 2.41, "DN 32 medium": 3.10,
    "DN 40 medium": 3.56, "DN 50 medium": 5.03, "DN 65 medium": 6.42, "DN 80 medium": 8.36,
    "DN 100 medium": 12.2, "DN 125 medium": 16.6, "DN 150 medium": 19.8, "DN 15 heavy": 1.44,
    "DN 20 heavy": 1.87, "DN 25 heavy": 2.93, "DN 32 heavy": 3.79, "DN 40 heavy": 4.37,
    "DN 50 heavy": 6.19, "DN 65 heavy": 7.93, "DN 80 heavy": 10.3, "DN 100 heavy": 14.5,
    "DN 125 heavy": 17.9, "DN 150 heavy": 21.3,
}  # fmt: skip


def test_walls_give_the_masses_of_the_standards() -> None:
    for name, mass in MASSES.items():
        pipe = PIPES[name]
        assert steel_mass(pipe.bore, pipe.wall) == pytest.approx(mass, rel=1e-2), name


SITE = """\
format: allocator.site/2
fluids:
  gas: {catalogue: landfill gas, constants: {viscosity: 1.4e-5 Pa*s}}
  fuel: {catalogue: methane, heating_value: 49 MJ/kg}
materials: {steel: {density: 7850 kg/m^3}}
places: {well: {at: [0, 0]}, works: {at: [400 m, 0]}}
kinds: {pipes: {steel pipe: {layers: [{material: steel}], price: 9 /m}}}
sources:
  a: {place: well, fluid: gas, flow: 2 g/s, pressure: 1.2 bar}
  b: {place: well, fluid: fuel, flow: 2 g/s}
pipes:
  one: {kind: steel pipe, catalogue: DN 25 medium}
  two: {kind: steel pipe, catalogue: NPS 2 SCH 40}
  own: {catalogue: DN 25 medium, bore: 20 mm, layers: [{material: steel, mass: 3 kg/m}]}
routes: {track: {between: [well, works], pipes: [one, two, own]}}
machines:
  engine: {inputs: {gas: 2 g/s, fuel: 1 g/s}, outputs: {power: 15 kW}, places: {works: 3}}
demands: {town: {power: 40 kW}}
"""


def test_a_site_takes_what_it_does_not_say(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE, encoding="utf-8")
    jsonschema.Draft202012Validator(site_schema()).validate(
        plain_data(read_document(path.read_bytes()))
    )
    site = read_site(path)
    assert site.fluids["gas"].heating_value == 13.36e6
    assert site.fluids["gas"].constants["viscosity"] == 1.4e-5
    assert site.fluids["gas"].constants["molar_mass"] == pytest.approx(0.030026)
    assert (site.fluids["fuel"].heating_value, site.fluids["fuel"].substance) == (49e6, "Methane")
    one, two, own = (site.pipes[name] for name in ("one", "two", "own"))
    assert (one.bore, one.layers[0].thickness) == (0.0273, 0.0032)
    assert one.layers[0].mass == pytest.approx(2.41, rel=2e-3)
    assert (two.bore, two.layers[0].thickness) == (0.05248, 0.00391)
    assert (own.bore, own.layers[0].mass, own.layers[0].thickness) == (0.02, 3.0, None)
    assert site.catalogued["pipes.one.bore"].source == "EN 10255, from memory"
    assert "pipes.own.bore" not in site.catalogued
    assert "fluids.gas.constants.viscosity" not in site.catalogued
    assert "fluids.fuel.heating_value" not in site.catalogued
    written = tmp_path / "written.yaml"
    written.write_text(site_text(site), encoding="utf-8")
    again = read_site(written)
    assert replace(again, sha256=site.sha256, name=site.name) == site
    assert again.catalogued == {}


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("landfill gas,", "landfil gas,", "3:20: fluid 'gas': catalogue 'landfil gas' is not in "
         "the catalogue; did you mean 'landfill gas'?"),
        ("catalogue: NPS 2 SCH 40", "catalogue: tube", "13:38: pipe 'two': catalogue 'tube' is not "
         "in the catalogue; 'allocator catalogue pipes' lists the names"),
        ("catalogue: methane", "catalogue: [methane]", "4:21: fluid 'fuel': catalogue expects a "
         "name of the catalogue, got a list"),
    ],
)  # fmt: skip
def test_faults_of_names(old: str, new: str, fault: str, tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(SITE.replace(old, new), encoding="utf-8")
    assert [str(f)[len(str(path)) + 1 :] for f in check_site(path).faults] == [fault]


def test_the_tables_list_everything() -> None:
    assert fluid_table().column("fluid") == tuple(FLUIDS)
    assert pipe_table().column("pipe") == tuple(PIPES)
    assert all(source for source in value_table().column("source"))
