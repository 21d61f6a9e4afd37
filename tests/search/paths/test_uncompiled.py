"""The path search without a compiler: the same moves, and in time for a first run."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from families import site_of

from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search import Progress, Settings, make_plan
from allocator.search.paths import repair, warming
from allocator.search.paths.network import candidate_of, path_network_of
from allocator.search.paths.starts import begun, continued
from allocator.search.paths.uncompiled import LAST_TURN, TURN, UncompiledSearch


@pytest.mark.slow
def test_it_finds_what_the_compiled_search_finds(tmp_path: Path) -> None:
    made = path_network_of(offered(network_of(site_of(tmp_path, 12, 16, 3)), "firm"), "clean_power")
    assert made is not None
    arrays, names = made
    search = UncompiledSearch(arrays, names, 3, 60.0)
    try:
        values, ends = [], time.monotonic() + 60.0
        while len(values) < 2 and time.monotonic() < ends:
            if search.better_than(None, 0.0):
                values.append(search.taken().value)
                assert not search.better_than(values[-1], 0.01)
            time.sleep(0.02)
    finally:
        search.end()
    start = begun(arrays, 3, arrays.weight)
    known, moves = [start.value], TURN
    for turn in range(8):
        start, moves = continued(arrays, start, moves, turn), min(2 * moves, LAST_TURN)
        known.append(start.value)
    assert len(values) == 2
    for value in values:
        assert any(value == pytest.approx(one, rel=1e-9) for one in known)


def test_a_run_that_is_not_compiled_in_time_takes_its_candidates(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_of(tmp_path, 20, 30, 4)
    made = path_network_of(offered(network_of(site), "mean"), "clean_power")
    assert made is not None
    arrays, names = made
    start = continued(arrays, begun(arrays, 3, arrays.weight), 2000, 0)
    found = candidate_of(arrays, names, start.best, start.value)
    ended: list[bool] = []

    class Known(UncompiledSearch):
        """Has its candidate at once."""

        def __init__(self, *given: object) -> None:
            del given
            self._lock, self._best, self._taken = threading.Lock(), found, 0.0

        def end(self) -> None:
            ended.append(True)

    monkeypatch.setattr(warming.Warming, "done", lambda self, seconds: False)
    monkeypatch.setattr(repair, "UncompiledSearch", Known)
    monkeypatch.setattr(repair, "crowding", lambda: 2.0)
    lines: list[Progress] = []
    settings = Settings(basis="mean", time_limit=8.0, threads=1, gap=0.5)
    plan = make_plan(site, settings, lines.append).plan
    assert plan is not None
    assert plan.goals[0].value >= found.value * (1.0 - 1e-6)
    assert any(
        line.note == "candidate" and line.value == pytest.approx(found.value) for line in lines
    )
    assert ended
    ended.clear()
    monkeypatch.setattr(repair, "crowding", lambda: 1.0)  # the compiler needs the core
    assert make_plan(site, replace(settings, time_limit=2.0)).plan is not None
    assert not ended
