"""A search that is not compiled yet is left for later, and the plan does without it."""

from __future__ import annotations

from pathlib import Path

import pytest
from families import site_of

from allocator.planning import Settings, make_plan
from allocator.planning.planner import state
from allocator.planning.search.network import network_of
from allocator.planning.search.warming import Warming
from allocator.proof import audit


def test_a_cold_search_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "none"))  # nothing is compiled there
    monkeypatch.setattr(Warming, "done", lambda self, seconds: self._process is None)
    site = site_of(tmp_path, 20, 30, 4)
    outcome = make_plan(site, Settings(basis="mean", time_limit=6.0))
    assert outcome.plan is not None
    assert audit(site, outcome.plan).accepted
    assert "paths" not in outcome.seconds


def test_it_is_compiled_beside_and_the_mark_tells_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, choices = state(site_of(tmp_path, 8, 10, 2), "mean")
    made = network_of(choices, "clean_power")
    assert made is not None
    folder = tmp_path / "cache"
    folder.mkdir()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(folder))
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")  # the road there and back, without the compiler
    first = Warming(made[0])
    assert not first.done(0.0)
    assert first.done(60.0)
    assert [file.suffix for file in folder.iterdir()] == [".compiled"]
    assert Warming(made[0]).done(0.0)
