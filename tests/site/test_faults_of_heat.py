"""Faults of temperature and of capacity by bore: one clear message each, at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import check_site

SINK = Path(__file__).parent / "hot_sink.yaml"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        pytest.param(
            "set_point: 50 degC",
            "set_point: «400 degC",
            "cooler 'fin_fan': has a set-point of 400 degC, and no source of 'hydrogen' is hotter "
            "than 380 degC; lower the set-point or leave the cooler out",
            id="set-point above the inlet",
        ),
        pytest.param(
            "set_point: 50 degC",
            "set_point: «15 degC",
            "cooler 'fin_fan': set_point is not above its coolant, and nothing cools below that; "
            "raise the set-point or use colder coolant",
            id="set-point at the coolant",
        ),
        pytest.param(
            "    temperature: 380 degC\n",
            "",
            "cooler 'fin_fan': cools 'hydrogen', no source of which has a temperature",
            id="a source without temperature",
        ),
        pytest.param(
            "380 degC",
            "2000 degC",
            "fluid 'hydrogen': has no data at 2000 degC",
            id="a temperature beyond the data",
        ),
        pytest.param(
            "temperature: 380 degC", "temperature: «-300 degC", "must be above 0", id="impossible"
        ),
        pytest.param(
            "temperature: 380 degC",
            "temperature: «9000 degC",
            "temperature must be at most 3273.15 K (got 9000 degC)",
            id="hotter than any pipe",
        ),
        pytest.param(
            "{substance: Hydrogen,",
            "{substance: Hydrogn,",
            "the property library does not know 'Hydrogn'",
            id="unknown substance",
        ),
        pytest.param(
            "[50 degC, 0.037 W/(m*K)]",
            "«[5 degC, 0.037 W/(m*K)]",
            "is not hotter than the pair before; list them cold to hot",
            id="conductivities out of order",
        ),
        pytest.param(
            "gap: {vacuum: true,",
            "gap: {vacuum: true, conductivity: «1 W/(m*K),",
            "conductivity is given for a vacuum",
            id="vacuum that conducts",
        ),
        pytest.param(
            "    rate: 3 g/s\n    duty: 20 kW\n    conductance: 200 W/K\n",
            "",
            "has no size: 'rate', 'duty' or 'conductance'",
            id="cooler of no size",
        ),
        pytest.param(
            "recovery: {efficiency: 8 %,",
            "recovery: «{efficiency: 40 %,",
            # 1 - 288.15 ln(423.15/323.15)/100
            "recovers 40 % of the heat of gas that it cools from 150 degC to 50 degC, where no "
            "engine passes 22.3 % against 15 degC; give a lower efficiency or a higher threshold",
            id="recovery beyond the second law",
        ),
        pytest.param(
            "units: 2",
            "units: «4",
            "site: built.coolers[1].units is above the maximum number there (4 > 3); raise the "
            "number under 'places' of the cooler",
            id="more coolers than there may be",
        ),
        pytest.param(
            "place: kiln_hall, units",
            "place: «works, units",
            "site: built.coolers[1].place is 'works', which 'fin_fan' does not list; add 'works' "
            "to the 'places' of the cooler",
            id="cooler where none may be",
        ),
        pytest.param(
            "source: north}",
            "source: «flue}",
            "site: built.coolers[1].source is 'flue', which gives no 'hydrogen' at 'kiln_hall'",
            id="cooler of another gas",
        ),
        pytest.param(
            "source: north}",
            "source: north, temperature: «300 degC}",
            "site: built.coolers[1].temperature is given beside 'source', the temperature of which "
            "is known; leave it out",
            id="cooler of two temperatures",
        ),
        pytest.param(
            "source: north}",
            "source: north}, {cooler: «fin_fan, place: kiln_hall, source: north}",
            "site: built.coolers[2].cooler has 'fin_fan' twice for one stream; add up its 'units'",
            id="cooler twice",
        ),
        pytest.param(
            "town: {power: 40 kW}",
            "town: {power: 40 kW, max_inlet_temperature: «60 degC}",
            "max_inlet_temperature is given for power",
            id="hot power",
        ),
    ],
)
def test_one_fault(old: str, new: str, message: str, tmp_path: Path) -> None:
    text = SINK.read_text(encoding="utf-8")
    assert text.count(old) == 1
    text = text.replace(old, new)
    mark = None
    if "«" in text:
        at = text.index("«")
        text = text[:at] + text[at + 1 :]
        mark = (text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at))
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    report = check_site(path)
    assert report.site is None
    texts = [str(fault) for fault in report.faults]
    assert any(message in text for text in texts), texts
    assert len(texts) == 1, texts
    assert all(fault.line > 0 for fault in report.faults)
    if mark is not None:
        assert (report.faults[0].line, report.faults[0].column) == mark
