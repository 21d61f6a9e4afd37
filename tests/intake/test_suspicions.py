"""Logs that are read, but are unlikely to be flows at true times: what ``fit`` says of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from allocator.cli.entry import main
from allocator.intake.change_rows import Floats
from allocator.intake.logs import read_log

Said = pytest.CaptureFixture[str]
STEP = 300.0
TIMES = np.arange(0, 14 * 86_400.0, STEP)
FLOWS = 10.0 * ((TIMES - 1000) % 21_600 < 5400)


def dated(folder: Path, begin: datetime, zone: ZoneInfo | timezone, hourly: bool = False) -> Path:
    """Exactly 6 h periods, in local time without its offset."""
    file = folder / "log.csv"
    every = 12 if hourly else 1
    rows = (
        f"{(begin + timedelta(seconds=t)).astimezone(zone):%Y-%m-%d %H:%M},{flow:g}"
        for t, flow in zip(TIMES[::every].tolist(), FLOWS[::every].tolist(), strict=True)
    )
    file.write_text("\n".join(["time,flow [g/s]", *rows]) + "\n")
    return file


@pytest.mark.parametrize("hourly", [False, True])
@pytest.mark.parametrize(
    ("begin", "zone", "hour"),
    [
        (datetime(2026, 3, 20, tzinfo=UTC), "Europe/Berlin", "2026-03-29 02:00 to 03:00"),
        (datetime(2026, 3, 1, tzinfo=UTC), "America/New_York", "2026-03-08 02:00 to 03:00"),
        (datetime(2026, 9, 28, tzinfo=UTC), "Australia/Sydney", "2026-10-04 02:00 to 03:00"),
    ],
)
def test_an_hour_that_is_missing_in_spring(
    begin: datetime, zone: str, hour: str, hourly: bool, tmp_path: Path, capsys: Said
) -> None:
    file = dated(tmp_path, begin, ZoneInfo(zone), hourly)
    assert main(["fit", str(file)]) == 0
    assert f"no rows from {hour}, as where clocks change" in capsys.readouterr().err


def test_an_hour_that_comes_twice_in_autumn(tmp_path: Path, capsys: Said) -> None:
    begin, zone = datetime(2026, 10, 20, tzinfo=UTC), ZoneInfo("Europe/Berlin")
    assert main(["fit", str(dated(tmp_path, begin, zone, hourly=True))]) == 0
    assert "the hour from 2026-10-25 02:00 comes twice" in capsys.readouterr().err
    assert main(["fit", str(dated(tmp_path, begin, zone))]) == 2
    assert "jumps back here, as where summer time ends; " in capsys.readouterr().err


def test_other_missing_hours_are_gaps_of_the_logger(tmp_path: Path) -> None:
    file = dated(tmp_path, datetime(2026, 3, 20, tzinfo=UTC), UTC)
    assert read_log(file).cautions == ()
    lines = file.read_text().splitlines()
    for hour in ("2026-03-28 02:", "2026-03-29 14:"):  # a Saturday; by day
        file.write_text("\n".join(one for one in lines if not one.startswith(hour)) + "\n")
        assert read_log(file).cautions == ()
    cut = [one for one in lines if not one.startswith("2026-03-29 02:")]
    file.write_text("\n".join([cut[0], *(one.replace(",", "Z,", 1) for one in cut[1:])]) + "\n")
    assert read_log(file).cautions == ()  # times with their zone have no such hour


def cautions(folder: Path, flows: Floats) -> tuple[str, ...]:
    file = folder / "flows.csv"
    rows = (f"{t:g},{v:.6g}" for t, v in zip(TIMES, flows, strict=True))
    file.write_text("time [s],flow [g/s]\n" + "\n".join(rows) + "\n")
    return read_log(file).cautions


def test_a_total_is_no_flow(tmp_path: Path, capsys: Said) -> None:
    total = np.cumsum(FLOWS) * 0.3
    (note,) = cautions(tmp_path, total)
    assert note.startswith("the readings never fall: if they are a total")
    assert main(["reservoir", str(tmp_path / "flows.csv")]) == 0
    assert "if they are a total" in capsys.readouterr().err
    (note,) = cautions(tmp_path, total % 2000)  # it begins again at 2,000
    assert "but to begin again near 0" in note
    assert cautions(tmp_path, FLOWS) == ()
    assert cautions(tmp_path, np.where(TIMES < 500_000, 0.0, 5.0)) == ()
    assert cautions(tmp_path, TIMES % 21_600) == ()  # a flow that rises in each burst


@pytest.mark.parametrize("code", [9999.0, 65_535.0, 1234.5])
def test_fault_codes_are_pointed_out(code: float, tmp_path: Path, capsys: Said) -> None:
    rng = np.random.default_rng(3)
    flows = FLOWS + np.abs(rng.normal(0, 0.1, len(TIMES)))
    assert cautions(tmp_path, flows) == ()
    wrong = rng.choice(len(TIMES) // 2, 40, replace=False) * 2
    flows[wrong] = code
    (note,) = cautions(tmp_path, flows)
    assert note.startswith(f"{code:.10g} in 40 rows is ")
    assert main(["fit", str(tmp_path / "flows.csv")]) == 0
    assert "leave these cells empty" in capsys.readouterr().err


def test_a_level_when_on_is_no_fault_code(tmp_path: Path) -> None:
    """10 g/s in 12 % of the rows, above a noise of 0.05 g/s; and a flow of 999 g/s."""
    noise = np.abs(np.random.default_rng(3).normal(0, 0.05, len(TIMES)))
    assert cautions(tmp_path, np.where(TIMES % 21_600 < 2700, 10.0, noise)) == ()
    assert cautions(tmp_path, np.where(FLOWS > 0, 999.0, 500.0)) == ()
    assert cautions(tmp_path, 99.9 * FLOWS) == ()
