"""Starts in other processes: the same plans, none lost with a worker, no process left behind."""

from __future__ import annotations

import os
import time
from concurrent.futures import Executor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

import pytest
from families import site_of

from allocator.base.process_pool import process_pool
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search.paths.network import Candidate, Names, path_network_of
from allocator.search.paths.records import Arrays
from allocator.search.paths.starts import PathSearch


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Arrays, Names]:
    site = site_of(tmp_path_factory.mktemp("site"), 12, 8, 2)
    arrays_and_names = path_network_of(offered(network_of(site), "firm"), "clean_power")
    assert arrays_and_names is not None
    return arrays_and_names


def elite(made: tuple[Arrays, Names], executor: Executor | None = None) -> list[Candidate]:
    search = PathSearch(*made, seed=3, effort="quick", executor=executor, workers=2)
    search.run(None, 60, lambda: False, lambda find, note: None)
    return search.elite


def test_other_processes_change_nothing_nor_does_their_loss(made: tuple[Arrays, Names]) -> None:
    alone = elite(made)
    with process_pool(2) as pool:
        assert elite(made, pool) == alone
        dying = pool.submit(os._exit, 1)  # a worker dies, and with it the pool
        assert elite(made, pool) == alone
        assert isinstance(dying.exception(60), BrokenProcessPool)
        assert elite(made, pool) == alone  # nor does a pool that is known to be lost


def test_no_process_is_left_behind() -> None:
    with process_pool(2) as pool:
        pool.submit(time.sleep, 600.0)
        processes = list(pool._processes)  # type: ignore[attr-defined]
        assert processes
    assert not any(Path(f"/proc/{process}").exists() for process in processes)


def test_long_starts_go_on_from_the_best(
    made: tuple[Arrays, Names], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("allocator.search.paths.starts.LEAST_ROUNDS", 10**9)
    heard: list[float] = []
    with ThreadPoolExecutor(2) as pool:
        search = PathSearch(*made, seed=3, effort="normal", executor=pool, workers=2)
        elite(made)  # compiled by now
        search.run(1.0, None, lambda: False, lambda find, note: heard.append(find.value))
    assert heard == sorted(heard)
    assert search.elite[0].value == max(heard)
    one, other = search._long
    assert one.seed != other.seed
    search._long = [replace(one, value=0.5 * other.value), other]
    search._exchange()
    assert [start.state is other.state for start in search._long] == [True, True]
    assert [start.seed for start in search._long] == [one.seed, other.seed]
