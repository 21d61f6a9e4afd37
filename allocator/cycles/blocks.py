"""Everything that is on inside one spell of a nested duty cycle, built without sampling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from allocator.cycles.lines import Array
from allocator.site.records import Stage

ROUNDING = Fraction(1, 10**12)
"""Share of a spell below which a remainder is rounding (0.7 * 3 against 2.1), not a burst."""

MOST_INTERVALS = 4_000_000
"""More on-intervals than this in one outermost period are refused."""

Bits = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """On-intervals inside one spell that begins at 0: one entry an interval, in time order.

    ``starts``, ``lengths``: s. ``before``: on-time before the start. ``on_time``: exact total.
    ``late_starts``, ``late_ends``: bit l is set where the start (the end) of the interval lies
    in the last ``every`` of stage l before the end of the spell that stage l runs in.
    Intervals may touch: they are not merged here, so that the structure stays regular.
    """

    starts: Array
    lengths: Array
    before: Array
    on_time: Fraction
    late_starts: Bits
    late_ends: Bits


def block_of(stages: Sequence[Stage], length: float | Fraction) -> Block:
    """The on-intervals of ``stages`` (innermost first) run in a spell of ``length`` seconds.

    The outermost of ``stages`` turns on at 0 and is cut short at the end of the spell; so is,
    in turn, what runs inside it. All counts come from exact rational comparison.

    Raises ValueError when there would be more than ``MOST_INTERVALS`` intervals.
    """
    span = Fraction(length)
    if not stages:
        return Block(
            np.zeros(1),
            np.array([float(span)]),
            np.zeros(1),
            span,
            np.zeros(1, dtype=np.int64),
            np.zeros(1, dtype=np.int64),
        )
    stage, level = stages[-1], len(stages) - 1
    on, every = Fraction(stage.on), Fraction(stage.every)
    slack = span * ROUNDING
    full = int((span + slack) // every)
    rest = span - full * every
    cut = Fraction(0)
    if rest >= on - slack:
        full += 1
    elif rest > slack:
        cut = rest
    parts = []
    if full:
        inner = block_of(stages[:-1], on)
        if full * len(inner.starts) > MOST_INTERVALS:
            raise ValueError(
                f"a cycle with more than {MOST_INTERVALS} on-intervals in one outermost period"
            )
        parts.append(_repeated(inner, full, stage.every))
    if cut:
        parts.append(_moved(block_of(stages[:-1], cut), full, stage.every, parts))
    return _marked(parts, level, float(span), stage.every, float(slack))


def _repeated(inner: Block, count: int, every: float) -> Block:
    turns = np.arange(count, dtype=np.float64)
    on_time = float(inner.on_time)
    return Block(
        (turns[:, None] * every + inner.starts[None, :]).ravel(),
        np.tile(inner.lengths, count),
        (turns[:, None] * on_time + inner.before[None, :]).ravel(),
        inner.on_time * count,
        np.tile(inner.late_starts, count),
        np.tile(inner.late_ends, count),
    )


def _moved(inner: Block, turn: int, every: float, earlier: list[Block]) -> Block:
    done = float(earlier[0].on_time) if earlier else 0.0
    return Block(
        turn * every + inner.starts,
        inner.lengths,
        done + inner.before,
        inner.on_time,
        inner.late_starts,
        inner.late_ends,
    )


def _marked(parts: list[Block], level: int, span: float, every: float, slack: float) -> Block:
    starts = np.concatenate([part.starts for part in parts])
    lengths = np.concatenate([part.lengths for part in parts])
    # More marks than needed do no harm, so the limits lean outwards by the rounding.
    limit = span - every - slack
    late_starts = np.concatenate([part.late_starts for part in parts])
    late_ends = np.concatenate([part.late_ends for part in parts])
    bit = 1 << level
    return Block(
        starts,
        lengths,
        np.concatenate([part.before for part in parts]),
        sum((part.on_time for part in parts), Fraction(0)),
        late_starts | (starts >= limit).astype(np.int64) * bit,
        late_ends | (starts + lengths >= limit).astype(np.int64) * bit,
    )
