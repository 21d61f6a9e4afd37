"""On-times that are sure where durations of an inner stage differ from time to time.

Of one stage the least on and the most every are worst: its rests are longest then, and the on-times
between them shortest. The same holds for an outermost stage around exact inner ones. Where an inner
stage varies it is not enough: a spell may end at any point of its inner cycle, with a longer rest
before its end than the inner durations at worst leave there. So a window counts

    inner tau over the tail of the spell in which it begins, nothing in the rest after it, and
    on-times from the start of each later spell, with least on and most every throughout.

From a spell's start nothing gives less: a rest needs the on-time before it, and that is least.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from allocator.cycles.curves import Curve, curve_of
from allocator.cycles.lines import Array, RepeatingLine, frozen
from allocator.cycles.patterns import Pattern, pattern_of
from allocator.site.records import Stage

SAME = 1e-12
"""Of a period: on-times closer than this are one."""


def spread_curve(stages: Sequence[Stage], varying: int) -> Curve:
    """What is sure of nested stages at their worst durations.

    ``varying``: number, from 1, of the innermost stage that varies; another is around it.
    """
    curve = curve_of(stages[:varying])
    for number in range(varying + 1, len(stages) + 1):
        around = stages[:number]
        curve = curve_of(around) if curve.pattern.steady else _within(curve.line, around)
    return curve


def _within(inner: RepeatingLine, stages: Sequence[Stage]) -> Curve:
    """The curve of stages of which the outermost has inner on-times of any phase in its tails."""
    pattern = pattern_of(stages)
    on, every = stages[-1].on, stages[-1].every
    gain = pattern.duty * pattern.period
    tails = np.unique(np.concatenate(([0.0], inner.peaks_between(0.0, on), [on])))
    had = inner.at(tails)
    first, waited = _from_start(pattern)
    w = (had[:, None] + first[None, :]).ravel()
    rest = ((tails - had + every - on)[:, None] + waited[None, :]).ravel()
    w, rest = _rising(w, rest, SAME * every)
    # From the on-time of a whole tail on, each period adds its gain and its rest.
    begin = int(np.searchsorted(w, had[-1] - SAME * every))
    end = int(np.searchsorted(w, w[begin] + gain - SAME * every))
    w, ups = w[: end + 1].copy(), (w + rest)[: end + 1]
    w[end], ups[end] = w[begin] + gain, ups[begin] + every
    flats = ups[:-1] + np.diff(w)
    lengths = np.concatenate(([0.0], np.stack((ups[:-1], flats), axis=1).ravel(), ups[-1:]))
    values = np.concatenate(([0.0], np.stack((w[:-1], w[1:]), axis=1).ravel(), w[-1:]))
    line = RepeatingLine(
        every,
        gain,
        frozen(lengths),
        frozen(values),
        frozen(np.unique(lengths[1:])),
        frozen(ups),
        onset=float(ups[begin]),
    )
    sigma = float(np.max(pattern.duty * ups - w))
    return Curve(pattern, pattern.duty, sigma, line)


def _from_start(pattern: Pattern) -> tuple[Array, Array]:
    """On-times from a start after which a rest ends, and all rest so far, over three periods."""
    turns = np.arange(3)[:, None] * pattern.period
    starts = np.append((turns + pattern.starts[None, :]).ravel(), 3.0 * pattern.period)
    on = np.concatenate(([0.0], np.cumsum(np.tile(pattern.ends - pattern.starts, 3))))
    return on, starts - on


def _rising(on: Array, rest: Array, same: float) -> tuple[Array, Array]:
    """The steps of the most rest there may be by an on-time."""
    order = np.lexsort((-rest, on))
    on, rest = on[order], rest[order]
    most = np.maximum.accumulate(rest)
    keep = np.append(True, most[1:] > most[:-1] + same)
    on, most = on[keep], most[keep]
    # of on-times that are one but for rounding, the step with the most rest
    last = np.append(np.diff(on) > same, True)
    return on[last], most[last]
