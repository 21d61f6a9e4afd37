"""True clocks of sources whose cycles are inexact: drawn at random, or set against a window.

A true clock is a list of bursts that repeats after some periods of the stated cycle. Each of them
is admitted by what the site says: durations within their ranges, bursts shifted by no more than the
jitter, the clock's rate within its drift.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from allocator.site.clocks import Range
from allocator.site.records import RecordedFlow, Source
from allocator.verify.case import Case
from allocator.verify.cycle import Cycle, cycle_of, source_cycle
from allocator.verify.march import Array
from allocator.verify.sure_clocks import is_exact, ranges_of, varied
from allocator.verify.tanks.circuit import Circuit, SourceClock, clock_of

FEW_BURSTS = 300
"""A drawn clock repeats after about so many bursts, or after one period."""
MOST_BURSTS = 200_000
"""A clock that is set against a window is no longer than this."""
NEAR = 1e-9
"""Of a period: bursts that end so near a window's begin end there."""


def inexact(case: Case, name: str) -> bool:
    """True where the true cycle of a source may differ from the stated one."""
    return not is_exact(case.site, case.site.sources[name])


def with_drawn_clocks(case: Case, circuit: Circuit, seed: Sequence[int]) -> Circuit:
    """The circuit with a true clock drawn for every source whose cycle is inexact."""
    rng = np.random.default_rng(seed)
    clocks = [
        clock_of(clock.name, "source", drawn_cycle(case, clock.name, rng))
        if clock.kind == "source" and inexact(case, clock.name)
        else clock
        for clock in circuit.clocks
    ]
    return replace(circuit, clocks=tuple(clocks))


