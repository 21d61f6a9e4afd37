"""What a store must hold now, by what its sources are seen to do.

A store keeps its promise from time t on, whatever comes, if it holds

    reserve(t) = max over u >= t of  d (u - t) + f beta(u - t) + loss (u - t)
                                     - steady inflow (u - t) - sum r G(t, u)

with G(t, u) the least on-time from t to u of all true clocks that agree with what is seen and what
the site says. What it holds above that may be burnt, as often as it likes: from every later t the
same holds again, and a store that overflows begins anew from full.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from allocator.verify.case import Case
from allocator.verify.cycle import Cycle
from allocator.verify.march import Array
from allocator.verify.most_needed import MostNeeded
from allocator.verify.sure_clocks import varied
from allocator.verify.tanks.circuit import Rate, SourceClock, Tank
from allocator.verify.tanks.phases import cycles_of
from allocator.verify.tanks.weakened import must_withstand
from allocator.verify.timetables import (
    FIRST,
    least_in,
    least_placed,
    most_at_any_phase,
    together,
    turning_lengths,
    worst_shift,
)
from allocator.verify.windows import settled_length, shortfall

MOST_CANDIDATES = 64
"""Bursts of a period in which a source may be, above which what is seen of it says nothing."""
MOST_WORK = 15_000_000
"""Windows times changes of the sources, once more for each burst in which one may be, above which a

