"""Known phases: the joint inflow over time, and what a store then needs or gives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from allocator.cycles.balance import ROUNDING, common_period
from allocator.cycles.lines import Array, frozen
from allocator.cycles.patterns import Pattern
from allocator.site.records import Profile

MOST_CHANGES = 4_000_000
"""A joint timeline with more changes than this is refused."""


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Rate ``rates[i]`` kg/s from ``edges[i]`` to ``edges[i + 1]`` s; edges begin at 0.

    ``repeats``: it goes on for ever with the last edge as its period.
    """

    edges: Array
    rates: Array
    repeats: bool

    @property
    def length(self) -> float:
        """Length of the timeline (its period, when it repeats), s."""
        return float(self.edges[-1])

    @property
    def total(self) -> float:
        """Inflow over its length, kg."""
        return math.fsum(self.rates * np.diff(self.edges))


def joint_timeline(
    parts: Sequence[tuple[Pattern, float, float]], horizon: float | None = None
) -> Timeline:
    """The summed inflow of patterns whose phases are known.

    ``parts``: (pattern, offset s, rate kg/s): the outermost stage turns on at ``offset``, and
    at every whole period before and after. Without ``horizon`` the timeline repeats over the
    common period; ValueError when there is none (within 64 of the longest), or when there are
    too many changes to list.
    """
    moving = [part for part in parts if not part[0].steady]
    length = horizon
    if length is None:
        length = common_period([pattern.period for pattern, _, _ in moving]) if moving else 1.0
    if length is None:
        raise ValueError("the periods have no small common multiple: give a horizon")
    if sum(2 * len(p.starts) * (length / p.period + 2) for p, _, _ in moving) > MOST_CHANGES:
        raise ValueError(f"a joint timeline with more than {MOST_CHANGES} changes")
    intervals = [_intervals(pattern, offset, length) for pattern, offset, _ in moving]
    edges = np.unique(np.concatenate([[0.0, length], *(np.ravel(pair) for pair in intervals)]))
    edges = edges[(edges >= 0.0) & (edges <= length)]
    middles = (edges[:-1] + edges[1:]) / 2.0
    rates = np.full(len(middles), math.fsum(rate for p, _, rate in parts if p.steady))
    for (begins, ends), (_, _, rate) in zip(intervals, moving, strict=True):
        place = np.searchsorted(begins, middles, side="right") - 1
        on = (place >= 0) & (middles < ends[np.maximum(place, 0)]) if len(begins) else False
        rates = rates + np.where(on, rate, 0.0)
    return Timeline(frozen(edges), frozen(rates), horizon is None)


def _intervals(pattern: Pattern, offset: float, length: float) -> tuple[Array, Array]:
    first = math.floor(-offset / pattern.period) - 1
    last = math.ceil((length - offset) / pattern.period) + 1
    turns = offset + np.arange(first, last + 1) * pattern.period
    begins = (turns[:, None] + pattern.starts[None, :]).ravel()
    ends = (turns[:, None] + pattern.ends[None, :]).ravel()
    inside = (ends > 0.0) & (begins < length)
    return np.maximum(begins[inside], 0.0), np.minimum(ends[inside], length)


def store_for_draw_known(
    timeline: Timeline,
    draw: float,
    shape: Profile | None = None,
    steady: float = 0.0,
    loss: float = 0.0,
) -> float:
    """Least size, kg, of a store, full at time 0, that never runs dry along the timeline.

    ``draw``: mean kg/s; it follows ``shape`` when given (which begins at time 0). ``steady``:
    constant inflow. ``loss``: share of the size lost a second. Infinite when a timeline that
    repeats brings less than is drawn. Raises ValueError when timeline and shape both repeat
    without a small common period.
    """
    steps = _Steps.joined(timeline, shape)
    size = 0.0
    while True:
        flat = loss * size - steady
        if steps.short(draw, flat):
            return math.inf
        need, span, _, _ = steps.worst(draw, flat)
        if need <= size * (1.0 + ROUNDING):
            return size
        share_kept = 1.0 - loss * span
        if share_kept <= 0.0:
            return math.inf
        size = (need - loss * size * span) / share_kept


