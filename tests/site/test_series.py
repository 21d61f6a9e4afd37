"""Demands by a series in a CSV file: what is read, and faults with the CSV file's own lines."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from allocator.network.reading import check_site, read_site

SITE = """\
format: allocator.site/2
fluids: {gas: {heating_value: 20 MJ/kg}}
places: {here: {at: [0, 0]}}
sources: {well: {place: here, fluid: gas, flow: 1 g/s}}
machines: {engine: {inputs: {gas: 1 g/s}, outputs: {power: 5 kW}, places: [here]}}
demands:
  hall: {power: {csv: load.csv}}
"""


def _site(folder: Path, series: str | bytes, site: str = SITE) -> Path:
    content = series if isinstance(series, bytes) else series.encode()
    (folder / "load.csv").write_bytes(content)
    path = folder / "site.yaml"
    path.write_text(site, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "series",
    [
        "time_s,power_w\n0,1000\n3600,3000\n7200,2000\n",
        "time h,power kW\n0,1\n1,3\n2,2\n",
        "time/h,power/kW\n0,1\n1,3\n2,2\n",
        "t/h,P/(kW)\n0,1\n1,3\n2,2\n",
        "time in h,power in MW\n0,0.001\n1,0.003\n2,0.002\n",
        "Hours,kW\n0,1\n1,3\n2,2\n",
        "TIME_H,Load KW\n0,1\n1,3\n2,2\n",
        "time_min,load kWh/h\n0,1\n60,3\n120,2\n",
        "time (min),load kWh per h\n0,1\n60,3\n120,2\n",
        "time_h,power_kW\n0,1\n1,3\n2,2\n",
        "time [h],power [kW]\n0,1\n1,3\n2,2\n",
        "time (min),power (MW)\n0,0.001\n60,0.003\n120,0.002\n",
        "time,power\n0 h,1 kW\n1 h,3 kW\n2 h,2 kW\n",
        "\ufefftime_s,power_w\r\n100,1000\r\n3700,3000\r\n\r\n7300,2000\r\n",
    ],
)
def test_one_series_in_many_writings(series: str, tmp_path: Path) -> None:
    """Mean (1 + 3 + 2) / 3 = 2 kW over three hours: the last row lasts as long as the second."""
    demand = read_site(_site(tmp_path, series)).demands["hall"]
    assert demand.mean == pytest.approx(2000.0, rel=1e-15)
    assert demand.profile is not None
    assert demand.profile.period == 10_800.0
    assert demand.profile.starts == (0.0, 3600.0, 7200.0)
    assert demand.profile.levels == pytest.approx((0.5, 1.5, 1.0), rel=1e-15)


def test_unequal_rows_are_weighted_by_time(tmp_path: Path) -> None:
    demand = read_site(_site(tmp_path, "time_s,power_w\n0,0\n100,40\n400,10\n")).demands["hall"]
    # 0 for 100 s, 40 for 300 s, 10 for 300 s: (12 000 + 3000) / 700
    assert demand.mean == pytest.approx(15_000 / 700, rel=1e-15)
    assert demand.profile is not None
    assert demand.profile.period == 700.0


def test_a_constant_series_has_no_profile(tmp_path: Path) -> None:
    demand = read_site(_site(tmp_path, "time_s,power_w\n0,7\n10,7\n20,7\n")).demands["hall"]
    assert demand.mean == 7.0
    assert demand.profile is None


def test_flow_of_a_fluid_and_own_units(tmp_path: Path) -> None:
    site = SITE.replace("demands:", "units: {shift: 8 h}\ndemands:").replace(
        "{power: {csv: load.csv}}", "{fluid: gas, flow: {csv: load.csv}, place: here}"
    )
    demand = read_site(
        _site(tmp_path, "time [shift],flow_kg_per_s\n0,0.001\n1,0.003\n", site)
    ).demands["hall"]
    assert demand.wants == "gas"
    assert demand.mean == pytest.approx(0.002)
    assert demand.profile is not None
    assert demand.profile.period == 57_600.0


def test_digest_covers_the_series(tmp_path: Path) -> None:
    series = b"time_s,power_w\n0,1\n10,2\n"
    path = _site(tmp_path, series)
    assert read_site(path).sha256 == hashlib.sha256(path.read_bytes() + series).hexdigest()
    before = read_site(path).sha256
    _site(tmp_path, "time_s,power_w\n0,1\n10,3\n")
    assert read_site(path).sha256 != before


@pytest.mark.parametrize(
    ("series", "message"),
    [
        ("", "1:1: demand 'hall': has too few rows of data (0); give two at least"),
        (
            "time_s,power_w\n0,5\n",
            "1:1: demand 'hall': has too few rows of data (1); give two at least",
        ),
        (
            "0,5\n10,6\n",
            "1:1: demand 'hall': expects a heading, got '0'; "
            "begin with a row such as 'time_s,power_w'",
        ),
        (
            "time_s,power_w\n0,5\n10,6,7\n",
            "3:1: demand 'hall': expects two columns, time and value, got 3; "
            "separate them with one comma",
        ),
        (
            "time_s,power_w\n0,5\n10,-6\n",
            "3:2: demand 'hall': must not be negative (got -6); give 0 or more",
        ),
        (
            "time_s,power_w\n0,5\n10,6\n10,7\n",
            "4:1: demand 'hall': time must rise (got 10); sort the rows",
        ),
        (
            "time_s,power_w\n0,5\n10,much\n",
            "3:2: demand 'hall': expects a power such as '70 kW', got 'much'",
        ),
        (
            "time_s,power_w\n0,5\n10,\n",
            "3:2: demand 'hall': expects a power such as '70 kW', got ''",
        ),
        (
            "time_s,power_w\n0,5\n10,nan\n",
            "3:2: demand 'hall': must be a finite number, got 'nan'; write it like '70 kW'",
        ),
        (
            "time_s,power_w\n0,0\n10,0\n",
            "2:1: demand 'hall': is 0 all of the time; give one value above 0 at least",
        ),
        (
            "time_s,power_xp\n0,5\n10,6\n",
            "1:2: demand 'hall': does not give the unit of 'power_xp'; "
            "write it in brackets, such as 'power [kW]'",
        ),
        *(
            (
                f"{heading}\n0,5\n10,6\n",
                f"1:{place}: demand 'hall': does not give the unit of '{named}'; "
                f"write it in brackets, such as '{remedy}'",
            )
            for heading, place, named, remedy in (
                ("time,power", 1, "time", "time [h]"),
                ("foo,bar", 1, "foo", "time [h]"),
                ("time_s,power []", 2, "power []", "power [kW]"),
                ("time/s,power/flow", 2, "power/flow", "power [kW]"),
                ("time/s,power in kg", 2, "power in kg", "power [kW]"),
                ("time s,unit A", 2, "unit A", "power [kW]"),
            )
        ),
        (
            "time_s,power [kg]\n0,5\n10,6\n",
            "1:2: demand 'hall': heading 'power [kg]': expects a power such as '70 kW', "
            "got '1 kg'; correct the unit in the heading",
        ),
        (
            'time_s,power_w\n0,"5\n',
            "2:1: demand 'hall': not valid CSV: unexpected end of data; check quotes and commas",
        ),
        (
            b"time_s,power_w\n0,5\n10,\xff\n",
            "3:1: demand 'hall': the file is not UTF-8 text; save it as UTF-8",
        ),
    ],
)
def test_faults_name_the_line_of_the_series(
    series: str | bytes, message: str, tmp_path: Path
) -> None:
    report = check_site(_site(tmp_path, series))
    assert report.site is None
    assert [str(fault) for fault in report.faults] == [f"{tmp_path / 'load.csv'}:{message}"]


def test_faults_of_series_stand_in_the_order_of_the_site_file(tmp_path: Path) -> None:
    site = SITE.replace("flow: 1 g/s", "flow: 0").replace(
        "csv: load.csv}}", "csv: load.csv}, priority: 0}"
    )
    report = check_site(_site(tmp_path, "time_s,power_w\n0,-5\n10,6\n", site))
    assert [(Path(fault.file).name, fault.line) for fault in report.faults] == [
        ("site.yaml", 4),
        ("load.csv", 2),
        ("site.yaml", 7),
    ]
