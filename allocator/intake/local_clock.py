"""Local times without a zone, row by row: what has elapsed where clocks change for summer.

Where summer time begins an hour is missing, and where it ends one comes twice. Rows are in order,
so a step back by less than an hour, on a night on which clocks change, is a step ahead in truth;
and where rows come at even steps, one that is an hour longer is none.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median

from allocator.site.local_time import clocks_change

HOUR = 3600.0
STEPS = 12
"""Steps before a row from which the usual one is found."""
FEWEST = 4
"""Steps by which it is known."""
EVEN = 0.75
"""Share of steps that are the usual one, where rows come at even steps."""
NEAR = 0.01
"""Of the usual step: what a step may differ by."""


@dataclass(slots=True)
class LocalClock:
    """What local times are behind the elapsed ones since the first, s: -1, 0 or 1 hour."""

    _since: list[float] = field(default_factory=list)
    _ahead: list[float] = field(default_factory=list)
    _now: float = 0.0
    _last: float | None = None
    _steps: list[float] = field(default_factory=list)

    def ahead_at(self, time: float) -> float:
        """s by which an elapsed time is ahead of the local one."""
        place = bisect.bisect_right(self._since, time)
        return self._ahead[place - 1] if place else 0.0

    def begin_again(self) -> None:
        """The next row is a first one: of a time that was met before, or later."""
        self._last = None

    def elapsed(self, when: datetime, local: float) -> tuple[float, str]:
        """The elapsed time (s) of a row, and in words what changed with it; else empty."""
        if self._last is None:
            self._now = self.ahead_at(local + self.ahead_at(local))
            return local + self._now, ""
        step, usual = local + self._now - self._last, self._usual()
        if self._now <= 0.0 and clocks_change(when, spring=False) and _goes_back(step, usual):
            self._change(HOUR)
            return local + self._now, "the hour comes twice, as where summer time ends: counted so"
        longer = usual and abs(step - usual - HOUR) < NEAR * usual
        missing = when - timedelta(seconds=HOUR)
        if longer and self._now >= 0.0 and clocks_change(missing, spring=True):
            self._change(-HOUR)
            return local + self._now, "an hour is missing, as where summer time begins: left out"
        return local + self._now, ""

    def read(self, time: float) -> None:
        """A row of that elapsed time is used."""
        if self._last is not None:
            self._steps = [*self._steps, time - self._last][-STEPS:]
        self._last = time

    def _change(self, by: float) -> None:
        assert self._last is not None
        self._now += by
        if not self._since or self._last > self._since[-1]:
            self._since.append(self._last + 1e-6)
            self._ahead.append(self._now)

    def _usual(self) -> float:
        """The step of rows that come at even ones; else 0."""
        if len(self._steps) < FEWEST:
            return 0.0
        usual = median(self._steps)
        alike = sum(abs(step - usual) < NEAR * usual for step in self._steps)
        return usual if alike >= EVEN * len(self._steps) else 0.0


def _goes_back(step: float, usual: float) -> bool:
    """Whether a step back is one of less than an hour; of even rows with one missing at most."""
    if not usual:
        return -HOUR < step < 0.0
    return any(abs(step + HOUR - count * usual) < NEAR * usual for count in (1, 2)) and step <= 0.0
