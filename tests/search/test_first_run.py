"""The first run of a version waits for its search to be compiled, and for nothing else."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from families import site_of

import allocator as al
from allocator.cli import plan as plan_command
from allocator.cli.entry import main
from allocator.engine import planning
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search import Settings, first_run
from allocator.search.paths import warming
from allocator.search.paths.network import path_network_of
from allocator.search.paths.records import Arrays

NETWORKS = Path(__file__).parents[2] / "networks"


@pytest.fixture
def nothing_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in which nothing compiled is kept yet."""
    folder = tmp_path / "kept"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(folder))
    return folder


@pytest.fixture
def arrays(tmp_path: Path) -> Arrays:
    """Those of a small site."""
    made = path_network_of(offered(network_of(site_of(tmp_path, 12, 8, 2)), "firm"), "clean_power")
    assert made is not None
    return made[0]


class Begun:
    """Processes that stand for those that compile."""

    def __init__(self, code: str) -> None:
        self.code = code
        self.parts: list[tuple[str, ...]] = []
        self.processes: list[subprocess.Popen[bytes]] = []

    def __call__(self, parts: tuple[str, ...]) -> subprocess.Popen[bytes]:
        self.parts.append(parts)
        self.processes.append(subprocess.Popen([sys.executable, "-c", self.code]))
        return self.processes[-1]

    @property
    def all_ended(self) -> bool:
        return all(process.poll() is not None for process in self.processes)


@pytest.mark.usefixtures("nothing_kept")
def test_only_a_site_with_a_path_search_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    compiled: list[bool] = []
    monkeypatch.setattr(
        first_run, "compile_all", lambda arrays, side_by_side: compiled.append(side_by_side)
    )
    told: list[str] = []
    small = al.read_site(NETWORKS / "first.yaml")
    assert first_run.compiled_first(small, Settings(), told.append) == 0.0
    assert not told
    larger = site_of(tmp_path, 12, 8, 2)
    assert first_run.compiled_first(larger, Settings(node_limit=5), told.append) == 0.0
    assert not told
    assert first_run.compiled_first(larger, Settings(), told.append) > 0.0
    assert told == [first_run.NOTE]
    assert len(compiled) == 1
    for part in (warming.PATHS, warming.BOUNDS):
        warming.leave_mark(part)
    assert first_run.compiled_first(larger, Settings(), told.append) == 0.0
    assert len(compiled) == len(told) == 1


def test_where_nothing_can_be_kept_nobody_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "file"))
    told: list[str] = []
    assert first_run.compiled_first(site_of(tmp_path, 12, 8, 2), Settings(), told.append) == 0.0
    assert len(told) == 1
    assert "set NUMBA_CACHE_DIR" in told[0]


@pytest.mark.usefixtures("nothing_kept")
@pytest.mark.parametrize(
    "code", ["raise SystemExit(1)", "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"]
)
def test_a_compiler_that_fails_or_is_killed_is_not_waited_for(
    code: str, arrays: Arrays, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = Begun(code)
    monkeypatch.setattr(warming, "_begun", begun)
    assert not warming.compile_all(arrays, side_by_side=True)
    assert begun.parts == [(warming.PATHS,), (warming.BOUNDS,)]
    monkeypatch.setattr(warming, "_begun", lambda parts: None)  # no process can be started
    assert not warming.compile_all(arrays, side_by_side=False)


SLEEP = "import time; time.sleep(600)"


@pytest.mark.usefixtures("nothing_kept")
def test_what_another_run_has_compiled_ends_the_waiting(
    arrays: Arrays, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = Begun(SLEEP)
    monkeypatch.setattr(warming, "_begun", begun)
    for part in (warming.PATHS, warming.BOUNDS):
        warming.leave_mark(part)
    assert warming.compile_all(arrays, side_by_side=False)
    assert begun.parts == [(warming.PATHS, warming.BOUNDS)]
    assert begun.all_ended


@pytest.mark.usefixtures("nothing_kept")
def test_a_compiler_that_hangs_is_ended(arrays: Arrays, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = Begun(SLEEP)
    monkeypatch.setattr(warming, "_begun", begun)
    monkeypatch.setattr(warming, "MOST_SECONDS", 0.0)
    assert not warming.compile_all(arrays, side_by_side=True)
    assert begun.all_ended


@pytest.mark.usefixtures("nothing_kept")
def test_an_interrupt_ends_what_compiles(arrays: Arrays, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(seconds: float) -> None:
        raise KeyboardInterrupt

    begun = Begun(SLEEP)
    monkeypatch.setattr(warming, "_begun", begun)
    monkeypatch.setattr(warming.time, "sleep", interrupt)
    with pytest.raises(KeyboardInterrupt):
        warming.compile_all(arrays, side_by_side=True)
    assert begun.all_ended


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How often the search is compiled first, which takes ten seconds that nobody waits."""
    asked: list[float] = []

    def ten_seconds(*given: Any) -> float:
        asked.append(10.0)
        return 10.0

    monkeypatch.setattr(planning, "compiled_first", ten_seconds)
    monkeypatch.setattr(first_run, "compiled_first", ten_seconds)
    return asked


def test_the_waiting_is_not_of_the_time_of_the_plan(
    waits: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    limits: list[float] = []
    plan_site = planning.plan_site

    def noted(site: Any, settings: Settings, *rest: Any) -> Any:
        limits.append(settings.time_limit)
        return plan_site(site, settings, *rest)

    monkeypatch.setattr(planning, "plan_site", noted)
    al.plan(NETWORKS / "first.yaml", time_limit=60.0)
    assert not waits
    assert limits.pop() < 60.0
    al.plan(NETWORKS / "first.yaml")
    assert waits == [10.0]
    assert 60.0 < limits.pop() < 70.0


def test_the_command_waits_where_no_time_limit_is_given(
    waits: list[float], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[float] = []
    proved_in_time = plan_command.proved_in_time

    def noted(given: Any, *rest: Any) -> Any:
        begun.append(given.began)
        return proved_in_time(given, *rest)

    monkeypatch.setattr(plan_command, "proved_in_time", noted)
    plan = ["plan", str(NETWORKS / "first.yaml"), "-o", str(tmp_path / "out")]
    assert main([*plan, "--time-limit", "60"]) == 0
    assert not waits
    assert main(plan) == 0
    assert waits == [10.0]
    assert begun[1] > begun[0] + 10.0


def test_ctrl_c_while_it_waits_ends_the_command_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*given: Any) -> float:
        raise KeyboardInterrupt

    monkeypatch.setattr(first_run, "compiled_first", interrupted)
    folder = tmp_path / "out"
    assert main(["plan", str(NETWORKS / "first.yaml"), "-o", str(folder)]) == 130
    assert not folder.exists()
    assert "interrupted" in capsys.readouterr().err


@pytest.mark.slow
def test_parts_that_are_compiled_side_by_side_keep_no_function_in_common(
    nothing_kept: Path, arrays: Arrays
) -> None:
    assert warming.compile_all(arrays, side_by_side=True)
    assert list(nothing_kept.rglob("*.nbi"))
    assert not list(nothing_kept.rglob("heap*"))
