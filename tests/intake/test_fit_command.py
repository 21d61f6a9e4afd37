"""``allocator fit`` as it is used: the block that it prints belongs into a site file."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

import allocator as al
from allocator.cli.entry import main

Told = pytest.CaptureFixture[str]
BEGAN = datetime(2026, 3, 1, 6)
NAMED = ("--name", "digester", "--place", "farm", "--fluid", "gas")
SITE = """\
format: allocator.site/2
name: Fitted
starts_at: 2026-03-04T06:00:00
fluids: {gas: {phase: gas, heating_value: 18 MJ/kg}}
places: {farm: {}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 6 kW}, places: [farm]}
demands: {mill: {power: 20 kW}}
"""


def regular_log(file: Path) -> Path:
    """8 g/s for 40 min of every 2 h, a row every 5 min, for fifty hours."""
    rows = [
        f"{(BEGAN + timedelta(minutes=5 * row)).isoformat()},{8 if 5 * row % 120 < 40 else 0}"
        for row in range(600)
    ]
    file.write_text("\n".join(["time,flow [g/s]", *rows]) + "\n")
    return file


def block(out: str) -> str:
    return out[out.index("sources:") :]


def site_with(out: str, folder: Path) -> al.Site:
    file = folder / "site.yaml"
    file.write_text(SITE + block(out))
    return al.read_site(file)


def test_the_block_of_a_log_is_a_surveyed_source(tmp_path: Path, capsys: Told) -> None:
    log, picture, record = regular_log(tmp_path / "log.csv"), tmp_path / "a.svg", tmp_path / "r.csv"
    more = (
        "--starts-at",
        "2026-03-04T06:00:00",
        "--picture",
        str(picture),
        "--record",
        str(record),
    )
    assert main(["fit", str(log), *NAMED, *more]) == 0
    source = site_with(capsys.readouterr().out, tmp_path).sources["digester"]
    (stage,) = source.stages
    assert source.flow == pytest.approx(0.008)
    assert stage.on == pytest.approx(2400.0, abs=300.0)
    assert stage.every == pytest.approx(7200.0, rel=0.01)
    # the record begins a burst at 06:00 every two hours, and so does the fourth of March
    assert str(source.clock) == "surveyed"
    assert source.next_start is not None
    off = min(source.next_start % 7200.0, -source.next_start % 7200.0)
    assert off <= source.error + 150.0
    assert "<svg" in picture.read_text(encoding="utf-8")
    head, first, *rows = record.read_text().splitlines()
    assert head == "time [s],flow [kg/s]"
    assert first == "0,0.008"
    assert len(rows) == 599


@pytest.mark.parametrize(
    ("heading", "wait"), [("start,duration [min],wait [min]", 140), ("start,duration [min]", None)]
)
def test_a_list_of_events(heading: str, wait: int | None, tmp_path: Path, capsys: Told) -> None:
    log = tmp_path / "events.csv"
    ends = "" if wait is None else f",{wait}"
    rows = [f"{(BEGAN + timedelta(hours=4 * n)).isoformat()},100{ends}" for n in range(20)]
    log.write_text("\n".join([heading, *rows]) + "\n")
    assert main(["fit", str(log), *NAMED, "--flow", "9 g/s"]) == 0
    source = site_with(capsys.readouterr().out, tmp_path).sources["digester"]
    (stage,) = source.stages
    assert source.flow == pytest.approx(0.009)
    assert stage.on == pytest.approx(6000.0, rel=1e-3)
    assert stage.every == pytest.approx(14_400.0, rel=1e-3)


def test_a_single_reading_is_no_cycle(tmp_path: Path, capsys: Told) -> None:
    log = tmp_path / "one.csv"
    log.write_text(
        "time [s],flow [g/s]\n" + "".join(f"{10 * n},{5 * (n == 12)}\n" for n in range(30))
    )
    assert main(["fit", str(log), *NAMED]) == 0
    assert "series: {csv: one.csv}" in capsys.readouterr().out


def test_rows_that_are_too_long_are_refused(tmp_path: Path, capsys: Told) -> None:
    log = tmp_path / "comma.csv"
    log.write_text("time [s],flow [g/s]\n" + "".join(f"{10 * n},1,5\n" for n in range(30)))
    assert main(["fit", str(log)]) == 2
    assert f"{log}:2:3: has 3 cells, the heading has 2" in capsys.readouterr().err


ROWS = "\n".join(f"{600 * n},{8 * (n % 12 < 4)}" for n in range(240))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "Logger 1234\nSite: pad\ntime [s],flow [g/s]\n" + ROWS,
            ":3:1: the heading is in line 3: 'time [s],flow [g/s]'; delete the 2 lines above the",
        ),
        ("\n\ntime [s],flow [g/s]\n" + ROWS, "delete the 2 lines above the heading"),
        (
            "time [s],flow [g/s],flow [g/s]\n0,1,2\n",
            "has a second column of flow: 'flow [g/s]'; delete one, or give each of them in a file",
        ),
        ("time [local],flow [g/s]\n" + ROWS, "head dates 'time' alone, and numbers such as"),
    ],
)
def test_remedies_of_headings(text: str, said: str, tmp_path: Path, capsys: Told) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text + "\n")
    assert main(["fit", str(log)]) == 2
    assert said in capsys.readouterr().err


def test_a_date_for_a_log_without_dates(tmp_path: Path, capsys: Told) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time [s],flow [g/s]\n" + ROWS + "\n")
    assert main(["fit", str(log), "--starts-at", "2026-04-05"]) == 2
    assert "the log has no dates, and 2026-04-05 is one; give the time" in capsys.readouterr().err


def test_a_heading_may_have_the_time_zone(tmp_path: Path, capsys: Told) -> None:
    log = regular_log(tmp_path / "log.csv")
    log.write_text(log.read_text().replace("time,", "Timestamp (UTC),", 1))
    when = ("--starts-at", "2026-03-04T07:00:00+01:00")
    assert main(["fit", str(log), *NAMED, *when]) == 0
    said = capsys.readouterr()
    assert "times are in UTC, as their heading says" in said.err
    source = site_with(said.out, tmp_path).sources["digester"]
    assert source.next_start is not None
    off = min(source.next_start % 7200.0, -source.next_start % 7200.0)
    assert off <= source.error + 150.0


def test_bursts_of_one_row_ask_for_a_faster_log(tmp_path: Path, capsys: Told) -> None:
    """On for 200 s of 7000 s, a row every 900 s: most bursts fall between rows."""
    log = tmp_path / "log.csv"
    rows = (f"{900 * n},{10 * (900 * n % 7000 < 200)}" for n in range(5760))
    log.write_text("\n".join(["time [s],flow [g/s]", *rows]) + "\n")
    assert main(["fit", str(log)]) == 0
    assert "Bursts last one or two rows of 15 min" in capsys.readouterr().out
    log.write_text("time [s],flow [g/s]\n" + ROWS + "\n")
    assert main(["fit", str(log)]) == 0
    assert "Bursts last" not in capsys.readouterr().out
