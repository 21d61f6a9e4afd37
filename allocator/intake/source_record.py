"""The record of one source against what the site says of it: its flow, and when it turns.

*Flow*: of each hour in which it gives, the mean of the readings that have others of the same burst
before and after. *Clock*: a turn lies half way between the rows around it, off by no more than half
of their distance. A wait between bursts tells which stage turned off, for the rests of outer stages
are longer. Then

* the time from one start of a stage to the next within one outer on-time is ``every``. Errors of
  its ends cancel in sums, which are off by no more than the distance of rows and twice the jitter:
  the threshold is higher by that, and each new outer on-time may bring twice the jitter again;
* the on-time of a stage that no outer one cuts is ``on``. Where periods are multiples of the
  distance of rows its error is always the same, so it counts as off by that;
* a rest or a burst that lasts longer than any stated one is told while it lasts;
* a known clock turns on at ``next_start`` and whole periods later, within its error and jitter.

What departs by less than ``SMALL`` of a duration is not told: stated figures are rounded. Ranges,
drift and jitter of the site are no departure. Each key is told once, and once while it lasts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from allocator.intake.page_test import LEAST, PageTest
from allocator.site.clocks import Range, varying_ranges
from allocator.site.records import Source, Spread

SMALL = 0.01
"""Of a stated duration: less is no departure."""
APART = 1.1
"""Rests of two stages are told apart if the longer one is longer by this factor."""
FAR = 0.7
"""Of a stated duration: an outer stage this far off may be another stage that has changed."""
HOUR = 3600.0
MONTH = 30.0 * 86400.0
ON = 0.5
"""Of the stated flow: a source that gives more is on."""
METER = 0.02
"""Of the stated flow: standard deviation of an hour's mean of a meter."""
Turn = tuple[float, float]
"""When a source turned, s, and the distance of the rows around it, s."""


@dataclass(frozen=True, slots=True)
class Departure:
    """A record that has left what the site says.

    ``key``: of the source, such as ``flow`` or ``cycle[1].on``; ``cycle``: which stage has changed
    is not clear. ``measured``: SI, the mean of
    ``count`` bursts or hours from ``begin`` to ``at``; ``lasting``: it is at least so, for it went
    on at ``at`` (a steady source that stopped has a flow of 0 then).
    """

    source: str
    key: str
    at: float
    begin: float
    measured: float
    count: int
    lasting: bool = False


@dataclass(frozen=True, slots=True)
class _Stage:
    """Ranges of a stage. ``cut``: a longer wait ends it; ``ended``: how early it may seem to."""

    on: Range
    every: Range
    cut: float
    ended: float


@dataclass(frozen=True, slots=True)
class Statement:
    """What the site says of a source, as its record is compared with it."""

    source: Source
    stages: tuple[_Stage, ...]
    clear: bool

    @property
    def shortest(self) -> float:
        """The shortest burst or rest, s."""
        first = self.stages[0]
        rest = first.every[0] - first.on[1]
        return min(first.on[0], rest) if rest > 0.0 else first.on[0]

    @property
    def longest_rest(self) -> float:
        """s."""
        rests = sum(stage.every[1] - stage.on[0] for stage in self.stages)
        return rests * (1.0 + self.source.drift) + 2.0 * self.source.jitter

    @property
    def observations(self) -> float:
        """In a month, about, in all tests of both sides."""
        turns = sum(4.0 * MONTH / stage.every[0] for stage in self.stages)
        return 2.0 * MONTH / HOUR + turns


def statement_of(source: Source, spreads: Mapping[str, Spread]) -> Statement:
    """What the site says of a source. ``spreads``: the site's."""
    ranges = varying_ranges(source, spreads)
    if ranges is None:
        ranges = tuple(((s.on, s.on), (s.every, s.every)) for s in source.stages)
    slow, shift = 1.0 + source.drift, 2.0 * source.jitter
    rests = [
        ((every[0] - on[1]) / slow - shift, (every[1] - on[0]) * slow + shift)
        for on, every in ranges
    ]
    stages, clear, ended = [], True, 0.0
    for n, (on, every) in enumerate(ranges):
        cut = math.inf
        if n + 1 < len(ranges):
            (_, most), (least, _) = rests[n], rests[n + 1]
            clear = clear and least > APART * max(most, 0.0)
            cut = math.sqrt(max(most, 1e-9) * max(least, 1e-9))
        spread = [(low / slow, high * slow) for low, high in (on, every)]
        clear = clear and rests[n][0] > 0.0
        stages.append(_Stage(spread[0], spread[1], cut, ended))
        ended += max(0.0, rests[n][1])
    return Statement(source, tuple(stages), clear)


