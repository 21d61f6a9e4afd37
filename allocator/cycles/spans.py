"""The worst window of a store where the phases of some sources are known.

A window is a begin t and a length L; what is sure in it is exact for every source by itself, and
some possible world has all of it at once. Draw less supply is piecewise linear over (t, L). What is
sure of a source is the least over its possible shifts, so where one shift takes over from another
a shortfall turns up, never down: a greatest one lies where two of these lines cross: t at which an
on-time may end, t + L at which one may begin, L at which any-phase curves turn up or demands down.

All on-times are superadditive, so windows are searched no further than at any phase
(:mod:`allocator.cycles.windows`), and begins over the common period of the known timetables.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from allocator.cycles.balance import ROUNDING, Balance, balance_of, common_period
from allocator.cycles.clocked import KnownCurve
from allocator.cycles.curves import Supply
from allocator.cycles.demand import DemandCurve
from allocator.cycles.lines import Array
from allocator.cycles.windows import ends_of, passed_between, reach_of, worst_of

_GRAIN = 1e-13
SHORT = 1e-9
"""Of a period: a moment."""
_FEW_CROSSINGS = 10_000
"""So many windows are compared at once."""
_ALL_AT_ONCE = 60_000
"""Where there are no more in all, they are compared without a search."""
_PARTS = 32
"""Intervals of lengths at first."""
_FINER = 64.0
"""Begins are cut only when so much wider: with all of them open, any phase bounds a length."""


_OUT: ContextVar[Callable[[], bool] | None] = ContextVar("out", default=None)


class StoppedError(Exception):
    """The search of a worst window was ended before the window was known."""


@contextmanager
def ending(out: Callable[[], bool] | None) -> Iterator[None]:
    """Within it a search of a worst window asks before each step whether time is out."""
    before = _OUT.set(out)
    try:
        yield
    finally:
        _OUT.reset(before)


@dataclass(frozen=True, slots=True)
class Span:
    """A worst window: from ``begin`` s, ``length`` s long; else as :class:`Window`.

    ``begin`` is None where it is worst at any phase: the row of a tail.
    """

    begin: float | None
    length: float
    shortfall: float
    tail: bool = False


class _Boxes(NamedTuple):
    """Rectangles of windows: begins from ``t1`` to ``t2``, lengths from ``l1`` to ``l2``, s."""

    t1: Array
    t2: Array
    l1: Array
    l2: Array

    def some(self, which: NDArray[np.bool_]) -> _Boxes:
        return _Boxes(*(side[which] for side in self))

    def halved(self) -> _Boxes:
        """Twice as many: lengths are halved first, for those that no phase makes bad go at once."""
        t, length = 0.5 * (self.t1 + self.t2), 0.5 * (self.l1 + self.l2)
        wide = self.t2[0] - self.t1[0] > _FINER * (self.l2[0] - self.l1[0])
        low = _Boxes(self.t1, t, self.l1, self.l2) if wide else self._replace(l2=length)
        high = _Boxes(t, self.t2, self.l1, self.l2) if wide else self._replace(l1=length)
        return _Boxes(*(np.concatenate(sides) for sides in zip(low, high, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    """Draw less what is sure, over begins and lengths. ``whole``: at any phase; ``rest``: without

    the known sources. ``begins``, ``ends``: sorted, in [0, period); ``lengths``: sorted."""

    whole: Balance
    rest: Balance
    known: tuple[tuple[KnownCurve, float], ...]
    period: float
    begins: Array
    ends: Array
    lengths: Array

    def sure(self, begins: Array, lengths: Array, more: float | Array = 0.0) -> Array:
        total = self.rest.supply(lengths)
        for curve, rate in self.known:
            total = total + rate * curve.between(begins, lengths, more)
        return total

    def at(self, begins: Array, lengths: Array) -> Array:
        return self.rest.draw(lengths) - self.sure(begins, lengths)

    def bound(self, boxes: _Boxes) -> Array:
        """A shortfall that no window of each box passes."""
        middle, reach = 0.5 * (boxes.t1 + boxes.t2), 0.5 * (boxes.t2 - boxes.t1)
        low, high = (
            ends_of(length, self.rest.draw(length), self.sure(middle, length, reach))
            for length in (boxes.l1, boxes.l2)
        )
        return passed_between(self.whole, low, high)

    def crossings(self, boxes: _Boxes) -> Array:
        """How many crossings of lines each box holds, at the most."""
        t = _count(self.begins, boxes.t2) - _count(self.begins, boxes.t1)
        length = _count(self.lengths, boxes.l2) - _count(self.lengths, boxes.l1)
        u = self._ends_up_to(boxes.t2 + boxes.l2) - self._ends_up_to(boxes.t1 + boxes.l1)
        return np.asarray(t * length + t * u + u * length)

    def all_crossings(self, limit: float) -> float:
        """How many there are at the most, up to a length."""
        t, u, length = len(self.begins), len(self.ends), len(self.lengths)
        return t * length + u * length + t * u * (limit / self.period + 1.0)

    def _ends_up_to(self, times: Array) -> Array:
        turns = np.floor(times / self.period)
        rest = times - turns * self.period
        return np.asarray(turns * len(self.ends) + _count(self.ends, rest))

    def windows(self, t1: float, t2: float, l1: float, l2: float) -> tuple[Array, Array]:
        """The crossings in one box: begins and lengths."""
        grain = ROUNDING * (self.period + l2)
        t = _within(self.begins, t1 - grain, t2 + grain)
        length = _within(self.lengths, l1 - grain, l2 + grain)
        first, last = math.floor((t1 + l1) / self.period), math.floor((t2 + l2) / self.period)
        turns = np.arange(first - 1, last + 2) * self.period
        ends = (turns[:, None] + self.ends[None, :]).ravel()
        u = ends[(ends >= t1 + l1 - grain) & (ends <= t2 + l2 + grain)]
        begins = [np.repeat(t, len(length)), np.repeat(t, len(u)), np.repeat(u, len(length))]
        lengths = [np.tile(length, len(t)), np.tile(u, len(t)) - begins[1], np.tile(length, len(u))]
        begins[2] = begins[2] - lengths[2]
        at, long = np.concatenate(begins), np.concatenate(lengths)
        return at[long > 0.0], long[long > 0.0]


def _count(marks: Array, at: Array) -> Array:
    return np.asarray(np.searchsorted(marks, at, side="right"), dtype=np.float64)


def _within(marks: Array, low: float, high: float) -> Array:
    return marks[np.searchsorted(marks, low) : np.searchsorted(marks, high, side="right")]


def worst_span(
    inflows: Sequence[tuple[Supply, float]],
    flat: float,
    following: Sequence[tuple[DemandCurve, float]] = (),
    steady: float = 0.0,
    above: float = 0.0,
    *,
    tail: bool = True,
) -> Span:
    """The window of greatest shortfall over all begins t >= 0 and lengths L > 0.

    Arguments as for :func:`allocator.cycles.windows.worst_window`; the known periods must have a
    common one. ``tail``: state the tail row where windows are not searched to the end.
    """
    whole = balance_of(inflows, flat, following, steady)
    anyhow = worst_of(whole, above=above)
    if anyhow.shortfall <= above or math.isinf(anyhow.length):
        return Span(None, anyhow.length, anyhow.shortfall)
    if tail and anyhow.tail:  # no window passes that of any phase, and that is below the tail
        return Span(None, anyhow.length, anyhow.shortfall, True)
    known = tuple((s, r) for s, r in inflows if isinstance(s, KnownCurve) and r != 0.0)
    limit, enough = reach_of(whole)
    field = _field(whole, inflows, known, flat, following, steady, limit)
    best = _of_length(field, anyhow.length, Span(None, 0.0, above))
    if best.shortfall < anyhow.shortfall * (1.0 - ROUNDING):
        best = _worst_up_to(field, limit, best)
    if tail and not enough:
        beyond = whole.lag + whole.rate * limit
        if beyond > best.shortfall:
            return Span(None, limit, beyond, True)
    return best


def _of_length(field: _Field, length: float, best: Span) -> Span:
    """The worst window of one length: it begins, or ends, where what is sure may turn up.

    Of the length that is worst at any phase it often is as bad, always where one phase is known.
    """
    begins = np.concatenate((field.begins, field.ends - length))
    return _better(field, best, begins, np.full(begins.shape, length))


def ever_off(known: Sequence[KnownCurve]) -> bool:
    """Whether there is a moment at which all of some sources of known phase may be off at once.

    One begins where the on-time of one of them may end. A short window from there in which they
    have less on-time than its length, all together, has such a moment.
    """
    if not known:
        return True
    period = common_period([curve.timetable.period for curve in known])
    assert period is not None, "known clocks have a common period"
    begins = np.concatenate([_tiled(c.begins(), c.timetable.period, period) for c in known])
    short = np.full(begins.shape, SHORT * period)
    on = sum((curve.between(begins, short) for curve in known), np.zeros(begins.shape))
    return bool((on < 0.5 * short).any())


def _tiled(marks: Array, own: float, period: float) -> Array:
    """Times in a period of its own, in all of a joint one."""
    turns = np.arange(round(period / own)) * own
    return np.asarray((turns[:, None] + marks[None, :]).ravel() % period)


def _field(
    whole: Balance,
    inflows: Sequence[tuple[Supply, float]],
    known: tuple[tuple[KnownCurve, float], ...],
    flat: float,
    following: Sequence[tuple[DemandCurve, float]],
    steady: float,
    limit: float,
) -> _Field:
    others = [(s, r) for s, r in inflows if not isinstance(s, KnownCurve)]
    rest = balance_of(others, flat, following, steady)
    period = common_period([curve.timetable.period for curve, _ in known])
    assert period is not None, "known clocks have a common period"

    begins = np.unique(
        np.concatenate([_tiled(c.begins(), c.timetable.period, period) for c, _ in known])
    )
    ends = np.unique(
        np.concatenate([_tiled(c.ends(), c.timetable.period, period) for c, _ in known])
    )
    lines = {id(line): line for line in whole.lines}.values()
    lengths = np.concatenate(
        [line.peaks_between(0.0, limit) for line in lines]
        + [[limit], [2.0 * c.jitter for c, _ in known if c.jitter]]  # from there on it may give
    )
    return _Field(whole, rest, known, period, begins, ends, np.unique(lengths))


def _worst_up_to(field: _Field, limit: float, best: Span) -> Span:
    """Branch and bound over boxes of begins and lengths, as for lengths alone, from a best one.

    Raises:
        StoppedError: within :func:`ending`, time is out.
    """
    if field.all_crossings(limit) <= _ALL_AT_ONCE:
        begins, lengths = field.windows(0.0, field.period, 0.0, limit)
        here = (begins >= 0.0) & (begins <= field.period) & (lengths <= limit * (1.0 + ROUNDING))
        return _best_of(field, best, begins[here], lengths[here])
    out = _OUT.get()
    length = np.linspace(0.0, limit, _PARTS + 1)
    none = np.zeros(_PARTS)
    boxes = _Boxes(none, none + field.period, length[:-1], length[1:])
    while True:
        if out is not None and out():
            raise StoppedError
        bound, counts = field.bound(boxes), field.crossings(boxes)
        # A crossing on the edge of a box may be counted in its neighbour by rounding alone.
        keep = bound > best.shortfall * (1.0 + _GRAIN)
        boxes, counts = boxes.some(keep), counts[keep]
        if not len(counts):
            return best
        best = _better(field, best, 0.5 * (boxes.t1 + boxes.t2), boxes.l2)
        narrow = float(np.max(boxes.t2 - boxes.t1)) < 1e-9 * field.period
        if counts.sum() <= _FEW_CROSSINGS or narrow:
            return _compared(field, best, boxes)
        boxes = boxes.some(counts > 0).halved()


def _compared(field: _Field, best: Span, boxes: _Boxes) -> Span:
    parts = [field.windows(*box) for box in zip(*(side.tolist() for side in boxes), strict=True)]
    begins = np.concatenate([part[0] for part in parts])
    lengths = np.concatenate([part[1] for part in parts])
    return _best_of(field, best, begins, lengths)


def _best_of(field: _Field, best: Span, begins: Array, lengths: Array) -> Span:
    for at in range(0, len(begins), 1 << 14):
        best = _better(field, best, begins[at : at + (1 << 14)], lengths[at : at + (1 << 14)])
    return best


def _better(field: _Field, best: Span, begins: Array, lengths: Array) -> Span:
    begins = begins % field.period
    if not len(begins):
        return best
    needs = field.at(begins, lengths)
    top = int(np.argmax(needs))
    if needs[top] > best.shortfall:
        return Span(float(begins[top]), float(lengths[top]), float(needs[top]))
    return best


def worst_until(
    inflows: Sequence[tuple[Supply, float]],
    flat: float,
    following: Sequence[tuple[DemandCurve, float]],
    steady: float,
    end: float,
) -> Span:
    """The window of greatest shortfall that ends at ``end`` s and begins at 0 s or later.

    Arguments as for :func:`worst_span`. Shortfall turns down, as the begin moves, only where a
    shift at its end of the range, or one that makes an on-time begin at ``end``, has one end there.
    """
    found = [np.array([end])]
    for supply, rate in inflows:
        if rate == 0.0 or not len(supply.line.kinks):
            continue
        if isinstance(supply, KnownCurve):
            found.append(end - _begins_before(supply, end))
        else:
            found.append(supply.line.peaks_between(0.0, end))
    for demand, rate in following:
        if rate != 0.0 and len(demand.line.kinks):
            found.append(demand.line.peaks_between(0.0, end))
    lengths = np.unique(np.concatenate(found))
    lengths = lengths[(lengths > 0.0) & (lengths <= end)]
    need = (flat - steady) * lengths
    for demand, rate in following:
        need = need + rate * demand.largest(lengths)
    for supply, rate in inflows:
        if isinstance(supply, KnownCurve):
            need = need - rate * supply.between(end - lengths, lengths)
        else:
            need = need - rate * supply.line.at(lengths)
    top = int(np.argmax(need))
    return Span(float(end - lengths[top]), float(lengths[top]), max(0.0, float(need[top])))


def _begins_before(curve: KnownCurve, end: float) -> Array:
    """Begins of windows up to ``end`` at which what is sure of a known clock may turn up."""
    period = curve.timetable.period
    shifts = (curve.timetable.starts + curve.start - (end - curve.jitter)) % period
    shifts = np.concatenate((shifts, shifts - period))
    shifts = np.append(shifts[np.abs(shifts) <= curve.error], [-curve.error, curve.error])
    marks = (curve.timetable.ends + curve.start - curve.jitter)[:, None] - shifts[None, :]
    turns = np.arange(math.floor(end / period) + 1) * period
    begins = (np.unique(marks % period)[:, None] + turns[None, :]).ravel()
    return np.asarray(begins[begins <= end])
