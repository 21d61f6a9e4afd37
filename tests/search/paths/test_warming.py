"""What is compiled for the search is kept where that is allowed, and by one process at a time."""

from __future__ import annotations

import multiprocessing
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest

from allocator.base import compiling
from allocator.base.compiling import compiling_alone, kept_in
from allocator.search.paths import warming


def test_a_folder_that_is_named_is_the_only_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "named"))
    assert kept_in() == tmp_path / "named"
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "file"))
    assert kept_in() is None
    assert "set NUMBA_CACHE_DIR" in warming.first_run_note()


def test_a_package_that_cannot_be_written_to_leaves_the_users_cache(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    writable = compiling._writable
    package = Path(compiling.__file__).parent
    monkeypatch.setattr(
        compiling, "_writable", lambda p: not p.is_relative_to(package) and writable(p)
    )
    assert kept_in() == tmp_path / "allocator"
    assert "first run of this version" in warming.first_run_note()
    for part in (warming.BOUNDS, warming.PATHS):
        assert warming.first_run_note()
        warming.leave_mark(part)
    assert warming.first_run_note() == ""


def test_the_path_search_does_not_wait_for_what_the_bound_needs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as process:
        waiting = warming.Warming.__new__(warming.Warming)
        waiting._process, waiting._look_again = process, 0.0  # type: ignore[assignment]
        assert not waiting.done(0.05)
        warming.leave_mark(warming.PATHS)
        assert waiting.done(60.0)
        assert process.poll() is None
        process.kill()
    assert not warming.compiled_before(warming.BOUNDS)


def hold(seconds: float) -> tuple[float, float]:
    with compiling_alone("part"):
        began = time.monotonic()
        time.sleep(seconds)
        return began, time.monotonic()


def test_two_processes_do_not_compile_side_by_side(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    with multiprocessing.get_context("fork").Pool(3) as pool:
        spans = sorted(pool.map(hold, [0.2] * 3, chunksize=1))
    assert all(earlier[1] <= later[0] for earlier, later in pairwise(spans))
