"""No command writes over what it reads, nor over a file of a plan."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

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
