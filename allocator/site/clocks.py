"""What is sure of when a source is on: its cycle at worst, and what is known of its clock."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import TypeVar

from allocator.site.checks_clocks import varying
from allocator.site.records import Site, Source, Spread, Stage

MOST_TURNS = 64
"""Known timetables repeat together within so many of the longest period."""
MOST_MARKS = 1_500
"""Known timetables are searched with no more bursts: of each its own number times that in a joint

period, summed. Another one counts as free."""
ROUNDING = Fraction(1, 10**12)
S = TypeVar("S", bound=Source)
Range = tuple[float, float]
"""Least and most, s."""


@dataclass(frozen=True, slots=True)
class Timing:
    """What a promise may count on of a source's clock.

    ``stages``: innermost first, with the least on and the longest rest where durations vary.
    ``drift``: the clock's rate is anywhere from 1 / (1 + drift) to 1 + drift, at any time.
    ``jitter``: s by its own clock; each burst, that is each on-time of the innermost stage, may be
    shifted by it, as a whole, none overlapping another. ``start``: s; the outermost stage turns on
    then and every whole period after and before, shifted by one unknown amount of no more than
    ``error`` s. None: at any phase. ``varying``: number, from 1, of the innermost stage with a
    duration that varies and a stage around it; 0: none. ``merged``: inner stages of a known clock
    that have too many bursts to be looked at one by one; they count as a lower flow without rests,
    as :mod:`allocator.cycles.merging` says.
    """

    stages: tuple[Stage, ...]
    drift: float = 0.0
    jitter: float = 0.0
    start: float | None = None
    error: float = 0.0
    varying: int = 0
    merged: int = 0

    @property
    def any_phase(self) -> Timing:
        """The same with nothing known of its phase."""
        return replace(self, start=None, error=0.0, merged=0)


def timings_of(site: Site) -> dict[str, Timing]:
    """What is sure of the clock of every source, for ever.

    The phase of a surveyed clock that drifts is lost sooner or later, so it counts as free, and
    every surveyed one where the survey ends some day; and so does one whose period has no small
    common multiple with those of the known ones before it. Inner stages with too many bursts beside
    them are merged.
    """
    found: dict[str, Timing] = {}
    known: dict[Fraction, int] = {}  # period -> bursts of a clock squared, added up
    for name, source in site.sources.items():
        timing = _timing(source, site.spreads)
        if source.clock == "surveyed" and site.survey_ends is not None:
            timing = timing.any_phase
        if timing.start is not None:
            period = Fraction(source.stages[-1].every)
            joint = _joined([*known, period])
            for merged in () if joint is None else _may_merge(source):
                assert joint is not None
                bursts = _bursts(timing.stages[merged:])
                more = {**known, period: known.get(period, 0) + bursts**2}
                if _marks(joint, more) <= MOST_MARKS:
                    known, timing = more, replace(timing, merged=merged)
                    break
            else:
                timing = timing.any_phase
        found[name] = timing
    return found


def _may_merge(source: Source) -> tuple[int, ...]:
    """How many of its inner stages may be merged, fewest first.

    All rests around them must be long beside a turn of theirs. A chamber is filled burst by burst.
    """
    chamber = getattr(source, "part_of", None) or (source.pump and source.pump.chamber)
    rests = [stage.every - stage.on for stage in source.stages]
    turns = [stage.every for stage in source.stages[:-1]]
    long = [n for n, turn in enumerate(turns, 1) if min(rests[n:]) >= 2.0 * turn]
    return (0, *long) if not chamber else (0,)


def timing_at_any_phase(site: Site, source: Source) -> Timing:
    """What is sure of the clock of one source alone, of which any phase is as bad."""
    return _timing(source, site.spreads).any_phase


def _bursts(stages: tuple[Stage, ...]) -> int:
    """Bursts in a period of the outermost stage, about."""
    return math.prod(math.ceil(outer.on / inner.every) for inner, outer in pairwise(stages))


def _marks(joint: Fraction, known: Mapping[Fraction, int]) -> int:
    """Work of one window of known clocks: bursts of a joint period times those of one's own."""
    return sum(squares * round(joint / period) for period, squares in known.items())


