"""What is sure of when a source is on: the audit's own reading of the site file.

The definitions are those of ``networks/README.md``, under *Clock*:

* a duration that ``varies`` is anywhere in its range, and counts at its worst: least on, most
  every. All others are as stated, and so is the middle of a range that does not vary;
* the phase is known of a clock with a start and an error, less than half of a period, that never
  drifts and of which no duration varies; of a surveyed one only where the survey never ends;
* known clocks count as known together only where they repeat together soon, and where a search of
  their bursts is short. Of one with too many bursts the innermost stages are merged, as few as
  will do; rests around them are two of their turns at the least, and no chamber is filled by them.

The limits of the last point are of effort alone: with a phase that is free, or stages merged, no
more is counted on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from allocator.network.records import Network, Outflow
from allocator.site.clocks import MOST_MARKS, MOST_TURNS, Range, Timing
from allocator.site.records import Source, Stage
from allocator.verify.cycle import source_cycle

SAME = 1e-12
"""Share of a period that a common multiple may miss it by."""
Searched = tuple[float, int]
"""Period of a known clock, and bursts in one of those, about."""


def varied(site: Network, source: Source) -> dict[tuple[int, str], Range]:
    """Stage number, from 0, and ``on`` or ``every`` -> range of each duration that varies."""
    found = {}
    for number in range(len(source.stages)):
        fields = ("every",) if source.delivered else ("on", "every")
        for field in fields:
            key = f"delivery.{field}" if source.delivered else f"cycle[{number + 1}].{field}"
            spread = site.spreads.get(f"sources.{source.name}.{key}")
            if spread is not None and spread.varies:
                found[number, field] = (spread.low, spread.high)
    return found


def ranges_of(site: Network, source: Source) -> list[tuple[Range, Range]]:
    """Ranges of on and of every of each stage, innermost first; of what is stated one value."""
    ranges = varied(site, source)
    return [
        (
            ranges.get((number, "on"), (stage.on, stage.on)),
            ranges.get((number, "every"), (stage.every, stage.every)),
        )
        for number, stage in enumerate(source.stages)
    ]


def is_exact(site: Network, source: Source) -> bool:
    """Whether the true cycle of a source is the stated one, at whatever phase."""
    return source.drift == 0.0 and source.jitter == 0.0 and not varied(site, source)


def shortest_burst(site: Network, source: Source) -> float:
    """s: the shortest time for which a source stays on; for ever where it never goes off.

    An on-time ends those of the stages in it. Where its length, or the begin of what is in it, is
    not sure, it may end a burst as soon as that has begun. Else bursts are no shorter than with
    the least on of the innermost stage. A clock that runs fast ends them sooner.
    """
    stages = tuple(Stage(on[0], every[1]) for on, every in ranges_of(site, source))
    cycle = source_cycle(stages)
    if cycle.steady:
        return math.inf
    for number, field in varied(site, source):
        if number > 0 if field == "on" else number + 1 < len(stages):
            return 0.0
    ends = np.append(cycle.times[1:], cycle.period)
    lengths = (ends - cycle.times)[cycle.rates > 0]
    if cycle.rates[0] > 0 and cycle.rates[-1] > 0:  # one interval over the end of the period
        lengths = np.append(lengths[1:-1], lengths[0] + lengths[-1])
    return float(lengths.min(initial=math.inf)) / (1.0 + source.drift)


def sure_timings(site: Network) -> dict[str, Timing]:
    """What a promise may count on of the clock of every source."""
    found: dict[str, Timing] = {}
    beside: list[Searched] = []
    for name, source in site.sources.items():
        timing = _alone(site, source)
        if timing.start is not None:
            timing = _beside(timing, beside, whole=_fills_a_chamber(source))
        if timing.start is not None:
            beside.append(_searched(timing, timing.merged))
        found[name] = timing
    return found


def _alone(site: Network, source: Outflow) -> Timing:
    """What is sure of one clock, whatever the others do."""
    if not source.stages:
        return Timing(())
    stages = tuple(Stage(on[0], every[1]) for on, every in ranges_of(site, source))
    moving = {number for number, _ in varied(site, source)}
    # what varies matters to the stages around it: they begin it again, and cut it short
    inside = min((number + 1 for number in moving if number + 1 < len(stages)), default=0)
    free = Timing(stages, source.drift, source.jitter, varying=inside)
    lost = source.clock == "surveyed" and site.survey_ends is not None
    if source.clock == "free" or lost or moving or source.drift > 0:
        return free
    start, error = source.next_start, source.error
    if start is None or error is None or error >= 0.5 * stages[-1].every:
        return free
    return replace(free, start=start, error=error)


def _beside(timing: Timing, beside: Sequence[Searched], *, whole: bool) -> Timing:
    """A known clock beside those before it: its inner stages merged, or its phase free."""
    stages = timing.stages
    for merged in range(1 if whole else len(stages)):
        rests = [stage.every - stage.on for stage in stages[merged:]]
        if merged and min(rests) < 2.0 * stages[merged - 1].every:
            continue
        if _may_be_searched([*beside, _searched(timing, merged)]):
            return replace(timing, merged=merged)
    return replace(timing, start=None, error=0.0)


def _fills_a_chamber(source: Outflow) -> bool:
    return bool(source.part_of) or (source.pump is not None and source.pump.chamber is not None)


def _searched(timing: Timing, merged: int) -> Searched:
    """Period of a known clock, and bursts in one of those, about."""
    bursts, stages = 1, timing.stages[merged:]
    for inner, outer in pairwise(stages):
        bursts *= math.ceil(outer.on / inner.every)
    return timing.stages[-1].every, bursts


def _may_be_searched(clocks: Sequence[Searched]) -> bool:
    """Whether clocks repeat together soon, and have few bursts until then.

    Each burst of a clock in the common period is looked at with each of its own in one period.
    """
    periods = {period for period, _ in clocks}
    for turns in range(1, MOST_TURNS + 1):
        common = turns * max(periods)
        times = {period: round(common / period) for period in periods}
        if all(abs(times[p] * p - common) <= SAME * common for p in periods):
            return sum(times[period] * bursts**2 for period, bursts in clocks) <= MOST_MARKS
    return False
