"""Cases run here, on a pool and on a cluster: the same results, none lost, failures told."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from concurrent.futures import CancelledError, Executor, Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from allocator.base.errors import AllocatorError
from allocator.studies.results import Result, Results, StoreError
from allocator.studies.running import (
    THREAD_LIMITS,
    ClusterError,
    StudyCase,
    Workers,
    WorkersError,
    _streamed,
    _Watch,
    run_cases,
)


def squares(count: int) -> list[StudyCase]:
    return [StudyCase(f"case {n:02}", (n, 2)) for n in range(count)]


def values(found: dict[str, Result]) -> dict[str, object]:
    return {key: (result.value, result.reason) for key, result in found.items()}


def test_here_and_on_a_pool_the_same() -> None:
    here = run_cases(pow, squares(20), Workers())
    pool = run_cases(pow, squares(20), Workers(2))
    assert list(here) == list(pool)
    assert values(here) == values(pool)
    assert here["case 07"].value == 49


def test_a_failing_case_is_told_and_the_rest_go_on() -> None:
    cases = [StudyCase("good", (6, 3)), StudyCase("bad", (6, 0)), StudyCase("also good", (9, 3))]
    found = run_cases(divmod, cases, Workers())
    assert found["bad"].reason.startswith("ZeroDivisionError: ")
    assert not found["bad"].ok
    assert found["also good"].value == (3, 0)


def test_workers_have_one_thread_each() -> None:
    found = run_cases(os.getenv, [StudyCase(n, (n,)) for n in THREAD_LIMITS], Workers(2))
    assert {result.value for result in found.values()} == {"1"}


def test_a_case_that_kills_its_worker_is_given_up_and_no_other() -> None:
    """The third case ends its process each time: after three tries it is told, the rest done."""
    cases = [StudyCase(str(n), (f"{n}",)) for n in range(6)]
    cases[2] = StudyCase("2", ("__import__('os')._exit(9)",))
    found = run_cases(eval, cases, Workers(2))
    assert found["2"].reason == "its worker was lost 3 times"
    assert [found[str(n)].value for n in (0, 1, 3, 4, 5)] == [0, 1, 3, 4, 5]


def test_workers_that_all_end_are_told_once_and_not_case_by_case() -> None:
    cases = [StudyCase(str(n), ("__import__('os')._exit(9)",)) for n in range(50)]
    with pytest.raises(WorkersError, match="if __name__ == '__main__'"):
        run_cases(eval, cases, Workers(2))


def test_a_script_without_a_guard_is_told_what_to_write(tmp_path: Path) -> None:
    """Each new process would run the script again: the pool breaks before it takes a case."""
    script = tmp_path / "script.py"
    script.write_text(
        "from allocator.studies.running import StudyCase, Workers, run_cases\n"
        "run_cases(pow, [StudyCase(str(n), (n, 2)) for n in range(30)], Workers(2))\n"
    )
    ended = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.returncode == 1
    assert "WorkersError: worker processes end before they give any result" in ended.stderr


def test_known_results_are_not_worked_out_again(tmp_path: Path) -> None:
    with Results(tmp_path / "cases.sqlite", {"of": "a"}) as results:
        results.keep("case 01", Result(-1, "", 0.0))
        results.keep("case 02", Result(None, "its worker was lost 3 times", 0.0))
        found = run_cases(pow, squares(3), Workers(), results)
    assert [found[case.key].value for case in squares(3)] == [0, -1, 4]
    with Results(tmp_path / "cases.sqlite", {"of": "a"}) as results:
        assert set(results.known()) == {"case 00", "case 01", "case 02"}


def test_another_study_is_refused(tmp_path: Path) -> None:
    Results(tmp_path / "cases.sqlite", {"of": "a"}).close()
    with pytest.raises(StoreError, match="another site, plan or settings"):
        Results(tmp_path / "cases.sqlite", {"of": "b"})
    (tmp_path / "text.sqlite").write_text("no database, and quite long enough to be read as one")
    with pytest.raises(StoreError, match="cannot be kept"):
        Results(tmp_path / "text.sqlite", {"of": "a"})


KILLED = """
import sys, time
from pathlib import Path
from allocator.studies.results import Results
from allocator.studies.running import StudyCase, Workers, run_cases

def slow(number):
    time.sleep(0.01)
    return number

with Results(Path(sys.argv[1]), {"of": "numbers"}) as results:
    cases = [StudyCase(str(n), (n,)) for n in range(100000)]
    run_cases(slow, cases, Workers(), results, lambda words: print(words, flush=True))
