"""``allocator new``: lists and flags -> a site file that is checked and planned as it is."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

from allocator import plan, read_site
from allocator.cli.entry import main
from allocator.intake.cells import TableFileError
from allocator.intake.lists import read_places, read_sources

Said = pytest.CaptureFixture[str]
SOURCES = """\
name,place,fluid,flow [g/s],on [h],every [h],on [d],every [d],temp [°C],next spell [h]
well,north,well gas,3.20,1,2,5,9,40,6
vent,south,coke gas,12,,,,,,
"""
PLACES = "name,x_m,y_m,elevation [m]\nnorth,0,500,12\nsouth,300,0,\nworks,0,0,\n"


@pytest.fixture
def lists(tmp_path: Path) -> Path:
    (tmp_path / "sources.csv").write_text(SOURCES, encoding="utf-8")
    (tmp_path / "places.csv").write_text(PLACES, encoding="utf-8")
    return tmp_path


def new(folder: Path, *more: str) -> int:
    files = ["--sources", str(folder / "sources.csv"), "--places", str(folder / "places.csv")]
    return main(["new", str(folder / "site"), *files, *more])


def test_lists_become_a_site_that_has_a_plan(lists: Path, capsys: Said) -> None:
    assert new(lists, "--heating-value", "well gas=17.7 MJ/kg") == 0
    out = capsys.readouterr().out
    assert "fluids.coke gas: heating_value (20 MJ/kg is a placeholder)" in out
    assert "fluids.well gas: constants (those of air)" in out
    file = lists / "site" / "site.yaml"
    assert main(["check", "--strict", str(file)]) == 0
    text = file.read_text(encoding="utf-8")
    assert "flow: 3.20 g/s" in text  # units and digits as written
    assert "# " in text
    site = read_site(file)
    well = site.sources["well"]
    assert [(one.on, one.every) for one in well.stages] == [(3600, 7200), (432000, 777600)]
    assert (well.temperature, well.next_start) == (313.15, 21600)
    assert site.places["north"].elevation == 12
    result = plan(site, node_limit=50)
    assert result.plan.power.firm_clean > 0


def test_without_a_terminal_nothing_is_asked(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "allocator", "new", str(tmp_path / "a")],
        stdin=subprocess.PIPE,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "places: coordinates" in done.stdout
    assert main(["check", "--strict", str(tmp_path / "a" / "site.yaml")]) == 0


def test_answers_of_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Said
) -> None:
    class Terminal:
        answers = iter(["biogas\n", "3 kW\n", "5 g/s\n", "daily\n", "24\n", "x\n", "9 kW\n"])

        def isatty(self) -> bool:
            return True

        def readline(self) -> str:
            return next(self.answers)

    monkeypatch.setattr(sys, "stdin", Terminal())
    assert main(["new", str(tmp_path / "a"), "--on", "2 h"]) == 0
    site = read_site(tmp_path / "a" / "site.yaml")
    assert site.sources["source_1"].flow == 0.005  # asked again after 3 kW
    assert (site.sources["source_1"].stages[0].on, site.sources["source_1"].stages[0].every) == (
        7200,
        86400,
    )
    assert "taken: 24 h\n" in capsys.readouterr().err  # after three answers that cannot be
    assert site.demands["works_load"].mean == 9000


def test_a_workbook_is_read_as_typed(lists: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Sources"
    sheet.append(["Name", "Location", "Gas", "Flow g/s", "On (min)", "Every"])
    sheet.append(["a", "north", "g", 3.5, 10, "1 h"])
    book.create_sheet("other")
    book.save(lists / "s.xlsx")
    (one,) = read_sources(lists / "s.xlsx")
    assert (one.flow, one.stages) == ("3.5 g/s", (("10 min", "1 h"),))
    sheet["D2"] = "=1+2"
    sheet.merge_cells("A3:B3")
    book.save(lists / "s.xlsx")
    with pytest.raises(TableFileError) as caught:
        read_sources(lists / "s.xlsx")
    assert "s.xlsx: sheet 'Sources', cell D2: holds a formula" in str(caught.value)
    assert "s.xlsx: sheet 'Sources', cell A3: is merged (A3:B3)" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("Outlets of 2026,,,\nname,place,fluid,flow [g/s]\na,north,c,3\n", "none of the headings"),
        ("a,b,c,3\nb,b,c,3\n", "1:1: has none of the headings"),
        ("name,place,fluid,flow [g/s]\n", "has no row of data"),
        ("name,place,fluid\na,north,c\n", "has no column 'flow'"),
        (
            "name,place,fluid,flow\na,north,c,3\n",
            "1:4: has the heading 'flow' without a unit above",
        ),
        ("name,place,fluid,flow [kW]\na,north,c,3\n", "mass rate"),
        ('name,place,fluid,flow [g/s]\na,north,c,"3,2"\n', "decimal point"),
        ("name,place,fluid,flow [g/s]\na,north,c,3,2\n", "has 5 cells, the heading has 4"),
        ("name;place;fluid;flow\na;north;c;3\n", "semicolons"),
        ("name,place,fluid,flow [g/s]\na,north,c,nan\n", "finite"),
        ("name,place,fluid,flow [g/s]\na,north,c,-3\n", "above 0"),
        ("name,place,fluid,flow [g/s]\na,north,c,3\na,north,c,3\n", "name 'a' of row 2"),
        ("name,place,fluid,flow [g/s],on [h]\na,north,c,3,1\n", "'on' without 'every'"),
        (
            "name,place,fluid,flow [g/s],on [h],every [h]\na,north,c,3,3,1\n",
            "is on for 3 h of every",
        ),
        ("name,place,fluid,flow [g/s],colour\na,north,c,3,red\n", "unknown heading 'colour'"),
        ("name,place,fluid,flow [g/s],hue\na,north,c,3,red\n", "next spell, on 2, every 2"),
        ("name,place,fluid,flow [g/s],flow [g/s]\na,north,c,3,4\n", "1:5: has the second heading"),
        (
            "name,place,fluid,flow [g/s],on [h],every [h],next spell\na,north,c,3,1,4,2026-12-01\n",
            "2:7: holds a date, '2026-12-01'; write a duration such as",
        ),
        ("name,place,fluid,flow [g/s]\na@b,north,c,3\n", "2:1: name must not hold '@'"),
        (
            "name,place,fluid,flow [g/s]\na,North,c,3\n",
            "2:2: 'North' is no listed place; did you mean 'north'?",
        ),
        ("name,place,fluid,flow [g/s]\na,moon,c,3\n", "add it to the list of places"),
        (
            "name,place,fluid,flow [g/s]\na,north,Biogas,3\nb,north,biogas,3\n",
            "fluid 'biogas' is 'Biogas' of row 2 in other capitals",
        ),
        (
            "name,place,fluid,flow [g/s],temp [K]\na,north,c,3,-5\n",
            "sources.csv: source 'a': temperature",
        ),
        ("name,place,fluid,flow [g/s]\na,north,nitrogen,3\n", "no source gives a fluid that burns"),
    ],
)
def test_bad_lists(lists: Path, text: str, said: str, capsys: Said) -> None:
    (lists / "sources.csv").write_text(text, encoding="utf-8")
    assert new(lists) == 2
    told = capsys.readouterr().err
    assert said in told
    assert len(told.splitlines()) == 1
    assert not (lists / "site").exists()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--demand", "3 kg"], "--demand: expects a power"),
        (["--demand", "20"], "--demand: 20 has no unit; write it such as '20 kW'"),
        (["--flow", "3 g/s"], "--flow is for a site without --sources"),
        (["--heating-value", "gas"], "write it as"),
        (["--heating-value", "gas=9 MJ/kg"], "'gas', which no source gives; the fluids are well"),
        (["--demand-place", "moon"], "'moon' is not in the list of places"),
    ],
)
def test_bad_flags(lists: Path, more: list[str], said: str, capsys: Said) -> None:
    assert new(lists, *more) == 2
    assert said in capsys.readouterr().err


def test_headings_may_number_the_outer_stage(lists: Path) -> None:
    text = SOURCES.replace("on [d],every [d]", "On 2 [d],every_2 [d]")
    (lists / "sources.csv").write_text(text, encoding="utf-8")
    (well, _) = read_sources(lists / "sources.csv")
    assert well.stages == (("1 h", "2 h"), ("5 d", "9 d"))


def test_two_spaces_are_no_other_name_and_remarks_are_not_read(lists: Path) -> None:
    """A place that is spelt in three ways was three places before."""
    (lists / "sources.csv").write_text(
        "name,place,fluid,flow [g/s],remarks\n"
        "a,north  pad,bio gas,3,old\nb,north pad,bio  gas,3,\n",
        encoding="utf-8",
    )
    found = read_sources(lists / "sources.csv")
    assert {(one.place, one.fluid) for one in found} == {("north pad", "bio gas")}
    (lists / "sources.csv").write_text(
        "name,place,fluid,flow [g/s]\na,North pad,gas,3\nb,north pad,gas,3\n", encoding="utf-8"
    )
    with pytest.raises(TableFileError, match="place 'north pad' is 'North pad' of row 2 in other"):
        read_sources(lists / "sources.csv")


def test_a_gauge_pressure_of_a_list_is_that_of_a_file(lists: Path) -> None:
    (lists / "sources.csv").write_text(
        "name,place,fluid,flow [g/s],pressure\na,north,biogas,3,5 kPa(g)\n", encoding="utf-8"
    )
    assert new(lists) == 0
    source = read_site(lists / "site" / "site.yaml").sources["a"]
    assert source.pressure == pytest.approx(101_325 + 5_000)


def test_a_folder_with_other_files_is_left_alone(lists: Path, capsys: Said) -> None:
    assert new(lists) == 0
    assert new(lists) == 2
    assert "is not empty, it holds site.yaml" in capsys.readouterr().err
    files = ["--sources", str(lists / "sources.csv"), "--places", str(lists / "places.csv")]
    (lists / "site" / "site.yaml").unlink()
    (lists / "site").rmdir()
    assert main(["new", str(lists), *files]) == 0  # the lists themselves may be in it
    assert read_places(lists / "places.csv")[0].x == "0 m"


def test_the_catalogue_gives_what_a_list_does_not(lists: Path, capsys: Said) -> None:
    (lists / "sources.csv").write_text(
        "name,place,fluid,flow [g/s]\na,north,Biogas,3\nb,south,hydrogn,1\n", encoding="utf-8"
    )
    (lists / "places.csv").write_text("name,x [m],y [m]\nnorth,0,9\nsouth,9,0\nWorks,0,0\n")
    assert new(lists) == 0
    told = capsys.readouterr().out
    assert "fluids.Biogas" not in told
    assert "did you mean 'hydrogen' of the catalogue?" in " ".join(told.split())
    site = read_site(lists / "site" / "site.yaml")
    assert site.fluids["Biogas"].heating_value == pytest.approx(17.68e6)
    assert site.demands["works_load"].place == "Works"
    # 33 % of 3 g/s at 17.68 MJ/kg and 1 g/s at 20 MJ/kg, rounded down
    assert site.demands["works_load"].mean == 24100


def test_other_sheets_of_a_workbook_are_let_be(lists: Path) -> None:
    book = openpyxl.Workbook()
    book.active.title = "sources"
    book.active.append(["name", "place", "fluid", "flow"])
    book.active.append(["a", "north", "g", "3 g/s"])
    other = book.create_sheet("sums")
    other["A1"] = "=SUM(B1:B9)"
    other.merge_cells("B1:C1")
    book.save(lists / "s.xlsx")
    assert read_sources(lists / "s.xlsx")[0].flow == "3 g/s"
    book.active["D2"] = "12,5 g/s"
    book.save(lists / "s.xlsx")
    with pytest.raises(TableFileError, match=r"sheet 'sources', cell D2: .*decimal point"):
        read_sources(lists / "s.xlsx")
