"""A logger's file as it grows: units, whole lines, and one fault for each thing wrong."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from allocator.intake.cells import TableFileError
from allocator.intake.level_log import LevelLog, Logged

WANTED = {"holder@mill": Logged("mass", 130.0), "well": Logged("mass_rate", 0.01)}
HEAD = "time [h],holder@mill [%],well [g/s],other\n"


def test_rows_come_when_their_line_is_whole(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    file.write_text(HEAD + "0,50,10,x\n1,40", "utf-8")
    log = LevelLog(file, WANTED)
    (row,), faults = log.new_rows()
    assert (row.line, row.time, dict(row.values)) == (2, 0.0, {"holder@mill": 65.0, "well": 0.01})
    assert not faults
    assert log.notes == ["column 'other' is no store or source of the plan and is not read"]
    with file.open("a", encoding="utf-8") as more:
        more.write(",,y\n2,30,5,z")
    (row,), _ = log.new_rows()
    assert (row.time, dict(row.values)) == (3600.0, {"holder@mill": 52.0})
    (row,), _ = log.new_rows(last=True)
    assert row.line == 4
    assert log.new_rows() == ([], [])


@pytest.mark.parametrize(
    ("row", "where", "told"),
    [
        ("1,50,x,", "3:3", "'well' expects a number, got 'x'"),
        ("1,150,1,", "3:2", "'holder@mill' is above the store's size: '150'"),
        ("1,50,-2,", "3:3", "'well' is below 0: '-2'"),
        ("1,50,nan,", "3:3", "expects a number"),
        ("x,50,1,", "3:1", "expects a number, got 'x'"),
        ("-1,50,1,", "3:1", "is before the rows above"),
        ("1e300,50,1,", "3:1", "is out of all proportion, '1e300'"),
        ("-1e308,50,1,", "3:1", "is out of all proportion, '-1e308'"),
        ("0,50,1,", "3:1", "has the time of the row before"),
        ("1,50", "3:1", "has 2 cells, the heading has 4"),
        ('1,"50,1,', "3:1", "is no row of CSV"),
    ],
)
def test_a_bad_row_is_one_fault_and_the_next_is_read(
    tmp_path: Path, row: str, where: str, told: str
) -> None:
    file = tmp_path / "l.csv"
    file.write_text(f"{HEAD}0,50,10,\n{row}\n2,50,10,\n", "utf-8")
    rows, (fault,) = LevelLog(file, WANTED).new_rows()
    assert str(fault).startswith(f"{file}:{where}: ")
    assert told in str(fault)
    assert rows[-1].time == 7200.0


@pytest.mark.parametrize(
    ("head", "told"),
    [
        ("time [h],holder@mill", "'holder@mill' has no unit"),
        ("time [h],holder@mill [m]", "1:2: the unit"),
        ("time [kg],holder@mill [kg]", "1:1: the unit"),
        ("holder@mill [kg]", "has no column 'time'"),
        ("time [h],holder@mil [kg]", "has no column of a store or source"),
        ("time [h],well [on],well [g/s]", "names 'well' again"),
    ],
)
def test_headings_that_cannot_be_used(tmp_path: Path, head: str, told: str) -> None:
    file = tmp_path / "l.csv"
    file.write_text(f"{head}\n1,2\n", "utf-8")
    with pytest.raises(TableFileError, match=str(file)) as caught:
        LevelLog(file, WANTED).new_rows()
    assert told in str(caught.value)


def test_dates_marks_and_a_clock_that_is_set_back(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    days = ["02T00:00", "02T00:10", "09T00:00", "02T00:20", "02T00:30", "02T00:40", "02T00:50"]
    rows = "".join(f"2027-03-{day},{mark}\n" for day, mark in zip(days, "1011010", strict=True))
    file.write_text("time,well [on]\n" + rows, "utf-8")
    log = LevelLog(file, WANTED, "2027-03-01T00:00")
    found, faults = log.new_rows()
    assert [row.line for row in found] == [2, 3, 4, 7, 8]
    assert [fault.line for fault in faults] == [5, 6]
    assert found[0].time == 86400.0
    assert log.marks == {"well"}
    assert "row 7: the clock is 6.97 d behind" in log.notes[0]
    assert log.time_text(86400.0) == "2027-03-02T00:00"
    file.write_text("time,well [on]\n2027-03-01T00:00,on\n", "utf-8")
    assert [row.time for row in log.new_rows()[0]] == [0.0]  # written anew


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(TableFileError, match="cannot be read"):
        LevelLog(tmp_path / "none.csv", WANTED).new_rows()


def test_a_log_that_is_missing_for_a_moment_is_waited_for(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    file.write_text(f"{HEAD}0,50,10,\n", "utf-8")
    log = LevelLog(file, WANTED)
    assert len(log.new_rows()[0]) == 1
    log.notes.clear()
    file.rename(tmp_path / "old.csv")
    assert log.new_rows() == log.new_rows() == ([], [])
    assert log.notes == ["is not there; waited for"]
    file.write_text(f"{HEAD}1,40,10,\n", "utf-8")
    (row,), _ = log.new_rows()
    assert row.values["holder@mill"] == 52.0
    assert "was begun again, and is read from its first row" in log.notes
    file.unlink()
    with pytest.raises(TableFileError, match="cannot be read"):
        log.new_rows(last=True)


@pytest.mark.parametrize("zones", [("", "Z"), ("+02:00", "")])
def test_a_time_zone_on_one_side_only_is_refused(tmp_path: Path, zones: tuple[str, str]) -> None:
    file = tmp_path / "l.csv"
    file.write_text(f"well [on],time\non,2027-03-01T08:00{zones[1]}\n", "utf-8")
    begin = f"2027-03-01T08:00{zones[0]}"
    with pytest.raises(TableFileError, match="one has a time zone") as caught:
        LevelLog(file, WANTED, begin).new_rows()
    assert str(caught.value).startswith(f"{file}:2:2: ")
    assert begin in str(caught.value)


def test_two_time_zones_are_brought_to_one(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    file.write_text("time,well [on]\n2027-03-01T08:00Z,on\n", "utf-8")
    (row,), _ = LevelLog(file, WANTED, "2027-03-01T08:00+02:00").new_rows()
    assert row.time == 7200.0


@pytest.mark.parametrize("begin", ["", "2027-03-01T00:00"])
def test_rows_with_and_without_a_time_zone_are_not_mixed(tmp_path: Path, begin: str) -> None:
    file = tmp_path / "l.csv"
    times = ("08:00", "09:00Z", "10:00", "11:00+01:00")
    rows = "".join(f"2027-03-01T{time},on\n" for time in times)
    file.write_text(f"time,well [on]\n{rows}", "utf-8")
    found, faults = LevelLog(file, WANTED, begin).new_rows()
    assert [row.line for row in found] == [2, 4]
    assert found[1].time - found[0].time == 7200.0
    assert [(fault.line, fault.column) for fault in faults] == [(3, 1), (5, 1)]
    assert all("has a time zone, and earlier ones have none" in str(fault) for fault in faults)


DAYS = (("02T08:00", "03T08:00"), ("03T09:00", "03T10:00"))


@pytest.mark.parametrize("way", ["same file", "new file"])
@pytest.mark.parametrize("begin", ["", "2027-03-02T08:00"])
def test_a_log_that_is_begun_again_goes_on_in_time(tmp_path: Path, way: str, begin: str) -> None:
    """A new file has as many bytes as the old one, and may have its number on the disk."""
    file = tmp_path / "l.csv"
    former, later = (
        "time,well [on]\n" + "".join(f"2027-03-{time},on\n" for time in days) for days in DAYS
    )
    file.write_text(former, "utf-8")
    log = LevelLog(file, WANTED, begin)
    assert [row.time for row in log.new_rows()[0]] == [0.0, 86400.0]
    assert log.new_rows() == ([], [])
    if way == "new file":
        file.rename(tmp_path / "old.csv")
    file.write_text(later, "utf-8")
    assert [row.time for row in log.new_rows()[0]] == [90000.0, 93600.0]
    assert log.notes == ["was begun again, and is read from its first row"]
    assert log.time_text(90000.0) == "2027-03-03T09:00"
    with file.open("a", encoding="utf-8") as more:
        more.write("2027-03-03T11:00,off\n")
    assert [row.time for row in log.new_rows()[0]] == [97200.0]


def test_a_log_begun_again_is_known_by_its_last_row_as_well(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    rows = [f"{hour},50,10,\n" for hour in range(1000, 2000)]
    file.write_text(HEAD + "".join(rows), "utf-8")
    log = LevelLog(file, WANTED)
    assert len(log.new_rows()[0]) == 1000
    file.write_text(HEAD + "".join([*rows[:-1], "1999,40,10,\n"]), "utf-8")
    assert len(log.new_rows()[0]) == 1000
    assert "was begun again, and is read from its first row" in log.notes


SPRING, AUTUMN = datetime(2027, 3, 28, 2), datetime(2027, 10, 31, 3)


@pytest.mark.parametrize("minutes", [10, 30, 60])
@pytest.mark.parametrize(("change", "ahead"), [(SPRING, 1), (AUTUMN, -1)])
def test_local_times_are_read_in_order_where_clocks_change(
    tmp_path: Path, change: datetime, ahead: int, minutes: int
) -> None:
    """Clocks are put ahead an hour, or back; with a zone there is nothing to find out."""
    begin = change - timedelta(days=1)
    moments = [begin + k * timedelta(minutes=minutes) for k in range(2 * 24 * 60 // minutes)]
    shift = timedelta(hours=ahead)
    local = [when if when < change else when + shift for when in moments]
    offsets = [(1 if ahead > 0 else 2) + (0 if when < change else ahead) for when in moments]
    wanted = [float(60 * minutes * k) for k in range(len(moments))]
    for name, zones in (("plain", [""] * len(local)), ("zoned", [f"+0{o}:00" for o in offsets])):
        file = tmp_path / f"{name}.csv"
        rows = "".join(f"{t.isoformat()}{z},on\n" for t, z in zip(local, zones, strict=True))
        file.write_text("time,well [on]\n" + rows, "utf-8")
        log = LevelLog(file, WANTED)
        found, faults = log.new_rows()
        assert ([row.time for row in found], faults) == (wanted, [])
        assert len(log.notes) == (name == "plain")
    assert (
        log.time_text(wanted[-1])[:16] == (begin + timedelta(seconds=wanted[-1])).isoformat()[:16]
    )


def test_a_log_of_local_times_that_is_begun_again_keeps_its_hour(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    times = [SPRING - timedelta(minutes=10 * k) for k in range(9, 0, -1)]
    later = [SPRING + timedelta(minutes=60 + 10 * k) for k in range(3)]
    text = "time,well [on]\n" + "".join(f"{t.isoformat()},on\n" for t in (*times, *later))
    file.write_text(text, "utf-8")
    log = LevelLog(file, WANTED)
    once = [row.time for row in log.new_rows()[0]]
    file.write_text(text.replace(",on", ",1"), "utf-8")
    assert [row.time for row in log.new_rows()[0]] == once == [600.0 * k for k in range(12)]
    assert log.time_text(once[-1]) == later[-1].isoformat(timespec="minutes")
    file.write_text(f"time,well [on]\n{(later[-1] + timedelta(hours=2)).isoformat()},1\n", "utf-8")
    assert [row.time for row in log.new_rows()[0]] == [once[-1] + 7200.0]


def test_an_hour_without_rows_by_day_is_missing(tmp_path: Path) -> None:
    file = tmp_path / "l.csv"
    noon = datetime(2027, 3, 28, 12)
    minutes = (0, 10, 20, 30, 40, 50, 120)
    rows = "".join(f"{(noon + timedelta(minutes=m)).isoformat()},on\n" for m in minutes)
    file.write_text("time [UTC],well [on]\n" + rows, "utf-8")
    log = LevelLog(file, WANTED, "2027-03-28T12:00+00:00")
    assert [row.time for row in log.new_rows()[0]] == [60.0 * m for m in minutes]
    file.write_text("time,well [on]\n" + rows, "utf-8")
    assert [r.time for r in LevelLog(file, WANTED).new_rows()[0]] == [60.0 * m for m in minutes]
