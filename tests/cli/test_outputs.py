"""No command writes over what it reads, nor over a file of a plan."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import allocator as al
from allocator.cli.entry import main

Told = pytest.CaptureFixture[str]


@pytest.fixture
def there(networks: Path, planned: Path, tmp_path: Path) -> tuple[Path, Path]:
    """A site file and the folder of its plan, which may be destroyed."""
    site, plan = tmp_path / "site.yaml", tmp_path / "plan"
    shutil.copy(networks / "first.yaml", site)
    shutil.copytree(planned, plan)
    return site, plan


@pytest.mark.parametrize("command", ["report", "built", "enclosure", "sources", "heat-sinks"])
@pytest.mark.parametrize(
    "output", ["site.yaml", "link.yaml", "plan/plan.json", "plan/manifest.json"]
)
def test_an_output_over_an_input_is_refused(
    command: str, output: str, there: tuple[Path, Path], capsys: Told
) -> None:
    site, plan = there
    (site.parent / "link.yaml").symlink_to(site)
    file = site.parent / output
    before = {path: path.read_bytes() for path in (site, *plan.iterdir()) if path.is_file()}
    given = [str(site), str(plan)] if command in ("report", "built") else [str(site)]
    assert main([command, *given, "-o", str(file)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"allocator: {file} ")
    assert line.endswith("name another file")
    assert before == {path: path.read_bytes() for path in before}


@pytest.mark.parametrize("command", ["draw", "enclosure", "sources", "built", "corridors"])
def test_a_series_of_the_site_file_is_no_output(
    command: str, there: tuple[Path, Path], capsys: Told
) -> None:
    """Series of a demand and of a source, by a path with detours and through a link."""
    site, plan = there
    (site.parent / "data").mkdir()
    series = site.parent / "data" / "load.csv"
    series.write_text("time_h,power_kw\n0,5\n1,6\n", encoding="utf-8")
    (site.parent / "link.svg").symlink_to(series)
    text = site.read_text(encoding="utf-8")
    site.write_text(f"{text}\nother: {{a: [{{power: {{csv: data/../data/load.csv}}}}]}}\n")
    extra = {"built": [str(plan)], "corridors": ["--terrain", "a.asc", "--grounds", "b.csv"]}
    for output in (series, site.parent / "link.svg"):
        assert main([command, str(site), *extra.get(command, []), "-o", str(output)]) == 2
        told = capsys.readouterr().err
        assert told == (
            f"allocator: {output} is read by this command, which would replace it; "
            "name another file\n"
        )
    assert series.read_text(encoding="utf-8").startswith("time_h,power_kw")


def test_a_folder_whose_files_the_site_file_names_is_refused(
    there: tuple[Path, Path], capsys: Told
) -> None:
    site, plan = there
    before = (plan / "levels.csv").read_bytes()
    with site.open("a", encoding="utf-8") as file:
        file.write("\nother: {series: {csv: plan/levels.csv}}\n")
    assert main(["plan", str(site), "-o", str(plan)]) == 2
    told = capsys.readouterr().err
    assert told == (
        f"allocator: {plan} holds levels.csv, which the site file names; name another folder\n"
    )
    assert (plan / "levels.csv").read_bytes() == before


def test_the_folder_of_the_former_plan_is_refused(there: tuple[Path, Path], capsys: Told) -> None:
    site, plan = there
    for former in (plan, plan / "plan.json"):
        assert main(["replan", str(site), str(former), "-o", str(plan)]) == 2
        told = capsys.readouterr().err
        assert told == f"allocator: {plan} holds the former plan; name another folder\n"


def test_the_record_of_what_is_built_is_no_page(there: tuple[Path, Path], capsys: Told) -> None:
    site, plan = there
    record = plan / "built.csv"
    record.write_text("step,date\n", encoding="utf-8")
    assert main(["report", str(site), str(plan), "-o", str(record)]) == 2
    assert "is read by this command" in capsys.readouterr().err
    assert record.read_text(encoding="utf-8") == "step,date\n"


@pytest.mark.parametrize("record", ["built.csv", "mine.csv", "new.csv"])
def test_the_site_file_is_not_written_over_the_record(
    record: str, there: tuple[Path, Path], tmp_path: Path, capsys: Told
) -> None:
    """Nor where neither is there yet; ``built.csv`` beside the plan is the record by default."""
    site, plan = there
    file = plan / record if record == "built.csv" else tmp_path / record
    named = [] if record == "built.csv" else ["--record", str(file)]
    if record != "new.csv":
        assert main(["built", str(site), str(plan), "--done", "1", *named]) == 0
    before = file.read_bytes() if file.exists() else None
    capsys.readouterr()
    assert main(["built", str(site), str(plan), "--done", "1-2", *named, "-o", str(file)]) == 2
    assert "name another file" in capsys.readouterr().err
    assert (file.read_bytes() if file.exists() else None) == before


def test_the_record_is_not_written_over_what_is_read(there: tuple[Path, Path]) -> None:
    site, plan = there
    before = site.read_bytes()
    assert main(["built", str(site), str(plan), "--done", "1", "--record", str(site)]) == 2
    assert site.read_bytes() == before


@pytest.mark.parametrize(
    "given",
    [
        ["plan", "SITE", "-o", ""],
        ["check", ""],
        ["plan", "", "-o", "out"],
        ["report", "SITE", "PLAN", "-o", ""],
        ["built", "SITE", "PLAN", "--done", "1", "--record", ""],
    ],
)
def test_an_empty_name_is_no_file(
    given: list[str],
    there: tuple[Path, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: Told,
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    named = {"SITE": str(there[0]), "PLAN": str(there[1])}
    assert main([named.get(word, word) for word in given]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("allocator: the name given for ")
    assert sorted(tmp_path.rglob("*")) == before


def test_an_empty_name_is_no_folder_in_python(
    there: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    found = al.heat_sinks(str(there[0]))
    with pytest.raises(al.AllocatorError, match="is empty"):
        found.save("")
    assert sorted(tmp_path.rglob("*")) == before
