"""Worker processes of the page: one waits ready, so that an order is begun at once."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pickle
import sys
from collections.abc import AsyncIterator

from allocator.view.orders import HEAD, News, Order, framed

WORK = "allocator.view.work"


class WorkerProcess:
    """A process that does one order and ends; :meth:`end` ends it before."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process

    @classmethod
    async def begin(cls) -> WorkerProcess:
        """Start one; it reads what it needs and waits for its order."""
        return cls(
            await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                WORK,
                str(os.getpid()),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
                start_new_session=True,  # Ctrl-C is for the server, which ends this
            )
        )

    async def news(self, order: Order) -> AsyncIterator[News]:
        """Give the order, then all news until the process ends.

        Raises:
            EOFError: the process died in the middle of something.
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            self._process.stdin.write(framed(order))
            await self._process.stdin.drain()
            while head := await self._process.stdout.read(HEAD.size):
                if len(head) < HEAD.size:
                    head += await self._process.stdout.readexactly(HEAD.size - len(head))
                content = await self._process.stdout.readexactly(HEAD.unpack(head)[0])
                yield pickle.loads(content)
        except (asyncio.IncompleteReadError, ConnectionError):
            raise EOFError from None
        if await self._process.wait():
            raise EOFError

    async def end(self) -> None:
        """End it at once, and wait until it is gone. What it began ends with it."""
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()
        await self._process.wait()


class WorkerPool:
    """Hands out processes that are ready, and ends all of them."""

    def __init__(self) -> None:
        self._ready: WorkerProcess | None = None
        self._begun: set[WorkerProcess] = set()
        self._one = asyncio.Lock()

    async def prepare(self) -> None:
        """See that one waits."""
        async with self._one:
            await self._see_ready()

    async def _see_ready(self) -> WorkerProcess:
        if self._ready is None:
            self._ready = await WorkerProcess.begin()
            self._begun.add(self._ready)
        return self._ready

    async def take(self) -> WorkerProcess:
        """One that waits, or a new one; the next is prepared when this one is done."""
        async with self._one:
            taken = await self._see_ready()
            self._ready = None
            return taken

    async def end(self, worker: WorkerProcess) -> None:
        """End one."""
        await worker.end()
        self._begun.discard(worker)

    async def end_all(self) -> None:
        """End all of them."""
        self._ready = None
        for worker in list(self._begun):
            await self.end(worker)