def drawn_cycle(case: Case, name: str, rng: np.random.Generator) -> Cycle:
    """One true cycle of a source."""
    source = case.site.sources[name]
    once = source_cycle(source.stages)
    count = max(1, FEW_BURSTS // max(1, len(once.rises)))
    if varied(case.site, source):
        ranges = ranges_of(case.site, source)
        period, starts, ends = _drawn_bursts(ranges, count, rng)
    else:
        period, starts, ends = _bursts(once, count)
    if source.jitter:
        shifts = np.array([_drawn(-source.jitter, source.jitter, rng) for _ in starts])
        starts, ends = _shifted(starts, ends, period, shifts)
    cycle = _cycle(period, starts, ends)
    if source.drift:
        slow = 1.0 + source.drift
        paces = np.array([_drawn(1.0 / slow, slow, rng) for _ in cycle.times])
        times = np.append(0.0, np.cumsum(np.diff(np.append(cycle.times, period)) / paces))
        cycle = cycle_of(float(times[-1]), times[:-1], cycle.rates)
    return cycle


def _drawn(low: float, high: float, rng: np.random.Generator) -> float:
    """A value of a range: an end of it every other time, for that is where promises break."""
    kind = rng.integers(0, 4)
    return (low, high)[kind] if kind < 2 else float(rng.uniform(low, high))


def _drawn_bursts(
    ranges: Sequence[tuple[Range, Range]], count: int, rng: np.random.Generator
) -> tuple[float, Array, Array]:
    found, at = [], 0.0
    for _ in range(count):
        on = _drawn(*ranges[-1][0], rng)
        found += list(_within(ranges[:-1], at, at + on, rng))
        at += max(on, _drawn(*ranges[-1][1], rng))
    starts, ends = (np.array(side) for side in zip(*found, strict=True))
    return at, starts, ends


def _within(
    ranges: Sequence[tuple[Range, Range]], begin: float, end: float, rng: np.random.Generator
) -> Iterator[tuple[float, float]]:
    """Bursts of the stages inside one on-time, which begin again with it and end with it."""
    if not ranges:
        yield begin, end
        return
    at = begin
    while at < end:
        on = _drawn(*ranges[-1][0], rng)
        yield from _within(ranges[:-1], at, min(at + on, end), rng)
        at += max(on, _drawn(*ranges[-1][1], rng))


def against(cycle: Cycle, begin: float, length: float) -> Cycle:
    """The cycle with its bursts shifted against a window, where they may be shifted.

    ``begin``: s into the cycle's period at which the window of ``length`` s begins. Bursts that
    begin before what the window leaves of the cycle come early, those that end after it late.
    """
    half = 0.5 * cycle.delay
    first, last = begin + half, begin + length - half
    count = math.ceil((last + cycle.period) / cycle.period) + 1
    if not half or count * len(cycle.rises) > MOST_BURSTS:
        return cycle
    period, starts, ends = _bursts(cycle, count)
    near = NEAR * cycle.period
    shifts = np.where(starts < first - near, -half, np.where(ends > last + near, half, 0.0))
    return _cycle(period, *_shifted(starts, ends, period, shifts))


def against_window(
    case: Case, circuit: Circuit, phases: dict[str, float], begin: float, length: float
) -> Circuit:
    """The circuit with every inexact clock as it is at worst for a window of a run.

    ``begin``: s into the run; ``length``: s.
    """
    clocks: list[SourceClock] = []
    for clock in circuit.clocks:
        if clock.kind != "source" or not inexact(case, clock.name):
            clocks.append(clock)
            continue
        sure = case.sure[clock.name]
        at = (phases.get(clock.name, 0.0) + begin) % sure.period
        clocks.append(clock_of(clock.name, "source", against(sure, at, length)))
    return replace(circuit, clocks=tuple(clocks))


def records_of(case: Case, circuit: Circuit) -> dict[str, RecordedFlow]:
    """The records of the sources of a circuit that have one and do not give steadily."""
    found = {}
    for clock in circuit.clocks:
        source = case.site.sources.get(clock.name) if clock.kind == "source" else None
        if source is not None and source.series is not None:
            found[clock.name] = source.series
    return found


def with_recorded_clocks(case: Case, circuit: Circuit, seconds: float) -> Circuit:
    """The circuit with the measured flow of every source that has a record, for ``seconds`` s.

    A record that is shorter goes on with the cycle that is counted on, which begins on: what comes
    in any window across the seam is no less than that cycle is sure to bring, for what is sure in
    the window's first part and what the cycle brings after its begin add up to that.
    """
    records = records_of(case, circuit)
    clocks = [
        _recorded_clock(case.site.sources[clock.name], records[clock.name], clock, seconds)
        if clock.name in records
        else clock
        for clock in circuit.clocks
    ]
    return replace(circuit, clocks=tuple(clocks))


def _recorded_clock(
    source: Source, record: RecordedFlow, clock: SourceClock, seconds: float
) -> SourceClock:
    """The record as shares of the flow that is taken at most."""
    (stage,) = source.stages
    values = np.minimum(np.array(record.levels) / source.flow, 1.0)
    begins = np.arange(record.length, seconds, stage.every)
    cycle = np.column_stack([begins, begins + stage.on]).ravel()
    times = np.concatenate([record.starts, cycle])
    values = np.concatenate([values, np.tile([1.0, 0.0], len(begins))])
    changed = np.append(True, np.diff(values) != 0.0)
    period = max(record.length, seconds, float(times[-1]) + 1.0)
    return SourceClock(clock.name, "source", period, times[changed], values[changed], clock.follows)


def _bursts(cycle: Cycle, count: int) -> tuple[float, Array, Array]:
    """Bursts of some periods of a cycle that turns on at 0, none across the end."""
    turns = np.arange(count)[:, None] * cycle.period
    on = cycle.rates > 0.0
    ends = np.append(cycle.times[1:], cycle.period)
    starts, ends = ((turns + side[on][None, :]).ravel() for side in (cycle.times, ends))
    return count * cycle.period, starts, ends


def _shifted(starts: Array, ends: Array, period: float, shifts: Array) -> tuple[Array, Array]:
    """Bursts shifted as wholes, none into another, also not from one period into the next."""
    lengths, moved = ends - starts, starts + shifts
    for i in range(1, len(moved)):
        moved[i] = max(moved[i], moved[i - 1] + lengths[i - 1])
    free = moved[0] + period
    for i in range(len(moved) - 1, -1, -1):
        moved[i] = min(moved[i], free - lengths[i])
        free = moved[i]
    return moved, moved + lengths


def _cycle(period: float, starts: Array, ends: Array) -> Cycle:
    """A cycle of bursts, of which those that pass an end of the period go on at the other."""
    edges = np.concatenate((starts, ends)) % period
    times = np.unique(np.append(edges, 0.0))
    middles = 0.5 * (times + np.append(times[1:], period))
    rates = np.zeros(len(times))
    for turn in (-period, 0.0, period):
        at = np.searchsorted(starts + turn, middles, side="right") - 1
        rates[(at >= 0) & (middles < (ends + turn)[np.maximum(at, 0)])] = 1.0
    return cycle_of(period, times, rates)


def longest_spells(case: Case, name: str) -> tuple[float, float]:
    """Seconds, at most, that a source is on, and off, without a break."""
    source = case.site.sources[name]
    if source.steady:
        return math.inf, 0.0
    slow, shift = 1.0 + source.drift, 2.0 * source.jitter
    if varied(case.site, source):
        ranges = ranges_of(case.site, source)
        # A spell of an inner stage is cut by those around it, and lasts no longer than itself.
        on = min(high for (_, high), _ in ranges)
        off = sum(every[1] - on[0] for on, every in ranges)
        return slow * (on + shift), slow * (off + shift)
    cycle = source_cycle(source.stages)
    ends = np.append(cycle.times[1:], cycle.period)
    spans, gives = ends - cycle.times, cycle.rates > 0.0
    rest = float(spans[~gives].max(initial=0.0))
    if len(spans) > 1 and not gives[0] and not gives[-1]:
        rest = max(rest, float(spans[0] + spans[-1]))
    return slow * (float(spans[gives].max()) + shift), slow * (rest + shift)


def may_be(case: Case, name: str, at: float, on: bool) -> bool:
    """Whether a source may be on, or off, at a time of the site's clock, by what is known of it."""
    sure, source = case.sure.get(name), case.site.sources[name]
    if sure is None or sure.start is None:
        return True
    reach = sure.error + source.jitter + NEAR * sure.period
    return may_be_within(source_cycle(source.stages), at - sure.start, reach, on)


def may_be_within(cycle: Cycle, place: float, reach: float, on: bool) -> bool:
    """Whether a cycle is on, or off, anywhere within ``reach`` s of a place in it."""
    low = place - reach
    if 2.0 * reach >= cycle.period:
        return True
    turn = math.floor(low / cycle.period)
    marks = np.concatenate([cycle.times + (turn + k) * cycle.period for k in range(4)])
    rates = np.tile(cycle.rates, 4)
    ends = np.append(marks[1:], math.inf)
    touched = (marks <= low + 2.0 * reach) & (ends >= low)
    return bool(((rates[touched] > 0.0) == on).any())