@dataclass(slots=True)
class SourceRecord:
    """A record as it is read, row by row.

    ``threshold``: of the tests; ``meter``: standard deviation of an hour's mean, of the stated
    flow; ``marks``: readings are 1 and 0 in place of flows; ``absolute``: times count from the
    site's ``starts_at``. ``on``, ``turned``: what it does, and since when if that was seen.
    ``sparse``: rows are too far apart for its bursts.
    """

    statement: Statement
    threshold: float
    meter: float = METER
    marks: bool = False
    absolute: bool = False
    on: bool | None = None
    turned: Turn | None = None
    sparse: bool = False
    _tests: dict[str, PageTest] = field(default_factory=dict)
    _told: set[str] = field(default_factory=set)
    _last: tuple[float, float] | None = None
    _hour: tuple[float, float, int] = (-1.0, 0.0, 0)
    _same: int = 0
    _held: Turn = (0.0, 0.0)
    _ended: Turn | None = None
    _begins: list[Turn | None] = field(default_factory=list)
    _shifts: dict[int, float] = field(default_factory=dict)

    def read(self, at: float, value: float) -> Iterator[Departure]:
        """What a reading shows. ``value``: kg/s, or 1 and 0; ``at``: s, after the one before."""
        statement = self.statement
        on = value > (0.5 if self.marks else ON * statement.source.flow)
        before, self._last = self._last, (at, value)
        if before is None or at <= before[0]:  # the first row, or a clock that was set back
            before, self._same = None, 0
            self._break(at)
        elif statement.stages:
            yield from self._clock(before[0], at, on)
        elif not on and not self.on:
            yield from self._tell("flow", at, before[0], 0.0, 1, lasting=True)
        # A reading is of the whole flow if those around it are of the same burst.
        if before is not None and on and self.on and self._same > 1 and not self.marks:
            yield from self._flow(before[0], before[1])
        self._same = self._same + 1 if on == self.on else 1
        self.on = on

    def _flow(self, at: float, value: float) -> Iterator[Departure]:
        hour, total, rows = self._hour
        if at // HOUR != hour:
            if rows:
                stated, mean = self.statement.source.flow, total / rows
                away = (mean - stated) / (self.meter * stated)
                yield from self._test("flow", at, hour * HOUR, mean, (away, -away), 0.5)
            hour, total, rows = at // HOUR, 0.0, 0
        self._hour = (hour, total + value, rows + 1)

    def _clock(self, last: float, at: float, on: bool) -> Iterator[Departure]:
        statement, width = self.statement, at - last
        if width > 0.5 * statement.shortest:
            self.sparse = True
            self._break(at)
        elif on == self.on:
            yield from self._lasts(at, width)
        else:
            turn = self.turned = self._held = (0.5 * (last + at), width)
            if not on:
                self._ended = turn
            elif statement.clear:
                yield from self._began(at, turn)

    def _break(self, at: float) -> None:
        """Nothing is known of what was before a row."""
        self._begins = [None] * len(self.statement.stages)
        self._ended = self.turned = None
        self._held = (at, 0.0)

    def _lasts(self, at: float, width: float) -> Iterator[Departure]:
        """What is longer than any stated burst or rest."""
        statement, (since, around) = self.statement, self._held
        length = at - since - 0.5 * around
        if not self.on:
            if length > statement.longest_rest * (1.0 + SMALL) + width:
                yield from self._rests(at, since, length, width)
        elif statement.clear and length > statement.stages[0].on[1] * (1.0 + SMALL) + width:
            yield from self._tell("cycle[1].on", at, since, length, 1, lasting=True)

    def _rests(self, at: float, since: float, length: float, width: float) -> Iterator[Departure]:
        """A rest too long: the period of the outermost stage is, or its on-time was too short."""
        outer, head = self.statement.stages[-1], f"cycle[{len(self.statement.stages)}]"
        begin, ended = self._begins[-1], self._ended
        if begin is None or ended is None:  # how long the burst before was is not known
            if length > outer.every[1] * (1.0 + SMALL) + width:
                yield from self._tell(f"{head}.every", at, since, length, 1, lasting=True)
        elif at - begin[0] > outer.every[1] * (1.0 + SMALL) + width:
            yield from self._tell(f"{head}.every", at, since, at - begin[0], 1, lasting=True)
        elif ended[0] - begin[0] < outer.on[0] * (1.0 - SMALL) - outer.ended - width:
            yield from self._tell(f"{head}.on", at, begin[0], ended[0] - begin[0], 1)

    def _began(self, at: float, turn: Turn) -> Iterator[Departure]:
        """A burst began: which stages ended, and how long they and their periods were."""
        ended, stages = self._ended, self.statement.stages
        if ended is None:
            self._begins[0] = turn
            return
        wait = turn[0] - ended[0]
        if any(abs(wait - stage.cut) < turn[1] for stage in stages):
            self._begins = [turn, *([None] * (len(stages) - 1))]
            return
        level = next(n for n, stage in enumerate(stages) if wait <= stage.cut)
        begin = self._begins[level]
        if begin is not None:
            yield from self._period(at, level, begin, turn)
            yield from self._on_time(at, level, begin, ended)
        if level == len(stages) - 1:
            yield from self._known(at, turn)
        for inner in range(level):
            for side in "><":
                key = f"cycle[{inner + 1}].every{side}"
                if key in self._tests:
                    self._tests[key].lower(self._shifts[inner])
        self._begins[: level + 1] = [turn] * (level + 1)

    def _period(self, at: float, level: int, begin: Turn, end: Turn) -> Iterator[Departure]:
        low, high = self.statement.stages[level].every
        length, width = end[0] - begin[0], max(begin[1], end[1])
        sd = math.sqrt((begin[1] ** 2 + end[1] ** 2) / 12.0)
        half = max(LEAST, SMALL * low / sd)
        self._shifts[level] = 2.0 * half * 2.0 * self.statement.source.jitter / sd
        room = 2.0 * half * width / sd + self._shifts[level]
        away = (length - high) / sd, (low - length) / sd
        key = f"cycle[{level + 1}].every"
        yield from self._test(key, at, begin[0], length, away, half, room)

    def _on_time(self, at: float, level: int, begin: Turn, end: Turn) -> Iterator[Departure]:
        stage = self.statement.stages[level]
        low, high = stage.on
        length, width = end[0] - begin[0], 0.5 * (begin[1] + end[1])
        shift = 2.0 * self.statement.source.jitter if level else 0.0
        sd = math.sqrt((begin[1] ** 2 + end[1] ** 2) / 12.0)
        half = max(LEAST, SMALL * low / sd)
        up = (length - width - shift - high) / sd
        down = (low - stage.ended - shift - length - width) / sd
        key = f"cycle[{level + 1}].on"
        yield from self._test(key, at, begin[0], length, (up, down), half)

    def _known(self, at: float, turn: Turn) -> Iterator[Departure]:
        """The start of an outermost on-time of a known clock."""
        source = self.statement.source
        start, error, period = source.next_start, source.error, source.stages[-1].every
        if not self.absolute or source.clock == "free" or start is None or error is None:
            return
        late = (turn[0] - start + 0.5 * period) % period - 0.5 * period
        room = error + source.jitter + source.drift * max(0.0, turn[0]) + 0.5 * turn[1]
        if abs(late) > room * (1.0 + SMALL):
            yield from self._tell("next_start", at, turn[0], turn[0], 1)

    def _test(
        self,
        key: str,
        at: float,
        begin: float,
        value: float,
        away: tuple[float, float],
        half: float,
        room: float = 0.0,
    ) -> Iterator[Departure]:
        for side, one in zip("><", away, strict=True):
            test = self._tests.setdefault(key + side, PageTest())
            if test.add(one, half, value, begin) > self.threshold + room:
                yield from self._tell(
                    self._fitting(key, test.mean), at, test.begin, test.mean, test.count
                )

    def _fitting(self, key: str, measured: float) -> str:
        """The key; ``cycle`` where an outer stage is so far off that others may have changed."""
        head, _, field_name = key.rpartition(".")
        if head in ("", "cycle[1]"):
            return key
        stage = self.statement.source.stages[int(head[6:-1]) - 1]
        stated = stage.on if field_name == "on" else stage.every
        return key if FAR * stated < measured < stated / FAR else "cycle"

    def _tell(
        self, key: str, at: float, begin: float, measured: float, count: int, lasting: bool = False
    ) -> Iterator[Departure]:
        told = f"{key} at least" if lasting else key
        if told not in self._told:
            self._told.add(told)
            yield Departure(self.statement.source.name, key, at, begin, measured, count, lasting)
