"""Heat of a cooler is no hotter than its own coolant gets."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import check_site

KEPT_WARM = """
format: allocator.site/2
name: Greenhouse
ambient: {temperature: 8 degC}
fluids:
  gas: {heating_value: 9 MJ/kg, constants: {specific_heat: 1200 J/(kg*K)}}
  co2: {emission: biogenic}
materials: {steel: {stock: 8 t}}
places:
  retort: {at: [0, 0]}
  greenhouse: {at: [10 m, 30 m], heat_demand: {power: 1 kW, min_temperature: 26 degC}}
sources: {steady: {place: retort, fluid: gas, flow: 18 g/s, temperature: 350 degC}}
pipes: {tube: {capacity: 60 g/s, layers: [{material: steel, mass: 16 kg/m}]}}
routes: {walk: {between: [retort, greenhouse]}}
coolers:
  fan: {fluid: gas, set_point: 60 degC, places: [retort], rejects_at: greenhouse, KEYS}
machines:
  engine: {inputs: {gas: 9 g/s}, outputs: {power: 20 kW, co2: 9 g/s}, places: [greenhouse]}
demands: {town: {power: 30 kW}}
"""


def faults(path: Path, keys: str) -> list[str]:
    path = path / "site.yaml"
    path.write_text(KEPT_WARM.replace("KEYS", keys), encoding="utf-8")
    return [str(fault) for fault in check_site(path).faults]


@pytest.mark.parametrize(
    ("keys", "most"),
    [
        ("coolant: {temperature: 25 degC}, conductance: 30 W/K", "25 degC"),
        ("coolant: {temperature: 25 degC}, duty: 90 kW", "25 degC"),
        ("coolant: {temperature: 25 degC, capacity: 200 W/K}, duty: 4 kW", "45 degC"),
        # 15 g/s * 1200 J/(kg K) * 290 K = 5.22 kW
        ("coolant: {temperature: 25 degC, capacity: 200 W/K}, rate: 15 g/s", "51.1 degC"),
        (
            "coolant: {temperature: 25 degC, capacity: 9 W/K}, duty: 4 kW, arrangement: condenser",
            "25 degC",
        ),
    ],
)
def test_heat_above_what_its_coolant_reaches_is_a_fault(
    tmp_path: Path, keys: str, most: str
) -> None:
    (fault,) = faults(tmp_path, f"heat_temperature: 52 degC, {keys}")
    assert "cooler 'fan': gives heat at 52 degC, and its coolant, which comes at 25 degC" in fault
    assert f"leaves at no more than {most}" in fault


@pytest.mark.parametrize(
    "keys",
    [
        "coolant: {temperature: 25 degC, capacity: 145 W/K}, duty: 4 kW",
        "coolant: {temperature: 25 degC, capacity: 45 W/K}, conductance: 30 W/K",
        "duty: 4 kW",
    ],
)
def test_heat_that_it_reaches_is_none(tmp_path: Path, keys: str) -> None:
    assert not faults(tmp_path, f"heat_temperature: 52 degC, {keys}")


def test_parallel_coolant_gets_no_hotter_than_the_set_point(tmp_path: Path) -> None:
    keys = "coolant: {temperature: 25 degC, capacity: 9 W/K}, duty: 4 kW, arrangement: parallel"
    assert not faults(tmp_path, f"heat_temperature: 59 degC, {keys}")
    (fault,) = faults(tmp_path, f"heat_temperature: 61 degC, {keys}")
    assert "leaves at no more than 60 degC" in fault
