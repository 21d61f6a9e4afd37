"""``operate``: template, files, and faults of a state, which leave nothing written."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import jsonschema
import pytest

from allocator.base.folders import MANIFEST
from allocator.cli.entry import main
from allocator.site.document import read_document
from allocator.site.state import state_schema
from allocator.studies.following import StoreNow

Told = pytest.CaptureFixture[str]
GOOD = """format: allocator.state/1
site: First site
levels: {gas_holder@mill: 80 %}
sources:
  digester: {state: off, since: 9 h}
"""


def test_a_template_is_a_state_and_is_kept(networks: Path, planned: Path, tmp_path: Path) -> None:
    file = tmp_path / "state.yaml"
    site = str(networks / "first.yaml")
    assert main(["operate", site, str(planned), "-o", str(file)]) == 0
    text = file.read_text("utf-8")
    assert read_document(text.encode()) is not None
    assert main(["operate", site, str(planned), "--state", str(file), "--days", "1"]) == 0
    assert main(["operate", site, str(planned), "-o", str(file)]) == 2
    assert file.read_text("utf-8") == text


def test_files_and_json(networks: Path, planned: Path, tmp_path: Path, capsys: Told) -> None:
    state, folder = tmp_path / "s.yaml", tmp_path / "out"
    state.write_text(GOOD)
    given = ["operate", str(networks / "first.yaml"), str(planned), "--state", str(state)]
    assert main([*given, "--days", "2", "-o", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "is kept whatever comes" in told
    assert "from, h  until, h  " in told
    assert {file.name for file in folder.iterdir()} >= {
        MANIFEST,
        "operate.txt",
        "operate.json",
        "stores.csv",
        "runs.csv",
        "levels.csv",
    }
    assert main([*given, "--days", "2", "--json"]) == 0
    assert capsys.readouterr().out == (folder / "operate.json").read_text("utf-8")
    data = json.loads((folder / "operate.json").read_text("utf-8"))
    assert data["format"] == "allocator.operate/1"
    assert data["stores"][0]["head_room"] == pytest.approx(39.0, abs=1e-3)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("80 %", "131 kg", "3:27: state: levels.gas_holder@mill is above the store's size, 130 kg"),
        ("80 %", "-1 kg", "is below 0"),
        ("80 %", "3 kW", "3:27"),
        ("gas_holder@mill", "gas_holder@mil", "did you mean 'gas_holder@mill'?"),
        ("{gas_holder@mill: 80 %}", "{}", "lacks the store 'gas_holder@mill'"),
        ("off, since: 9 h", "on, since: 7 h", "it is so for 6 h at most"),
        ("since: 9 h", "since: -1 h", "5:33"),
        ("  digester", "  digestor", "did you mean 'digester'?"),
        ("First site", "Second site", "the site is 'First site'"),
        ("allocator.state/1", "allocator.state/9", "allocator.state/1"),
        ("site:", "time: yesterday\nsite:", "no date and time"),
        (
            "sources:",
            "units_out: [{machine: small_engine, place: mill, count: 9}]\nsources:",
            "above the plan's",
        ),
        (
            "sources:",
            "units_out: [{machine: small_engine, place: farm, count: 1}]\nsources:",
            "none",
        ),
        (
            "sources:",
            "units_out: [{machine: small_engine, place: mill, count: 1},"
            " {machine: small_engine, place: mill, count: 2}]\nsources:",
            "above the plan's 2 units",
        ),
        ("since: 9 h", "since: 9 h, spell: 1 h", "by its cycle the source is not off then"),
        ("since: 9 h", "since: 9 h, spell: 30 h", "outermost stage turned on 30 h ago"),
        ("  digester", "  zz", "names the unknown source 'zz'; choose one of digester"),
        (
            "site: First site\n",
            "site: Other\nsurces: 1\n",
            "site is 'Other', and the site is 'First",
        ),
        (GOOD, "", "the file is empty"),
        (GOOD, "[1]", "no mapping"),
    ],
)
def test_what_cannot_be_is_refused(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told, old: str, new: str, told: str
) -> None:
    state, folder = tmp_path / "s.yaml", tmp_path / "out"
    assert old in GOOD
    state.write_text(GOOD.replace(old, new))
    given = ["operate", str(networks / "first.yaml"), str(planned), "--state", str(state)]
    assert main([*given, "-o", str(folder)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert len(err.splitlines()) == 1
    assert str(state) in err
    assert not folder.exists()


def test_a_plan_of_another_site(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    state = tmp_path / "s.yaml"
    state.write_text(GOOD)
    given = ["operate", str(networks / "island.yaml"), str(planned), "--state", str(state)]
    assert main(given) == 2
    assert "another site" in capsys.readouterr().err


def test_the_schema(capsys: Told) -> None:
    assert main(["schema", "--state"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(state_schema()))
    good = {
        "format": "allocator.state/1",
        "site": "First site",
        "levels": {"gas_holder@mill": "80 kg"},
        "sources": {"digester": {"state": "on", "since": "2 h"}},
    }
    jsonschema.validate(good, state_schema())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**good, "sources": {"digester": {"state": "maybe"}}}, state_schema())


def _logged(file: Path, on_hours: float, days: int = 6) -> None:
    """A level and a flow every 20 minutes; the digester is on for so long of each day."""
    rows = ["time [h],gas_holder@mill [kg],digester [g/s]"]
    for n in range(3 * 24 * days):
        hour = n / 3
        flow = 12.0 if (hour + 3.0) % 24.0 < on_hours else 0.0
        rows.append(f"{hour!r},130,{flow}")
    file.write_text("\n".join(rows) + "\n", "utf-8")


def test_followed_until_what_is_assumed_no_longer_holds(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    """5 h in place of 6 h of 24 h: 19 h without gas, 130 kg / 68,400 s = 1.901 g/s, 12.7 kW."""
    file = tmp_path / "levels.csv"
    given = ["operate", str(networks / "first.yaml"), str(planned), "--follow", str(file), "--once"]
    _logged(file, 6.0)
    assert main(given) == 0
    assert "432 rows read; sources: all as stated" in capsys.readouterr().out
    _logged(file, 5.0)
    with file.open("a", encoding="utf-8") as more:
        more.write("144,131,oops\n")
    assert main(given) == 1
    out, err = capsys.readouterr()
    assert "Change sources.digester.cycle[1].on to 5 h." in out
    assert "THE FIRM OUTPUT NO LONGER HOLDS (planned 13.4 kW firm, all clean)" in out
    assert "plan gives 12.7 kW firm, all clean" in out
    assert f"{file}:434:3: 'digester' expects a number, got 'oops'" in err


def test_without_rows_nothing_is_known(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    file = tmp_path / "levels.csv"
    file.write_text("time [h],digester [g/s]\n", "utf-8")
    given = ["operate", str(networks / "first.yaml"), str(planned), "--follow", str(file), "--once"]
    assert main(given) == 0
    assert "0 rows read; sources: nothing known" in capsys.readouterr().out
    with file.open("a", encoding="utf-8") as log:
        log.writelines(f"{n},oops\n" for n in range(3))
    assert main(given) == 2
    out, err = capsys.readouterr()
    assert "0 rows read; sources: nothing known" in out
    assert f"{file}:2:2: 'digester' expects a number" in err


def test_a_store_is_low_by_a_share_of_its_size() -> None:
    assert not StoreNow("a", 0.0, 1.7e-7, 400.0, "kg").low
    assert not StoreNow("a", 100.0, 100.0, 400.0, "kg").low
    assert StoreNow("a", 99.9, 100.0, 400.0, "kg").low


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--follow", "none.csv", "--once"], "none.csv: cannot be read"),
        (["--follow", "x.csv", "--state", "s.yaml"], "leave out --state"),
        (["--once"], "--once goes with --follow"),
        (["--follow", "x.csv", "--meter", "0"], "--meter must be above 0"),
    ],
)
def test_following_what_cannot_be(
    networks: Path, planned: Path, capsys: Told, more: list[str], told: str
) -> None:
    assert main(["operate", str(networks / "first.yaml"), str(planned), *more]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("begin", "time", "refused"),
    [
        ("2027-03-01T08:00", "2027-03-01T08:00Z", True),
        ("2027-03-01T08:00+02:00", "2027-03-01T08:00", True),
        ("2027-03-01T08:00+02:00", "2027-03-01T08:00Z", False),
    ],
)
def test_a_time_zone_on_one_side_only_is_refused(
    networks: Path, tmp_path: Path, capsys: Told, begin: str, time: str, refused: bool
) -> None:
    site, folder, state = tmp_path / "site.yaml", tmp_path / "plan", tmp_path / "s.yaml"
    text = (networks / "first.yaml").read_text("utf-8")
    site.write_text(text.replace("name: First site\n", f"name: First site\nstarts_at: {begin}\n"))
    assert main(["plan", str(site), "-o", str(folder), "--node-limit", "50", "--prove", "0"]) == 0
    capsys.readouterr()
    state.write_text(GOOD.replace("levels", f"time: {time}\nlevels"))
    given = ["operate", str(site), str(folder), "--state", str(state), "--days", "1"]
    assert main(given) == (2 if refused else 0)
    err = capsys.readouterr().err
    told = f"{state}:3:7: state: time is '{time}' and 'starts_at' of the site is '{begin}'"
    assert (told in err) == refused


@pytest.mark.parametrize(("change", "ahead"), [("2027-03-28T02:00", 1), ("2027-10-31T03:00", -1)])
def test_a_change_of_summer_time_is_no_alarm(
    change: str, ahead: int, networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    """Bursts go through the night in which the clock of the log is changed."""
    file, at = tmp_path / "levels.csv", datetime.fromisoformat(change)
    rows = ["time,digester [g/s]"]
    for n in range(3 * 24 * 6):
        when = at + timedelta(minutes=20 * (n - 3 * 50))
        told = when if when < at else when + timedelta(hours=ahead)
        rows.append(f"{told.isoformat()},{12.0 if (n / 3 - 2.0) % 24.0 < 6.0 else 0.0}")
    file.write_text("\n".join(rows) + "\n", "utf-8")
    given = ["operate", str(networks / "first.yaml"), str(planned), "--follow", str(file), "--once"]
    assert main(given) == 0
    out, err = capsys.readouterr()
    assert "432 rows read; sources: all as stated" in out
    assert "summer time" in err
