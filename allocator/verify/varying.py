"""What is sure of nested stages whose durations differ from time to time.

Every stage is at its least on and its most every. A window that begins inside a spell has what its
inner stages give at least over the rest of that spell, at whatever point they are; then nothing
until the next spell begins; from there on the on-times follow from the start of a spell:

    m(L) = least over y of  inner(y) + F(L - y - rest),   0 <= y <= on,

with F the integral from the start of a spell, and m(L) = 0 up to the rest. Both terms are 1 or 0
steep, so a least one has y where the inner one turns up, or L - y - rest where F does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from allocator.site.records import Stage
from allocator.verify.cycle import Cycle, LengthTable, source_cycle
from allocator.verify.march import Array
from allocator.verify.timetables import integral, least_in

SAME = 1e-12
"""Of a period: lengths closer than this are one."""


def table_of(stages: Sequence[Stage], varying: int) -> LengthTable | None:
    """The table of stages of which that number, from 1, is the innermost one that varies."""
    table: LengthTable | None = None
    for number in range(varying + 1, len(stages) + 1):
        inner = source_cycle(stages[: number - 1])
        if not inner.steady:
            least, rises = _inner(inner, table)
            table = _around(source_cycle(stages[:number]), stages[number - 1], least, rises)
    return table


Least = Callable[[Array], Array]


def _inner(cycle: Cycle, table: LengthTable | None) -> tuple[Least, Callable[[float], Array]]:
    """Least integral by length, and the lengths up to an end at which it turns up."""
    if table is not None:
        return table.at, table.rises_up_to

    def rises(end: float) -> Array:
        between = (cycle.rises[None, :] - cycle.drops[:, None]).ravel() % cycle.period
        turns = np.arange(np.floor(end / cycle.period) + 1) * cycle.period
        found = (turns[:, None] + np.unique(between)[None, :]).ravel()
        return found[found <= end]

    return (lambda lengths: least_in(cycle, np.zeros(lengths.shape), lengths)), rises


def _around(
    whole: Cycle, stage: Stage, least: Least, rises: Callable[[float], Array]
) -> LengthTable | None:
    rest, period = stage.every - stage.on, whole.period
    tails = np.unique(np.concatenate((np.zeros(1), rises(stage.on), np.array([stage.on]))))
    had = least(tails)
    turns = np.arange(4)[:, None] * period
    starts = (turns + np.append(0.0, whole.rises)[None, :]).ravel()
    starts = np.unique(starts[starts <= 3.0 * period])

    def sure(lengths: Array) -> Array:
        beyond = lengths - rest
        tail = np.concatenate(
            (
                np.broadcast_to(tails, (len(lengths), len(tails))),
                beyond[:, None] - starts[None, :],
            ),
            axis=1,
        )
        tail = np.clip(tail, 0.0, np.clip(beyond, 0.0, stage.on)[:, None])
        given = np.concatenate(
            (
                np.where(tail[:, : len(tails)] == tails[None, :], had[None, :], np.inf),
                least(tail[:, len(tails) :].ravel()).reshape(len(lengths), len(starts)),
            ),
            axis=1,
        )
        total = given + integral(whole, np.maximum(beyond[:, None] - tail, 0.0))
        return np.asarray(np.where(beyond <= 0.0, 0.0, total.min(axis=1)))

    ups = np.unique((tails[:, None] + rest + starts[None, :]).ravel())
    ups = ups[np.append(True, np.diff(ups) > SAME * period)]
    ups = ups[ups <= stage.on + rest + 2.0 * period]
    parts = np.array_split(ups, max(1, len(ups) * (len(tails) + len(starts)) // 1_000_000))
    values = np.concatenate([sure(part) for part in parts])
    return _table(ups, values, period, whole.total, stage.on + rest)


def _table(ups: Array, values: Array, period: float, total: float, late: float) -> LengthTable:
    """A table of lengths at which an integral, 1 or 0 steep, may turn up, and its values there.

    From ``late`` s on it repeats.
    """
    # Between two of them it grows first and rests then, if it has not grown all the time.
    rests = np.diff(ups) > np.diff(values) + SAME * period
    keep = np.append(True, rests)
    ups, values = ups[keep], values[keep]
    first = int(np.searchsorted(ups, late))
    last = int(np.searchsorted(ups, ups[first] + period * (1.0 - SAME)))
    ups, values = ups[: last + 1].copy(), values[: last + 1]
    ups[last] = ups[first] + period
    ends = ups[:-1] + np.diff(values)
    times = np.concatenate((np.zeros(1), np.stack((ups[:-1], ends), axis=1).ravel()))
    given = np.concatenate((np.zeros(1), np.stack((values[:-1], values[1:]), axis=1).ravel()))
    rates = np.concatenate((np.zeros(1), np.tile((1.0, 0.0), len(ends))))
    return LengthTable(float(ups[first]), period, total, times, rates, given, ups)