"""


MOMENTS = random.Random(1)
KILLS = [MOMENTS.uniform(0.0, 0.5) for _ in range(int(os.environ.get("ALLOCATOR_KILLS", "3")))]
"""Seconds after the first case; more where ``ALLOCATOR_KILLS`` asks for them."""


@pytest.mark.parametrize("moment", KILLS)
def test_a_kill_loses_no_finished_case(tmp_path: Path, moment: float) -> None:
    file = tmp_path / "cases.sqlite"
    run = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(file)], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout is not None
    told = int(run.stdout.readline().split()[0])  # at least one case is done
    time.sleep(moment)
    run.send_signal(signal.SIGKILL)
    run.wait()
    with Results(file, {"of": "numbers"}) as results:
        known = results.known()
        assert len(known) >= told
        # in order and whole: what was finished is there, each with its own value
        assert {key: result.value for key, result in known.items()} == {
            str(n): n for n in range(len(known))
        }


def test_a_cluster_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("allocator.studies.running.ANSWER", 0.5)
    began = time.monotonic()
    with pytest.raises(ClusterError, match="does not answer"):
        run_cases(pow, squares(2), Workers(cluster="tcp://127.0.0.1:9"))
    assert time.monotonic() - began < 10


@pytest.mark.parametrize("address", ["nonsense", "tcp://here", "tcp://127.0.0.1:x"])
def test_what_is_no_address_of_a_cluster(address: str, capfd: pytest.CaptureFixture[str]) -> None:
    """Told at once: no client is made, which would go on trying and leave a traceback."""
    pytest.importorskip("distributed")
    with pytest.raises(ClusterError, match="is no address of a scheduler"):
        run_cases(pow, squares(2), Workers(cluster=address))
    assert capfd.readouterr().err == ""


@pytest.mark.slow
def test_a_cluster_gives_the_same_as_a_pool() -> None:
    distributed = pytest.importorskip("distributed")
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    )
    try:
        workers = Workers(cluster=cluster.scheduler_address)
        there = run_cases(pow, squares(12), workers)
        # One of these ends its worker whenever it is tried: it is given up, the other one is not.
        deadly = [
            StudyCase("deadly", ("__import__('os')._exit(9)",)),
            StudyCase("sound", ("6 * 7",)),
        ]
        told = run_cases(eval, deadly, workers)
    finally:
        # closing a cluster that is about to restart a worker may fail within the library
        with contextlib.suppress(AssertionError):
            cluster.close()
    here = run_cases(pow, squares(12), Workers(2))
    assert values(there) == values(here)
    assert list(there) == list(here)
    # a cluster that is busy with restarts may say in another way what became of it
    assert told["deadly"].reason.startswith("its worker was lost ")
    assert told["sound"].value == 42


class KilledWorker(Exception):  # noqa: N818
    """As a cluster says it."""


class Blaming(Executor):
    """A cluster that blames all that was with a worker that is lost, and once for nothing."""

    def __init__(self) -> None:
        self.tried: dict[str, int] = {}

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        (name,) = args[1]
        self.tried[name] = self.tried.get(name, 0) + 1
        if name == "deadly" or (name == "beside" and self.tried[name] == 1):
            future.set_exception(KilledWorker(name))
        elif name == "unlucky" and self.tried[name] < 3:
            future.set_exception(CancelledError())
        elif name == "never":
            future.set_exception(OSError("not gathered"))
        else:
            future.set_result(fn(*args, **kwargs))
        return future


def test_what_a_cluster_blames_beside_the_guilty_one_is_tried_again() -> None:
    names = ["deadly", "beside", "sound", "unlucky", "never"]
    cluster = Blaming()
    cases = [StudyCase(name, (name,)) for name in names]
    found = dict(_streamed(str.upper, cases, lambda: contextlib.nullcontext(cluster), 2))
    assert found["deadly"].reason == "its worker was lost more than 3 times"
    assert found["never"].reason == "its worker was lost 3 times: not gathered"
    assert [found[n].value for n in ("beside", "sound", "unlucky")] == [
        "BESIDE",
        "SOUND",
        "UNLUCKY",
    ]
    assert cluster.tried == {"deadly": 2, "beside": 2, "sound": 1, "unlucky": 3, "never": 3}


def test_a_cluster_that_is_gone_or_has_no_workers_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    client = SimpleNamespace(status="running", nthreads=lambda: workers)
    workers = {"one": 1}
    now = [0.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    watch = _Watch(client, "tcp://there:1")
    now[0] = 1000.0
    watch()
    workers.clear()
    now[0] = 1059.0
    watch()
    now[0] = 1061.0
    with pytest.raises(ClusterError, match="has had no workers for 60 s"):
        watch()
    workers["one"] = 1
    watch()
    client.status = "connecting"  # it may come back
    now[0] += 9.0
    watch()
    now[0] += 2.0
    with pytest.raises(ClusterError, match="was lost; start it"):
        watch()
    client.status, now[0] = "closed", 1061.0
    with pytest.raises(ClusterError, match="was lost; start it"):
        watch()


def test_errors_of_ours_are_told_in_their_own_words() -> None:
    found = run_cases(_refuse, [StudyCase("x", ())], Workers())
    assert found["x"].reason == "the flow is 0; give a flow"


def _refuse() -> None:
    raise AllocatorError("the flow is 0; give a flow")
