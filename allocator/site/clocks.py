"""What is sure of when a source is on: its cycle at worst, and what is known of its clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from allocator.site.checks_clocks import varying
from allocator.site.records import Site, Source, Spread, Stage

MOST_TURNS = 64
"""Known timetables repeat together within so many of the longest period."""
ROUNDING = Fraction(1, 10**12)


@dataclass(frozen=True, slots=True)
class Timing:
    """What a promise may count on of a source's clock.

    ``stages``: innermost first, with the least on and the longest rest where durations vary.
    ``drift``: the clock's rate is anywhere from 1 / (1 + drift) to 1 + drift, at any time.
    ``jitter``: s by its own clock; each innermost on-time may be shifted by it, as a whole, none
    overlapping another. ``start``: s; the outermost stage turns on then and every whole period
    after and before, shifted by one unknown amount of no more than ``error`` s. None: at any phase.
    """

    stages: tuple[Stage, ...]
    drift: float = 0.0
    jitter: float = 0.0
    start: float | None = None
    error: float = 0.0


def timings_of(site: Site) -> dict[str, Timing]:
    """What is sure of the clock of every source, for ever.

    The phase of a surveyed clock that drifts is lost sooner or later, so it counts as free; and so
    does one whose period has no small common multiple with those of the known ones before it.
    """
    found, period = {}, Fraction(0)
    for name, source in site.sources.items():
        timing = _timing(source, site.spreads)
        if timing.start is not None:
            joint = _joined(period, Fraction(source.stages[-1].every))
            if joint is None:
                timing = Timing(timing.stages, timing.drift, timing.jitter)
            else:
                period = joint
        found[name] = timing
    return found


def _joined(period: Fraction, other: Fraction) -> Fraction | None:
    """The least common multiple of two periods, if it is at most a few of the longer one."""
    if not period:
        return other
    times = (period / other).limit_denominator(MOST_TURNS)
    if abs(times * other - period) > ROUNDING * period or times == 0:
        return None
    joint = period * times.denominator
    return joint if joint <= MOST_TURNS * max(period, other) else None


def _timing(source: Source, spreads: Mapping[str, Spread]) -> Timing:
    stages = source.stages
    if not stages:
        return Timing(())
    varies = varying(source, spreads) if spreads else {}
    if varies:  # of one stage only
        on = next((s.low for key, s in varies.items() if key.endswith("on")), stages[0].on)
        every = next((s.high for key, s in varies.items() if key.endswith("every")), None)
        stages = (Stage(on, stages[0].every if every is None else every),)
    free = Timing(stages, source.drift, source.jitter)
    if source.clock == "free" or source.drift > 0 or source.error is None:
        return free
    if source.next_start is None or 2 * source.error >= stages[-1].every:
        return free  # any phase is admitted
    return Timing(stages, 0.0, source.jitter, source.next_start, source.error)
