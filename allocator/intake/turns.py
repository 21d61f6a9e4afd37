"""When a logged source turned on and off: false single readings, gaps, spells."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from allocator.intake.change_rows import Floats, Marks
from allocator.intake.logs import Log

APART = 1.8
"""Ratio of waits that tells two classes apart."""
SHORTER = 0.9
"""Share of the shortest rest that was seen whole, below which no rest is hidden in a gap."""
FALSE = 0.05
"""Single readings that differ from both neighbours are errors if they are a smaller share of all

runs of readings, and other runs are long: ``LONG`` rows in the median."""
LONG = 5


@dataclass(frozen=True, slots=True, eq=False)
class Bursts:
    """Times on. ``start_known``, ``end_known``: it lies within the record, not in a gap.

    ``wait``: time off after each, as far as it was seen; ``broken``: a gap follows or lies within.
    ``before`` and ``after``: time off around each that was seen without a gap. ``start_width`` and
    ``end_width``: distance of the rows around a turn, which lies anywhere between them; all s.
    """

    start: Floats
    end: Floats
    start_known: Marks
    end_known: Marks
    wait: Floats
    broken: Marks
    before: Floats
    after: Floats
    start_width: Floats
    end_width: Floats


def without_false(on: Marks) -> tuple[Marks, int]:
    """The states without single readings that differ from both neighbours; and how many were.

    Where such readings are usual, the source turns as fast as that, and nothing is changed; nor
    where the source would never be on.
    """
    edges = np.flatnonzero(on[1:] != on[:-1]) + 1
    runs = np.diff(np.concatenate([[0], edges, [len(on)]]))
    single = runs == 1
    single[[0, -1]] = False
    count = int(single.sum())
    if not count or count > FALSE * len(runs) + 1 or np.median(runs[~single]) < LONG:
        return on, 0
    mended = on.copy()
    starts = np.concatenate([[0], edges])
    mended[starts[single]] ^= True
    if not mended.any():  # the one reading that shows it on is all there is
        return on, 0
    return mended, count


def bursts_of(log: Log, on: Marks) -> Bursts:
    """Times on between rows; what a gap touches is marked."""
    times, gaps = log.times, log.gaps
    steps = np.diff(times)
    up = np.flatnonzero(~on[:-1] & on[1:])
    down = np.flatnonzero(on[:-1] & ~on[1:])
    turn, width = (times[:-1] + times[1:]) / 2, steps
    if log.turns:  # each row is a turn, but in a gap
        turn, width = np.where(gaps, turn, times[1:]), np.where(gaps, width, log.resolution)
    start, start_known, start_width = turn[up], ~gaps[up], width[up]
    end, end_known, end_width = turn[down], ~gaps[down], width[down]
    if on[0]:
        start, start_known = np.append(times[0], start), np.append(log.listed, start_known)
        start_width = np.append(log.resolution, start_width)
    if on[-1]:
        end, end_known = np.append(end, times[-1]), np.append(end_known, False)
        end_width = np.append(end_width, log.resolution)
    in_gap = np.concatenate([[0], np.cumsum(gaps)])  # gaps before each row
    first = np.searchsorted(times, start)
    last = np.searchsorted(times, end) - 1
    within = in_gap[np.maximum(last, first)] > in_gap[first]
    following = np.append(start[1:], times[-1])
    behind = np.append(first[1:], len(times)) - 1
    gap_after = in_gap[behind] > in_gap[np.minimum(last + 1, len(times) - 1)]
    last_one = np.zeros(len(start), dtype=bool)
    last_one[-1] = True
    broken = within | gap_after | ~end_known | last_one
    broken[:-1] |= ~start_known[1:]
    gap_ends = np.append(times[:1], times[1:][gaps])
    gap_begins = np.append(times[:-1][gaps], times[-1:])
    clear = gap_ends[np.searchsorted(gap_ends, start, side="right") - 1]
    hidden = gap_begins[np.minimum(np.searchsorted(gap_begins, end), len(gap_begins) - 1)]
    # a turn within a gap is put in its middle, but was seen off only outside of it
    off = end + np.where(end_known, 0.0, end_width / 2)
    on_again = start - np.where(start_known, 0.0, start_width / 2)
    before = np.maximum(on_again - np.maximum(np.append(times[0], off[:-1]), clear), 0.0)
    after = np.maximum(np.minimum(np.append(on_again[1:], times[-1]), hidden) - off, 0.0)
    known = (start_known & ~within, end_known & ~within)
    wait = following - end
    return Bursts(start, end, *known, wait, broken, before, after, start_width, end_width)


def cut_of(bursts: Bursts) -> float:
    """The wait that parts the short from the long; infinite where they are of one class."""
    seen = bursts.after[:-1] + bursts.before[1:] > 0.8 * bursts.wait[:-1]
    clear = seen | ~bursts.broken[:-1]
    waits, broken = bursts.wait[:-1][clear], bursts.broken[:-1][clear]
    longest = np.maximum(bursts.after[:-1], bursts.before[1:])[clear]  # seen without a gap
    order = np.argsort(waits, kind="stable")
    waits, broken, longest = waits[order], broken[order], longest[order]
    if len(waits) < 4:
        return math.inf
    middle = len(waits) // 2  # most waits are within spells
    ratios = waits[middle:] / np.maximum(waits[middle - 1 : -1], 1e-9)
    place = middle - 1 + int(np.argmax(ratios))
    below, above = waits[: place + 1], waits[place + 1 :]
    if above[0] / below[-1] < APART or above[0] < APART * np.median(below):
        return math.inf
    cut = float(math.sqrt(below[-1] * above[0]))
    if broken[place + 1 :].all() and (len(above) < 3 or (longest[place + 1 :] <= cut).all()):
        return math.inf  # a gap that hides a burst looks like one long wait
    return cut


def spells_of(bursts: Bursts, cut: float) -> Bursts:
    """Bursts that follow each other within the cut, as one each."""
    seen = (bursts.after[:-1] > cut) | (bursts.before[1:] > cut)
    # a gap within a spell looks like a wait; no rest is hidden in one shorter than rests are
    rests = bursts.wait[:-1][~bursts.broken[:-1] & (bursts.wait[:-1] > cut)]
    long = bursts.wait[:-1] > (max(cut, SHORTER * float(rests.min())) if len(rests) else cut)
    parted = ((bursts.wait[:-1] > cut) & seen) | (long & (bursts.wait[:-1] > 3 * cut))
    breaks = np.flatnonzero(parted)
    first, last = np.append(0, breaks + 1), np.append(breaks, len(bursts.start) - 1)
    doubts = np.concatenate([[0], np.cumsum(long & ~parted)])  # a rest may be hidden there
    sound = doubts[last] == doubts[first]
    opened = (bursts.before[first] > cut) & sound
    closed = (bursts.after[last] > cut) & sound
    return replace(
        bursts,
        start=bursts.start[first],
        end=bursts.end[last],
        start_known=bursts.start_known[first] & opened,
        end_known=bursts.end_known[last] & closed,
        wait=np.append(bursts.start[first[1:]] - bursts.end[last[:-1]], bursts.wait[-1]),
        broken=~closed | ~np.append(opened[1:], False),
        before=bursts.before[first],
        after=bursts.after[last],
        start_width=bursts.start_width[first],
        end_width=bursts.end_width[last],
    )