store is held to what any phase asks."""
ALL_WORK = 300_000_000
"""The same where a stated reserve is to be refuted."""
SAFE = 1e-6
"""Reserves are this share above what is found: worst windows are found to 1e-7."""
NEAR = 1e-9
"""Of a period: what is seen may be off by so much, as rounding."""


@dataclass(frozen=True, slots=True)
class SourceState:
    """What is seen of a source.

    Parameters
    ----------
    on
        Whether it gives now.
    since
        Seconds since it last turned on or off.
    spell
        Seconds since its outermost stage last turned on, where that is known.

    Examples
    --------
    >>> import allocator as al
    >>> al.SourceState(on=True, since=600.0).spell is None
    True
    """

    on: bool
    since: float
    spell: float | None = None

    def __post_init__(self) -> None:
        if not (0.0 <= self.since < np.inf):
            raise ValueError(f"since must be 0 s or more (got {self.since!r})")
        if self.spell is not None and not (0.0 <= self.spell < np.inf):
            raise ValueError(f"spell must be 0 s or more (got {self.spell!r})")


States = Mapping[str, SourceState]
Spans = tuple[tuple[float, float], ...]
"""Where in its period a cycle may be now: from, to."""
Seen = tuple[Spans, Cycle, float]
"""What is seen of a cycle, and its weight."""


@dataclass(frozen=True, eq=False)
class PresentTank:
    """What does not change of a tank: ``parts``: source or shape, its cycle and its weight;

    ``draw``: constant, a second; ``need``: what it must hold at any time, kg or J; ``end``: s, no
    longer windows are worse (None: not known, so that it is held to the need).
    """

    tank: Tank
    parts: tuple[tuple[str, Cycle, float], ...]
    draw: float
    need: float
    end: float | None

    @property
    def edges(self) -> int:
        """Changes of all its cycles in a period of each."""
        return sum(len(cycle.drops) + len(cycle.rises) for _, cycle, _ in self.parts)

    @cached_property
    def any_phase(self) -> MostNeeded:
        """What windows need at the most, whatever is seen."""
        assert self.end is not None
        cycles = [cycle for _, cycle, _ in self.parts]
        parts = [(cycle, weight) for _, cycle, weight in self.parts]
        return most_at_any_phase(parts, self.draw, turning_lengths(cycles, self.end))


def present_tank(case: Case, tank: Tank) -> PresentTank:
    """A tank, ready to be asked what it must hold."""
    if tank.kind not in ("store", "burst") or must_withstand(case):
        return PresentTank(tank, (), 0.0, tank.size, None)
    parts = cycles_of(case, tank)
    draw = tank.loss - tank.net.steady
    draw -= sum(weight * cycle.mean for _, cycle, weight in parts if cycle.steady)
    moving = tuple((name, cycle, weight) for name, cycle, weight in parts if not cycle.steady)
    free = [(replace(cycle, start=None, error=0.0), weight) for _, cycle, weight in moving]
    need = _need_of(tank, [(cycle, weight) for _, cycle, weight in parts])
    return PresentTank(tank, moving, draw, need, settled_length(free, draw) if need else None)


def reserve_of(
    case: Case, present: PresentTank, states: States, at: float | None, most: int = MOST_WORK
) -> float:
    """What a tank must hold, kg or J, by what is seen of its sources at ``at`` s.

    ``at``: time from that of the site file on, for known clocks; None: not used. ``most``: windows
    times changes that are looked at; where there are more, it is held to what any phase asks.
    """
    known = any(_seen(case, name, cycle, states) for name, cycle, _ in present.parts)
    if at is not None:
        known = known or any(cycle.start is not None for _, cycle, _ in present.parts)
    seen = _work(case, present, states, at, most) if known else None
    if seen is None:
        return present.need
    likely = present.any_phase.likeliest(FIRST)
    highest = max(0.0, float(_falls_in(present, seen[0], at, likely).max(initial=0.0)))
    lengths = seen[1][present.any_phase.passes(seen[1], highest)]
    highest = max(highest, float(_falls_in(present, seen[0], at, lengths).max(initial=0.0)))
    return float(min(present.need, highest * (1.0 + SAFE)))


def lasts(
    case: Case, present: PresentTank, states: States, at: float | None, level: float
) -> float | None:
    """Seconds, in the worst case, until a tank of a level can be empty; None: never.

    Without knowledge of its worst windows nothing comes in.
    """
    if level >= reserve_of(case, present, states, at):
        return None
    found = _falls(case, present, states, at, MOST_WORK)
    if found is None:
        draw = present.tank.loss + _most_drawn(case, present)
        return level / draw if draw > 0.0 else None
    lengths, falls = found
    over = np.flatnonzero(falls >= level)
    if not len(over):
        return None
    # Between two of the lengths a fall drops first, and then rises up to the next of them.
    high = float(lengths[over[0]])
    low = float(lengths[over[0] - 1]) if over[0] else 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        fall = _falls(case, present, states, at, MOST_WORK, np.array([middle]))
        low, high = (low, middle) if fall is not None and fall[1][0] >= level else (middle, high)
    return high


def lowest_levels(
    case: Case, present: PresentTank, states: States, at: float | None, level: float, times: Array
) -> Array:
    """What a tank holds at least at each time, in the worst case, by its promised draw alone.

    A tank that was full in between holds at least what its size leaves above its reserve.
    """
    if present.end is None:
        falls = times * (present.tank.loss + _most_drawn(case, present))
    else:
        inside = np.minimum(np.maximum(times, 1e-9), present.end)
        found = _falls(case, present, states, at, MOST_WORK, inside)
        falls = np.full(len(times), present.need) if found is None else found[1]
        falls = np.where(times > present.end, np.maximum(falls, present.need), falls)
    full = present.tank.size - present.need
    return np.asarray(np.where(times > 0, np.clip(level - falls, 0.0, max(level, full)), level))


def _most_drawn(case: Case, present: PresentTank) -> float:
    tank = present.tank
    return tank.draws.steady + sum(
        weight * case.peak(name.removeprefix("shape:")) if name.startswith("shape:") else 0.0
        for name, weight in tank.draws.terms
    )


def _falls(
    case: Case,
    present: PresentTank,
    states: States,
    at: float | None,
    most: int,
    lengths: Array | None = None,
) -> tuple[Array, Array] | None:
    """How far a tank falls at most in windows that begin now; at lengths at which that is highest.

    None where it is not known, or where that is too much work.
    """
    seen = _work(case, present, states, at, most, lengths)
    return None if seen is None else (seen[1], _falls_in(present, seen[0], at, seen[1]))


def _work(
    case: Case,
    present: PresentTank,
    states: States,
    at: float | None,
    most: int,
    lengths: Array | None = None,
) -> tuple[list[Seen], Array] | None:
    """What is seen of the parts of a tank, and the lengths to look at; None: too much work."""
    if present.end is None or present.edges**2 > most:
        return None
    seen = [(_seen(case, n, c, states), c, w) for n, c, w in present.parts]
    if lengths is None:
        lengths = _lengths([(spans, c) for spans, c, _ in seen], at, present.end)
    looks = sum((1 + len(spans)) * (len(c.drops) + len(c.rises)) for spans, c, _ in seen)
    return None if len(lengths) * looks > most else (seen, lengths)


def _falls_in(
    present: PresentTank, seen: Sequence[Seen], at: float | None, lengths: Array
) -> Array:
    total = present.draw * lengths
    for spans, cycle, weight in seen:
        total = total - weight * _sure(spans, cycle, at, lengths)
    return np.asarray(total)


def _need_of(tank: Tank, parts: Sequence[tuple[Cycle, float]]) -> float:
    """What a tank must hold at any time, by what is known of clocks."""
    draw = tank.loss - tank.net.steady
    for precision in (1e-7, 1e-3):
        short = shortfall(parts, draw, 0.0, precision)
        if short is None:
            return 0.0
        if short.kind == "window":
            return float(min(tank.size, short.amount * (1.0 + SAFE)))
    return tank.size


def free_need(case: Case, tank: Tank) -> float | None:
    """What a store would have to hold with all clocks free, kg; None where it is not known."""
    parts = [(replace(c, start=None, error=0.0), w) for _, c, w in cycles_of(case, tank)]
    short = shortfall(parts, tank.loss - tank.net.steady, 0.0, 1e-7)
    if short is None:
        return 0.0
    return short.amount if short.kind == "window" else None


def free_sources(case: Case, present: PresentTank) -> tuple[str, ...]:
    """Sources of unknown phase that fill a tank."""
    return tuple(
        name for name, c, _ in present.parts if c.start is None and name in case.site.sources
    )


def switch_times(present: PresentTank) -> tuple[list[float], float]:
    """Times by which known sources have turned for certain, and the period after which again, s."""
    known = [cycle for _, cycle, _ in present.parts if cycle.start is not None]
    period = together(cycle.period for cycle in known) if known else None
    if period is None:
        return [], 0.0
    times = {
        round((mark + cycle.start + cycle.error) % cycle.period, 6)
        for cycle in known
        if cycle.start is not None
        for mark in (*cycle.drops.tolist(), *cycle.rises.tolist())
    }
    return sorted(times), period


def growth_of(tank: Tank, values: Mapping[str, SourceClock]) -> float:
    """How fast what a tank must hold may grow, a second: all its sources on, and least draw."""

    def extreme(rate: Rate, sign: float) -> float:
        ends = ((sign * weight * values[name].values).max() for name, weight in rate.terms)
        return sign * rate.steady + float(sum(ends))

    return max(0.0, extreme(tank.arrivals, 1.0) + extreme(tank.draws, -1.0))


def states_of(
    clocks: Sequence[SourceClock], phases: Mapping[str, float], at: float, exact: Mapping[str, bool]
) -> dict[str, SourceState]:
    """What a crew sees of sources at a time of a run. ``exact``: source -> its cycle is as stated.

    Of an exact one they know how far its outermost stage is, too.
    """
    found = {}
    for clock in clocks:
        if clock.kind != "source" or clock.follows != clock.name:
            continue
        place = (phases.get(clock.name, 0.0) + at) % clock.period
        node = int(np.searchsorted(clock.times, place, side="right")) - 1
        on = bool(clock.values[node] > 0.0)
        first = node
        while first > 0 and (clock.values[first - 1] > 0.0) == on:
            first -= 1
        since = place - float(clock.times[first])
        if first == 0 and (clock.values[-1] > 0.0) == on:
            last = len(clock.times) - 1
            while last > 0 and (clock.values[last - 1] > 0.0) == on:
                last -= 1
            since = place + clock.period - float(clock.times[last])
        spell = place if exact.get(clock.name, False) else None
        found[clock.name] = SourceState(on, max(0.0, since), spell)
    return found


def _seen(case: Case, name: str, cycle: Cycle, states: States) -> Spans:
    """Where in its period a source's cycle may be, by its state; empty: anywhere."""
    state = states.get(name)
    source = case.site.sources.get(name)
    if state is None or source is None or cycle.table is not None or source.series is not None:
        return ()  # a measured flow keeps no phase
    half, near = 0.5 * cycle.delay, NEAR * cycle.period
    varies = bool(varied(case.site, source))
    if varies and (len(source.stages) > 1 or source.drift):
        return ()
    if state.spell is not None and not source.drift and not varies:
        return ((state.spell - half - near, state.spell + half + near),)
    if cycle is not case.sure.get(name):
        return ()  # parts of a chamber on one clock: what is seen of the source says too little
    ends = np.append(cycle.times[1:], cycle.period)
    on = cycle.rates > 0.0
    if varies:  # one stage, at its least on and its most every
        begin = 0.0 if state.on else float(cycle.times[~on][0])
        place = min(begin + state.since, cycle.period)
        return ((place - half - near, place + half + near),)
    slow = 1.0 + source.drift
    spans = []
    for start, end, mine in zip(cycle.times.tolist(), ends.tolist(), on.tolist(), strict=True):
        if mine != state.on:
            continue
        # By a clock that may be fast or slow, in a cycle that is fast while on and slow off.
        low, high = (
            (state.since / slow**2, state.since) if mine else (state.since, state.since * slow**2)
        )
        if low <= end - start + near + 2.0 * half:
            low, high = min(start + low, end), min(start + high, end)
            spans.append((low - half - near, high + half + near))
    return tuple(spans) if 0 < len(spans) <= MOST_CANDIDATES else ()


