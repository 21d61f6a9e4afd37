"""Sites written as site files: what is read back is equal, to the last digit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.base.quantities import exact_text, parse_quantity
from allocator.network.reading import check_site, read_site
from allocator.site.records import Profile, Site
from allocator.site.writing import series_texts, site_text


def _read_back(site: Site, folder: Path) -> Site:
    path = folder / "written.yaml"
    path.write_text(site_text(site), encoding="utf-8")
    for name, text in series_texts(site).items():
        (folder / name).write_text(text, encoding="utf-8")
    return replace(read_site(path), sha256=site.sha256)


@pytest.mark.parametrize("name", ["kitchen_sink.yaml", "hot_sink.yaml", "measured.yaml"])
def test_every_key_is_written(name: str, kitchen_sink: Path, tmp_path: Path) -> None:
    """The files together hold every key there is."""
    site = read_site(kitchen_sink.with_name(name))
    assert _read_back(site, tmp_path) == site


def test_what_is_written_has_units(kitchen_sink: Path, tmp_path: Path) -> None:
    site = read_site(kitchen_sink)
    text = site_text(site)
    for line in (
        "limits: {emission: 300 t/a, money: 2000000, excluded_places: [old pond]}",
        "    flow: 3.2 g/s",
        "    cycle: [{on: 310 s, every: 470 s}, {on: 80 d, every: 160 d}]",
        "    delivery: {every: 14 d, batch: 2 t}",
        "    outputs: {bio_co2: {low: 20 g/s, likely: 21 g/s, high: 24 g/s}, power: 70 kW, "
        "heat: 90 kW}",
        "  hall: {power: {csv: hall.csv}, place: yard, priority: 2}",
    ):
        assert f"\n{line}\n" in text
    assert series_texts(site) == {
        "hall.csv": "time_s,power_w\n0.0,2000.0\n21600.0,8000.0\n64800.0,4000.0\n"
    }
    _read_back(site, tmp_path)
    assert check_site(tmp_path / "written.yaml").unitless == ()


def test_names_and_text_of_any_kind_are_written(kitchen_sink: Path, tmp_path: Path) -> None:
    site = read_site(kitchen_sink)
    odd = ["no", "1e3", "null", "-", "a, b", "Föhn \U0001f30a", 'say "x"', "on {it}", "# none"]
    places = {name: replace(site.places["yard"], name=name) for name in odd}
    site = replace(site, about="two\nlines: 'a' \\ b # c  d ", places={**site.places, **places})
    assert _read_back(site, tmp_path) == site


def test_a_series_lasts_as_long_as_its_profile(kitchen_sink: Path, tmp_path: Path) -> None:
    """A last level that lasts longer than the one before it is cut in two equal ones."""
    site = read_site(kitchen_sink)
    profile = Profile(100.0, (0.0, 10.0, 30.0), (0.5, 2.0, 0.55 / 0.7))
    hall = replace(site.demands["hall"], mean=1000.0, profile=profile)
    back = _read_back(replace(site, demands={"hall": hall}), tmp_path).demands["hall"]
    assert back.profile is not None
    assert back.mean == pytest.approx(1000.0, rel=1e-12)
    assert (back.profile.period, back.profile.starts) == (100.0, (0.0, 10.0, 30.0, 65.0))
    assert back.profile.levels == pytest.approx((*profile.levels, 0.55 / 0.7), rel=1e-12)


def test_units_for_some_places_alone_cannot_be_written(kitchen_sink: Path) -> None:
    site = read_site(kitchen_sink)
    engine = replace(site.machines["gas_engine"], places={"works": 6, "yard": None})
    with pytest.raises(ValueError, match="no site file can limit"):
        site_text(replace(site, machines={"gas_engine": engine}))


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (0.0032, "mass_rate", "3.2 g/s"),
        (31_557_600.0, "duration", "1 a"),
        (288.15, "temperature", "15 degC"),
        (101_325.0, "pressure", "101325 Pa"),
        (0.001 / 86_400, "share_rate", "0.1 %/d"),
        (300 / 3.6e6, "money_per_energy", "300 /kWh"),
        (0.3, "number", "0.3"),
        (129.999999, "mass", "129.999999 kg"),
        (8973.21428, "mass", "8.97321428 t"),
        (900.0, "money", "900"),
        (0.0, "mass", "0"),
    ],
)
def test_exact_texts_are_short(value: float, dimension: str, text: str) -> None:
    assert exact_text(value, dimension) == text
    assert parse_quantity(text if " " in text else float(text), dimension) == value


def test_exact_texts_lose_no_digit() -> None:
    for number in range(1, 200):
        for dimension in ("mass_rate", "temperature", "energy", "share", "mass_per_energy"):
            value = number / (7.0 if dimension == "energy" else 7.0e3)
            assert parse_quantity(exact_text(value, dimension), dimension) == value