def surveyed_until(source: S, ends: float) -> S:
    """A surveyed source as it is known until the survey ends, its drift as jitter of short bursts.

    A clock that drifts is off by no more than drift * t at t, and a burst of it lasts at least its
    stated length / (1 + drift). Such a burst holds one of that length, which begins when the
    stated one does, give or take drift * ends.
    """
    if source.clock != "surveyed" or not source.drift:
        return source
    late = source.jitter + source.drift * ends
    if 2.0 * late >= min(stage.every for stage in source.stages):
        return replace(source, clock="free", error=None)
    slow = 1.0 + source.drift
    stages = tuple(Stage(stage.on / slow, stage.every) for stage in source.stages)
    return replace(source, stages=stages, drift=0.0, jitter=late)


def _joined(periods: Collection[Fraction]) -> Fraction | None:
    """The least common multiple of periods, if it is at most a few of the longest one."""
    longest, turns = max(periods), 1
    for period in periods:
        share = (longest / period).limit_denominator(MOST_TURNS)
        if abs(share * period - longest) > ROUNDING * longest:
            return None
        turns = math.lcm(turns, share.denominator)
    return turns * longest if turns <= MOST_TURNS else None


def _timing(source: Source, spreads: Mapping[str, Spread]) -> Timing:
    stages = source.stages
    if not stages:
        return Timing(())
    varies = varying(source, spreads) if spreads else {}
    number = 0
    if varies:
        stages = tuple(_at_worst(stage, varies, n) for n, stage in enumerate(stages, 1))
        number = min((n for n in range(1, len(stages)) if _spread_of(varies, n)), default=0)
    free = Timing(stages, source.drift, source.jitter, varying=number)
    if source.clock == "free" or source.drift > 0 or source.error is None or varies:
        return free
    if source.next_start is None or 2 * source.error >= stages[-1].every:
        return free  # any phase is admitted
    return replace(free, start=source.next_start, error=source.error)


def exact_cycle(source: Source, spreads: Mapping[str, Spread]) -> bool:
    """Whether the true cycle of a source is the stated one, whatever its phase.

    Where it is not, two promises beside the firm one are made as if less were known:

    * a chamber is not drawn on through pauses. A pump that runs only while the source is on needs
      nothing of the chamber, so what is promised holds with any cycle that the source's own
      on-time admits;
    * a heat sink counts as if its source were always on. The hotter of two sinks that start alike
      is the one that gets gas whenever the other does, for more heat comes at any temperature
      below the gas's own (solutions of C dT/dt = N(T, t) that start alike keep the order of N),
      and a sink hotter than its gas only cools. So no admitted cycle makes it hotter. How cold it
      gets is not bounded: beside a dew point it counts as cold as what is around it.
    """
    return not (source.drift or source.jitter or (spreads and varying(source, spreads)))


def bursts_are_cut(source: Source, spreads: Mapping[str, Spread]) -> bool:
    """Whether an on-time may end a burst inside it as soon as that has begun.

    So it is where its length varies, or a period of what is in it.
    """
    varies, last = varying(source, spreads) if spreads else {}, len(source.stages)
    return any("on" in _spread_of(varies, number) for number in range(2, last + 1)) or any(
        "every" in _spread_of(varies, number) for number in range(1, last)
    )


def varying_ranges(
    source: Source, spreads: Mapping[str, Spread]
) -> tuple[tuple[Range, Range], ...] | None:
    """Ranges of on and of every of each stage, where some of them differs from time to time."""
    varies = varying(source, spreads) if spreads else {}
    if not varies:
        return None
    found = []
    for number, stage in enumerate(source.stages, 1):
        mine = _spread_of(varies, number)
        on, every = (
            (stated, stated) if spread is None else (spread.low, spread.high)
            for stated, spread in ((stage.on, mine.get("on")), (stage.every, mine.get("every")))
        )
        found.append((on, every))
    return tuple(found)


def _spread_of(varies: Mapping[str, Spread], number: int) -> dict[str, Spread]:
    """The durations of a stage that vary: ``on``, ``every``."""
    head = f"cycle[{number}]."
    found = {key.removeprefix(head): s for key, s in varies.items() if key.startswith(head)}
    if number == 1 and "delivery.every" in varies:
        found["every"] = varies["delivery.every"]
    return found


def _at_worst(stage: Stage, varies: Mapping[str, Spread], number: int) -> Stage:
    """Least on and most every: the longest rest, and the least on before it."""
    mine = _spread_of(varies, number)
    on, every = mine.get("on"), mine.get("every")
    return Stage(stage.on if on is None else on.low, stage.every if every is None else every.high)