def _sure(spans: Spans, cycle: Cycle, at: float | None, lengths: Array) -> Array:
    """Least integral over windows that begin now."""
    begins = np.zeros(lengths.shape)
    if _placed(spans, cycle):
        best = np.zeros(lengths.shape)  # what is seen is never worse than any phase
    elif cycle.start is not None and at is not None:
        best = worst_shift(cycle, begins + at, lengths)[0]
    else:
        best = least_in(replace(cycle, start=None), begins, lengths)
    if not spans:
        return best
    seen = np.full(lengths.shape, np.inf)
    for low, high in spans:
        seen = np.minimum(seen, least_placed(cycle, low, high, lengths))
    return np.asarray(np.maximum(best, seen))


def _placed(spans: Spans, cycle: Cycle) -> bool:
    """Whether all that is known of a cycle's phase is what is seen of it."""
    return bool(spans) and cycle.start is None and cycle.table is None


def _within(times: Array, cycle: Cycle, low: float, high: float) -> Array:
    """Those times of a cycle that may be now, with shifted bursts on both sides."""
    slack = cycle.delay + NEAR * cycle.period
    return times[(times - low + slack) % cycle.period <= high - low + 2.0 * slack]


def _lengths(seen: Sequence[tuple[Spans, Cycle]], at: float | None, end: float) -> Array:
    """Lengths at which what is sure may turn up, or a demand down, as far as any can matter."""
    found = [np.array([end])]
    for spans, cycle in seen:
        if cycle.table is not None:
            found.append(cycle.table.rises_up_to(end) + cycle.delay)
            continue
        drops = cycle.drops
        if _placed(spans, cycle):  # a window begins at a drop only where it may be now
            drops = np.concatenate([_within(drops, cycle, low, high) for low, high in spans])
        marks = [((cycle.rises[None, :] - drops[:, None]).ravel() % cycle.period)]
        for low, high in spans:
            marks += [cycle.rises - low, cycle.rises - high]
        if cycle.start is not None and at is not None:
            place = at - cycle.start
            marks += [cycle.rises - place - cycle.error, cycle.rises - place + cycle.error]
        turns = np.arange(np.floor(end / cycle.period) + 1) * cycle.period
        every = (turns[:, None] + (np.concatenate(marks) % cycle.period)[None, :]).ravel()
        shifted = (
            [every, every + 0.5 * cycle.delay, every + cycle.delay] if cycle.delay else [every]
        )
        found += [*shifted, np.array([cycle.delay])]
    lengths = np.unique(np.concatenate(found))
    return np.asarray(lengths[(lengths > 0.0) & (lengths <= end)])
