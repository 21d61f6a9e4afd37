"""The cases of a study, run in this process, on a pool of processes or on a cluster.

Whatever the workers, the results are the same: a case is a pure function of its arguments, and
its key says which. Results are kept as they come; cases whose results are known are not run again.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)
from dataclasses import dataclass
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from allocator.base.errors import AllocatorError
from allocator.base.numbers_given import check_whole
from allocator.base.process_pool import process_pool
from allocator.studies.results import Result, Results

THREAD_LIMITS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
ATTEMPTS = 3
"""How often a case is tried when its worker is lost."""
LOST = "its worker was lost"
"""How the reason of a case begins whose workers were lost: it is tried again another time."""
REACHED, ANSWER = 3.0, 10.0
"""s within which a cluster must be reached, and answer."""
PATIENCE = 60.0
"""s that a cluster may be without any worker while cases wait: those that restart take a while."""
LOOK = 2.0
"""s between looks whether a cluster is still there."""

Task = Callable[..., Any]


class ClusterError(AllocatorError):
    """A cluster that cannot be used."""


class WorkersError(AllocatorError):
    """Worker processes that do not work at all."""


NO_WORKERS = (
    "worker processes end before they give any result; use one worker, or, in a script of your "
    "own, start the work under: if __name__ == '__main__':"
)


class StudyCase(NamedTuple):
    """One case: its key, which says all that it depends on, and its arguments."""

    key: str
    arguments: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Workers:
    """Who works on the cases of a study.

    Parameters
    ----------
    count
        Processes on this machine; 1: this one.
    cluster
        Address of a Dask scheduler, in place of them.

    Examples
    --------
    >>> import allocator as al
    >>> al.Workers(count=2).cluster is None
    True
    """

    count: int = 1
    cluster: str | None = None

    def __post_init__(self) -> None:
        check_whole("workers", self.count, 1)


@dataclass
class StudyProgress:
    """Tells how far a study is, at most once a second, and at its end."""

    total: int
    tell: Callable[[str], object]
    done: int = 0
    failed: int = 0
    known: int = 0
    _first: float = 0.0
    _told: float = 0.0

    def step(self, ok: bool) -> None:
        """One more case is done."""
        self.done += 1
        self.failed += not ok
        now = time.monotonic()
        if self.done == 1:
            self._first = now  # the first case compiles and loads what the others find ready
        left = self.total - self.known - self.done
        if now - self._told < 1.0 and left:
            return
        self._told = now
        words = f"{self.known + self.done} of {self.total} cases"
        if self.failed:
            words += f", {self.failed} failed"
        if left and self.done > 1:
            words += f", about {_span((now - self._first) / (self.done - 1) * left)} left"
        self.tell(words)


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def run_cases(
    task: Task,
    cases: Sequence[StudyCase],
    workers: Workers,
    results: Results | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> dict[str, Result]:
    """Run a function on every case.

    Args:
        task: a function of a module, so that other processes can import it; what it returns
            must be JSON.
        cases: keys and arguments; keys are distinct.
        workers: who runs them.
        results: where results are kept; those kept already are not worked out again,
            but for those whose workers were lost.
        tell: hears of progress.

    Returns:
        key -> result, in the order of the cases. A case that fails has the reason as its result.

    Raises:
        ClusterError: the cluster does not answer within 10 s, or is lost for good.
        WorkersError: worker processes do not start or all end at once.
    """
    known = {} if results is None else results.known()
    found = {key: result for key, result in known.items() if not result.reason.startswith(LOST)}
    waiting = [case for case in cases if case.key not in found]
    progress = StudyProgress(len(cases), tell, known=len(cases) - len(waiting))
    if progress.known:
        tell(f"{progress.known} of {len(cases)} cases are known already")
    for key, result in _done(task, waiting, workers):
        found[key] = result
        if results is not None:
            results.keep(key, result)
        progress.step(result.ok)
    return {case.key: found[case.key] for case in cases}


def _done(task: Task, cases: Sequence[StudyCase], workers: Workers) -> Iterator[tuple[str, Result]]:
    if not cases:
        return
    if workers.cluster is not None:
        with _quiet_client(), _cluster(workers.cluster) as (executor, client):
            count = sum(client.nthreads().values())
            watch = _Watch(client, workers.cluster)
            opened = contextlib.nullcontext(executor)
            yield from _streamed(task, cases, lambda: opened, count, watch)
    elif workers.count == 1:
        for case in cases:
            yield case.key, attempt(task, case.arguments)
    else:
        yield from _streamed(task, cases, lambda: _pool(workers.count), workers.count)


@contextlib.contextmanager
def executor_of(workers: Workers) -> Iterator[Executor | None]:
    """The executor of some workers for a while; None where this process does the work.

    Raises:
        ClusterError: the cluster does not answer within 10 s.
    """
    if workers.cluster is not None:
        with _cluster(workers.cluster) as (executor, _):
            yield executor
    elif workers.count == 1:
        yield None
    else:
        with _pool(workers.count) as executor:
            yield executor


class NotInTimeError(AllocatorError):
    """No time was left for a case."""

    def __init__(self) -> None:
        super().__init__("no time was left for it: allow more")


def attempt(task: Task, arguments: tuple[Any, ...]) -> Result:
    """One case, its failure caught: this is what a worker runs."""
    began = time.perf_counter()
    try:
        return Result(task(*arguments), "", time.perf_counter() - began)
    except Exception as error:  # whatever goes wrong in one case, the others go on
        reason = str(error) or type(error).__name__
        if not isinstance(error, AllocatorError):
            reason = f"{type(error).__name__}: {error}"
        return Result(None, reason, time.perf_counter() - began)


def _streamed(
    task: Task,
    cases: Sequence[StudyCase],
    opened: Callable[[], contextlib.AbstractContextManager[Executor]],
    count: int,
    watch: Callable[[], object] = lambda: None,
) -> Iterator[tuple[str, Result]]:
    """Results as they come; never many more cases with the workers than they have in hand.

    ``watch`` is asked now and then while nothing comes, and raises when nothing will.

    Raises:
        WorkersError: no worker gave any result, and several cases were lost with theirs.
    """
    waiting = list(reversed(cases))
    tries: dict[str, int] = {}
    given_up, succeeded = 0, False
    while waiting:
        running: dict[Future[Result], StudyCase] = {}
        with opened() as executor:
            try:
                while waiting or running:
                    # After a loss the suspects go alone, so that only the guilty one is given up.
                    suspects = [*waiting[-1:], *running.values()]
                    most = 1 if any(case.key in tries for case in suspects) else 4 * count
                    while waiting and len(running) < most:
                        case = waiting[-1]
                        running[executor.submit(attempt, task, case.arguments)] = case
                        waiting.pop()  # only once it is taken: a pool may break on being asked
                    finished, _ = wait(running, timeout=LOOK, return_when=FIRST_COMPLETED)
                    if not finished:
                        watch()
                    for future in finished:
                        case = running[future]
                        try:
                            result = future.result()
                        except BrokenExecutor:
                            raise
                        except (Exception, CancelledError) as error:  # a cluster's own
                            watch()
                            tried = tries[case.key] = tries.get(case.key, 0) + 1
                            del running[future]
                            if tried == 1 or not (_killed(error) or tried >= ATTEMPTS):
                                # a cluster may blame what was beside the guilty one
                                waiting.append(case)
                                continue
                            result = Result(None, _lost(error), 0.0)
                        else:
                            succeeded = True
                            del running[future]
                        yield case.key, result
            except BrokenExecutor:
                if not running:
                    running[Future()] = waiting.pop()
                for case in running.values():
                    tries[case.key] = tries.get(case.key, 0) + 1
                    if tries[case.key] < ATTEMPTS:
                        waiting.append(case)
                    elif given_up and not succeeded:
                        raise WorkersError(NO_WORKERS) from None
                    else:
                        given_up += 1
                        reason = f"{LOST} {ATTEMPTS} times"
                        yield case.key, Result(None, reason, 0.0)


def _killed(error: BaseException) -> bool:
    """Whether a cluster gave a case up for the workers that it ended."""
    return type(error).__name__ == "KilledWorker"


def _lost(error: BaseException) -> str:
    """Why a cluster gave a case up, without the names of tasks and machines."""
    if _killed(error):
        return f"{LOST} more than {ATTEMPTS} times"
    return f"{LOST} {ATTEMPTS} times: {str(error) or type(error).__name__}"


class _Watch:
    """Raises :class:`ClusterError` once a cluster is gone, or has had no workers for long."""

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self._there = time.monotonic()

    def __call__(self) -> None:
        status, gone = self._client.status, time.monotonic() - self._there
        if status == "running" and self._client.nthreads():
            self._there = time.monotonic()
        elif status == "running" and gone > PATIENCE:
            raise ClusterError(
                f"the cluster at {self._address} has had no workers for {PATIENCE:.0f} s; "
                "start some and try again"
            ) from None
        elif status != "running" and (status != "connecting" or gone > ANSWER):
            raise ClusterError(
                f"the cluster at {self._address} was lost; start it and try again"
            ) from None


@contextlib.contextmanager
def _pool(count: int) -> Iterator[Executor]:
    with _capped_threads(), process_pool(count) as pool:
        yield pool


@contextlib.contextmanager
def _capped_threads() -> Iterator[None]:
    """One thread for each worker, in what the workers inherit."""
    before = {name: os.environ.get(name) for name in THREAD_LIMITS}
    os.environ.update(dict.fromkeys(THREAD_LIMITS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _quiet_client() -> Iterator[None]:
    """A client that loses its cluster writes traces of its own: what we say of it is enough."""
    import logging

    log = logging.getLogger("distributed.client")
    before = log.level
    log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(before)


def _check_address(address: str) -> None:
    """Raises ClusterError where nobody listens: a client would try for long, and leave traces."""
    scheme, _, place = address.rpartition("://")
    if scheme not in ("", "tcp", "tls"):
        return
    try:
        parts = urlsplit(f"//{place}")
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if not host or not port:
        raise ClusterError(f"{address!r} is no address of a scheduler; write it tcp://HOST:8786")
    try:
        socket.create_connection((host, port), timeout=REACHED).close()
    except OSError as error:
        reason = error.strerror or f"no answer in {REACHED:.0f} s"
        raise ClusterError(
            f"the cluster at {address} does not answer ({reason}); "
            "check the address and that its scheduler runs"
        ) from None


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[tuple[Executor, Any]]:
    try:
        import distributed
    except ImportError as error:
        raise ClusterError(
            "a cluster needs the package 'distributed': pip install 'allocator[cluster]'"
        ) from error
    _check_address(address)
    try:
        with _quiet_client():  # its own words of an address that does not answer are traces
            client: Any = distributed.Client(address, timeout=ANSWER, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"the cluster at {address} does not answer within {ANSWER:.0f} s; "
            "check the address and that its scheduler runs"
        ) from error
    try:
        try:
            client.wait_for_workers(1, timeout=ANSWER)
        except TimeoutError as error:
            raise ClusterError(
                f"the cluster at {address} has no workers; start some and try again"
            ) from error
        _cap_workers(client)
        yield client.get_executor(pure=False, retries=ATTEMPTS - 1), client
    finally:
        with contextlib.suppress(TimeoutError):  # what was asked for is there
            client.close(timeout=ANSWER)


def _cap_workers(client: Any) -> None:
    """One thread for each case in workers that run already, and in those that join later."""
    import distributed

    class Capped(distributed.WorkerPlugin):  # type: ignore[misc]
        name = "allocator-threads"

        def setup(self, worker: object) -> None:
            del worker
            os.environ.update(dict.fromkeys(THREAD_LIMITS, "1"))

    with contextlib.suppress(OSError):  # a worker that is just lost comes back with it
        client.register_plugin(Capped())


def keyed(parts: Mapping[str, Any]) -> str:
    """A case's key: its parts as JSON with sorted names, the same on every machine."""
    import json

    return json.dumps(parts, sort_keys=True, ensure_ascii=False)
