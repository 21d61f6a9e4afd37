"""The state of the page: the present plan, a new one as it is found, and what is asked next."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from allocator.base.errors import OutputError
from allocator.base.folders import write_folder
from allocator.engine import plan_folder_files
from allocator.report.page import page_html
from allocator.search import Settings
from allocator.site.records import Site
from allocator.view.controls import (
    SITE_FILE,
    ChangeError,
    Changes,
    changed_site,
    controls_of,
    site_files,
    told,
)
from allocator.view.opening import Opened
from allocator.view.orders import (
    FaultNews,
    News,
    PageNews,
    PlanNews,
    PlanOrder,
    ProgressNews,
    YearOrder,
)
from allocator.view.processes import WorkerPool, WorkerProcess

FIRST_SECONDS = 1.5
"""For the first plan after a change."""
BUSY = ("planning", "simulating")
"""States of a run that is on."""
MOST_LINES = 400
"""Lines of progress kept for the chart."""


@dataclass(slots=True)
class ViewRun:
    """One planning again. ``state``: planning, simulating, done, stopped or failed."""

    number: int
    site: Site
    changes: Changes
    state: str = "planning"
    lines: list[ProgressNews] = field(default_factory=list)
    made: PlanNews | None = None
    page: bytes = b""
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


class Desk:
    """Everything that the page shows and does. All methods run in one event loop."""

    def __init__(self, opened: Opened, settings: Settings, first: float = FIRST_SECONDS) -> None:
        self.opened = opened
        self.site, self.plan = opened.site, opened.plan
        self.page = b"" if self.plan is None else page_html(self.site, self.plan).encode("utf-8")
        self.page_notes: tuple[str, ...] = ()
        self.run: ViewRun | None = None
        self.accepted = ""
        self.version = 0
        self.ending = False
        self._runs = 0
        self._settings, self._first = settings, first
        self._workers = WorkerPool()
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._changed = asyncio.Condition()
        self._one = asyncio.Lock()
        """Held by what changes the state: one request at a time."""

    async def begin(self) -> None:
        """Prepare a process; play a year of the plan, or make a first plan where there is none."""
        await self._workers.prepare()
        if self.plan is None:
            await self.plan_again(Changes())
        else:
            self._play()

    async def end(self) -> None:
        """End all processes, and all who wait for news."""
        self.ending = True
        for name in list(self._tasks):
            await self._cancel(name)
        await self._workers.end_all()
        await self._tell()

    async def plan_again(self, changes: Changes) -> None:
        """Plan with changes, in place of a run that is on.

        Raises:
            ChangeError: a change that cannot be.
        """
        site = changed_site(self.site, changes)
        async with self._one:
            await self._cancel("plan")
            settings = self._settings_for(changes)
            order = PlanOrder(site, self.site, self.plan, settings, self._first)
            self._runs += 1
            self.run = ViewRun(self._runs, site, changes)
            self._tasks["plan"] = asyncio.create_task(self._follow(self.run, order))
            await self._tell()

    def _settings_for(self, changes: Changes) -> Settings:
        try:
            settings = replace(self._settings, robustness=changes.robustness)
            if self.plan is not None:
                settings = replace(settings, basis=self.plan.basis, seed=self.plan.seed)
                if changes.keep_weight is not None:
                    settings = replace(settings, keep=self.plan, keep_weight=changes.keep_weight)
        except ValueError as error:
            raise ChangeError(str(error)) from None
        return settings

    async def stop(self) -> None:
        """Stop the run; the best plan that it has shown stays."""
        async with self._one:
            await self._cancel("plan")

    async def discard(self) -> None:
        """Drop the new plan."""
        async with self._one:
            await self._cancel("plan")
            self.run = None
            await self._tell()

    async def accept(self, seen: object = None) -> str:
        """Write the new plan to a new folder and make it the present one; the folder's name.

        ``seen``: number of the run whose plan was looked at, where it is known.

        Raises:
            ChangeError: there is no new plan, or it is of another run than was looked at.
            OutputError: the folder cannot be written.
        """
        async with self._one:
            run = self.run
            if run is not None and seen not in (None, run.number):
                raise ChangeError(
                    "the new plan was planned again since, in another window: look at it, then "
                    "accept it"
                )
            if run is None or run.made is None:
                raise ChangeError("there is no new plan to accept yet")
            await self._cancel("plan")
            made = run.made
            name = await asyncio.to_thread(self._write, run, made)
            await self._cancel("year")
            self.site, self.plan, self.accepted = run.site, made.plan, name
            self.page, self.page_notes, self.run = run.page, run.notes, None
            if made.trace is None:
                self._play()
            await self._tell()
            return name

    def _write(self, run: ViewRun, made: PlanNews) -> str:
        home = self.opened.folder
        try:
            home.mkdir(exist_ok=True)
        except OSError as error:
            raise OutputError(f"{home}: cannot be made a folder: {error.strerror}") from None
        number = 1
        while (home / f"accepted-{number}").exists():
            number += 1
        files = plan_folder_files(
            run.site, made.plan, None, None, made.trace, self.plan, site_file=SITE_FILE
        )
        write_folder(home / f"accepted-{number}", {**files, **site_files(run.site)}, "view")
        return f"accepted-{number}"

    def _play(self) -> None:
        """Run the present plan through a year, for its page."""
        if self.plan is not None and self.plan.basis == "firm":
            order = YearOrder(self.site, self.plan)
            self._tasks["year"] = asyncio.create_task(self._year(order))

    async def _year(self, order: YearOrder) -> None:
        worker = await self._workers.take()
        try:
            async for news in worker.news(order):
                if isinstance(news, PageNews) and order.plan is self.plan:
                    self.page, self.page_notes = news.page, news.notes
                elif isinstance(news, FaultNews):
                    self.page_notes = tuple(f"not simulated: {line}" for line in news.lines)
        except EOFError:
            self.page_notes = ("not simulated: the process died; see the memory of this machine",)
        finally:
            await self._done(worker)

    async def _follow(self, run: ViewRun, order: PlanOrder) -> None:
        worker = await self._workers.take()
        try:
            async for news in worker.news(order):
                self._hear(run, news)
                await self._tell()
            if run.made is None and not run.faults:
                raise EOFError
            run.state = "failed" if run.faults else "done"
        except EOFError:
            run.state = "failed"
            run.faults = (
                "The planning process died; the present plan is as it was. Plan again, and see "
                "whether the machine has memory left.",
            )
        finally:
            await self._done(worker)

    async def _done(self, worker: WorkerProcess) -> None:
        """End a process whatever it is at, and prepare the next."""
        await asyncio.shield(self._workers.end(worker))
        if not self.ending:
            await self._workers.prepare()
        await self._tell()

    @staticmethod
    def _hear(run: ViewRun, news: News) -> None:
        if isinstance(news, ProgressNews):
            run.lines = [*run.lines, news][-MOST_LINES:]
        elif isinstance(news, PlanNews):
            run.made, run.page, run.notes = news, news.page, news.notes
            run.state = "simulating" if news.last else run.state
        elif isinstance(news, PageNews):
            run.page, run.notes = news.page, (*run.notes, *news.notes)
        else:
            run.faults = news.lines

    async def _cancel(self, name: str) -> None:
        task = self._tasks.pop(name, None)
        if task is not None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        if name == "plan" and self.run is not None and self.run.state in BUSY:
            self.run.state = "stopped"
            await self._tell()

    async def _tell(self) -> None:
        async with self._changed:
            self.version += 1
            self._changed.notify_all()

    async def wait(self, seen: int, seconds: float) -> None:
        """Wait until the state is another than one that was seen, or the time is over."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds), self._changed:
                await self._changed.wait_for(lambda: self.version != seen or self.ending)

    def state(self) -> Mapping[str, Any]:
        """What the page shows, as plain data for JSON."""
        run = self.run
        return {
            "version": self.version,
            "site": self.site.name,
            "planned": self.plan is not None,
            "page": hash(self.page) & 0xFFFFFFFF,
            "notes": self.page_notes,
            "accepted": self.accepted,
            "folder": str(self.opened.folder),
            "stale": self.opened.stale,
            "run": None if run is None else _run_state(run),
        }

    def controls(self) -> Mapping[str, Any]:
        """What may be changed of the present site."""
        return controls_of(self.site, self.plan)


def _run_state(run: ViewRun) -> dict[str, Any]:
    made = run.made
    return {
        "number": run.number,
        "state": run.state,
        "changes": told(run.changes),
        "words": run.lines[-1].words if run.lines else "reading the site",
        "lines": [(one.seconds, one.goal, one.value, one.bound) for one in run.lines],
        "made": made is not None,
        "last": made is not None and made.last,
        "page": hash(run.page) & 0xFFFFFFFF,
        "compared": {} if made is None else made.figures,
        "notes": run.notes,
        "faults": run.faults,
    }
