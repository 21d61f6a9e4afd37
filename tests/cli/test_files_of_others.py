"""A command that would replace a file that no run wrote is refused, and writes nothing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.cli import plan
from allocator.cli.entry import main
from allocator.engine.plan_folder import PLAN_FILES, plan_folder_files
from allocator.studies.compare_result import CompareResult
from allocator.studies.frontier_result import FrontierResult
from allocator.studies.operate_result import OperateResult
from allocator.studies.result import StudyResult
from allocator.studies.schedule_result import ScheduleResult
from allocator.studies.sweep_result import SweepResult

STATE = "format: allocator.state/1\nsite: First site\nlevels: {gas_holder@mill: 80 %}\n"
PAGE_ONLY = {"demands", "goals", "materials", "pipes", "power_lines", "sinks_used", "temperatures"}
"""Tables of the plan's page and of its texts, which have no file."""


@pytest.mark.parametrize(
    ("asked", "names"),
    [
        (["plan", "SITE"], ["summary.txt", "bill_of_materials.csv"]),
        (["plan", "SITE", "--alternatives", "2"], ["run.json"]),
        (["replan", "SITE", "PLAN"], ["changes.txt"]),
        (["simulate", "SITE", "PLAN"], ["levels.csv"]),
        (["compare", "SITE"], ["page.html"]),
        (["frontier", "SITE", "--give", "stock.steel"], ["frontier.csv"]),
        (["sweep", "SITE", "--grid", "stock.steel=1t"], ["effects.csv", "sweep.json"]),
        (["operate", "SITE", "PLAN", "--state", "STATE"], ["runs.csv"]),
        (["schedule", "SITE", "PLAN", "--crew", "40 kg/h"], ["schedule_steps.csv"]),
        (["plan", "SITE"], ["manifest.json"]),
    ],
)
def test_files_of_others_are_not_replaced(
    asked: list[str],
    names: list[str],
    networks: Path,
    planned: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("worked in vain")

    monkeypatch.setattr("allocator.engine.plan_site", never)
    monkeypatch.setattr("allocator.engine.simulate_plan", never)
    for study in ("compare", "frontier", "sweep", "operate"):
        monkeypatch.setattr(f"allocator.studies.{study}_result.{study}", never)
    (tmp_path / "state.yaml").write_text(STATE)
    own = tmp_path / "own"
    own.mkdir()
    for name in [*names, "notes.txt"]:
        (own / name).write_text("mine")
    given = {"SITE": networks / "first.yaml", "PLAN": planned, "STATE": tmp_path / "state.yaml"}
    assert main([*(str(given.get(word, word)) for word in asked), "-o", str(own)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert f"own: {', '.join(sorted(names))} would be replaced" in err
    assert {path.name for path in own.iterdir()} == {*names, "notes.txt"}
    assert {path.read_text() for path in own.iterdir()} == {"mine"}
    assert {path.name for path in tmp_path.iterdir()} == {"own", "state.yaml"}


def test_all_files_of_a_plan_are_known_before_it_is_made() -> None:
    assert set(plan_folder_files(COVE, COVE_PLAN, former=COVE_PLAN)) <= PLAN_FILES
    report = Path(plan.__file__).parents[1] / "report"
    texts = [path.read_text(encoding="utf-8") for path in report.rglob("*.py")]
    tables = {name for text in texts for name in re.findall(r'table_of\(\s*"(\w+)"', text)}
    assert len(tables) > 20
    assert {f"{name}.csv" for name in tables - PAGE_ONLY} <= PLAN_FILES


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        (CompareResult, {"comparison.txt", "comparison.json", "page.html", "vented.csv"}),
        (FrontierResult, {"frontier.txt", "frontier.json", "frontier.csv", "page.html"}),
        (OperateResult, {"operate.txt", "runs.csv", "burn.csv", "backup.csv", "levels.csv"}),
        (ScheduleResult, {"schedule.txt", "schedule_parts.csv", "schedule_steps.csv"}),
        (SweepResult, {"sweep.txt", "cases.csv", "points.csv", "keeping.csv", "failures.csv"}),
    ],
)
def test_the_files_of_a_study_are_known_before_it_is_made(
    kind: type[StudyResult], names: set[str]
) -> None:
    assert names <= kind.usual_files()