def draw_for_store_known(
    timeline: Timeline,
    size: float,
    shape: Profile | None = None,
    steady: float = 0.0,
    loss: float = 0.0,
) -> float:
    """Greatest mean draw, kg/s, that a store of ``size`` kg, full at time 0, sustains.

    Arguments as for :func:`store_for_draw_known`.
    """
    steps = _Steps.joined(timeline, shape)
    flat = loss * size - steady
    whole = steps.length
    spare = 0.0 if steps.repeats else size
    draw = (spare + steps.inflow_total - flat * whole) / steps.want_total
    while draw > 0.0:
        need, span, inflow, want = steps.worst(draw, flat)
        if need <= size * (1.0 + ROUNDING) or want <= 0.0:
            return draw
        lower = (size + inflow - flat * span) / want
        if lower >= draw:
            return draw
        draw = lower
    return 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """Cumulative time, inflow and wanted draw (of mean 1) at each edge, over two periods."""

    times: Array
    inflow: Array
    want: Array
    length: float
    inflow_total: float
    want_total: float
    repeats: bool

    @classmethod
    def joined(cls, timeline: Timeline, shape: Profile | None) -> _Steps:
        length = timeline.length
        if shape is not None and timeline.repeats:
            common = common_period([length, shape.period])
            if common is None:
                raise ValueError("timeline and profile have no small common period")
            length = common
        turns = round(length / timeline.length) if timeline.repeats else 1
        edges = _repeat(timeline.edges, timeline.length, turns)
        rates = np.tile(timeline.rates, turns)
        edges[-1] = length
        levels = np.ones(len(rates))
        if shape is not None:
            days = math.ceil(length / shape.period)
            changes = _repeat(np.append(shape.starts, shape.period), shape.period, days)
            joined = np.union1d(edges, changes[changes < length])
            rates = rates[np.searchsorted(edges, joined[:-1], side="right") - 1]
            at = np.searchsorted(changes, joined[:-1], side="right") - 1
            levels = np.tile(shape.levels, days)[at]
            edges = joined
        spans = np.diff(edges)
        inflow = np.concatenate(([0.0], np.cumsum(rates * spans)))
        want = np.concatenate(([0.0], np.cumsum(levels * spans)))
        totals = float(inflow[-1]), float(want[-1])
        if timeline.repeats:  # worst windows may run on into the next period
            edges = np.concatenate((edges, edges[1:] + length))
            inflow = np.concatenate((inflow, inflow[1:] + totals[0]))
            want = np.concatenate((want, want[1:] + totals[1]))
        return cls(edges, inflow, want, length, *totals, timeline.repeats)

    def short(self, draw: float, flat: float) -> bool:
        """True when it repeats and brings less than is drawn."""
        drawn = draw * self.want_total + flat * self.length
        scale = abs(drawn) + self.inflow_total
        return self.repeats and drawn - self.inflow_total > ROUNDING * scale

    def worst(self, draw: float, flat: float) -> tuple[float, float, float, float]:
        """Greatest fall below an earlier level, kg, and the span, inflow and want of it."""
        level = self.inflow - draw * self.want - flat * self.times
        full = np.maximum.accumulate(level)
        end = int(np.argmax(full - level))
        begin = int(np.argmax(level[: end + 1]))
        return (
            float(level[begin] - level[end]),
            float(self.times[end] - self.times[begin]),
            float(self.inflow[end] - self.inflow[begin]),
            float(self.want[end] - self.want[begin]),
        )


def _repeat(edges: Array, period: float, turns: int) -> Array:
    later = (np.arange(turns)[:, None] * period + edges[None, 1:]).ravel()
    return np.concatenate((edges[:1], later))
