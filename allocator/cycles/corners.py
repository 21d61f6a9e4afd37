"""The corners of guaranteed on-time: which windows can be worst, and only those.

**Corners.** Take windows that begin as an on-interval ends and end as an on-interval starts
("gap to gap"), with on-time w and off-time q inside. For every length L

    tau(L) = min over such windows of  w + max(0, L - (w + q)).

A window of length L lies inside a longer gap-to-gap window (so has at most its w), or holds a
shorter one and at most the rest more: "<=". And a worst window may be taken to begin as an
on-interval ends or to end as one starts (moving a window changes its on-time at a rate that is
constant until an end meets such an instant); such a window ends in a gap, and the gap-to-gap
window that begins with it gives its on-time, or ends in an on-interval, and the gap-to-gap
window up to there gives it with the rest: ">=". So only w and q count, and only the windows
that no other passes in both (less w, more q): tau is a staircase of slopes 0 and 1 through
their corners (w + q, w).

**Few windows.** In a spell of stage l the on-time between t and t + every_l is the same for
every t with both ends in the spell, because what runs there is one periodic pattern cut at the
end of the spell. So when begin and end of a gap-to-gap window both can move ahead by every_l
and stay inside their own spells, moving changes neither w nor q. Move ahead as far as that
goes, first by the outermost of the inner stages, then inwards; moves by an inner stage stay
inside the spells of the outer ones and go ahead, so they keep what was reached. At the end,
for each inner stage l, the begin or the end of the window lies in the last every_l of its
spell. Of n intervals a period, about 2^(stages - 1) * n pairs are left instead of n * n.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from allocator.cycles.blocks import Block
from allocator.cycles.lines import Array

_PAIRS_AT_ONCE = 2_000_000
_CELLS = 1 << 16
_GRAIN = 2.0**-50  # share of a period below which two corners are told apart by rounding only


def corners_of(block: Block, period: float) -> tuple[Array, Array]:
    """On-time w and off-time q (s) of the windows that shape tau, both rising.

    ``block``: what is on in one period, with its late marks (without marks: all pairs are
    tried). The first corner has w = 0, and q the longest quiet spell.
    """
    ends = block.starts + block.lengths
    after = block.before + block.lengths
    total = float(block.on_time)
    grain = period * _GRAIN
    least, most = np.zeros(1), np.zeros(1)
    gaps = np.append(block.starts[1:], block.starts[0] + period) - ends
    for begins, finishes in _pairings(block):
        # Windows that begin with long gaps first: most of the others then fall at once.
        begins = begins[np.argsort(-gaps[begins], kind="stable")]
        rows = max(1, _PAIRS_AT_ONCE // len(finishes))
        early = [1, 8, 64] if len(begins) > rows else []
        cuts = [0, *early, *range(rows, len(begins), rows)]
        for at, until in pairwise(sorted({min(cut, len(begins)) for cut in cuts} | {len(begins)})):
            row = begins[at:until, None]
            column = finishes[None, :]
            turned = column <= row  # the window runs on into the next period
            w = block.before[column] - after[row] + np.where(turned, total, 0.0)
            q = block.starts[column] - ends[row] + np.where(turned, period, 0.0) - w
            if w.size > _CELLS:
                new = q > _passed(least, most, total, w)
                w, q = w[new], q[new]
            least, most = _best(
                np.concatenate((least, w.ravel())), np.concatenate((most, q.ravel())), grain
            )
    return least, most


def _passed(least: Array, most: Array, total: float, w: Array) -> Array:
    """Off-time that windows found so far reach with no more than (nearly) on-time w: no more

    than that is worth keeping. Looked up in cells of w, at the low end of each.
    """
    cells = np.arange(-1, _CELLS + 1) - 1e-6
    low = np.maximum(np.searchsorted(least, cells * (total / _CELLS), side="right") - 1, 0)
    reach = np.where(cells < 0.0, 0.0, most[low])
    place = np.clip((w * (_CELLS / total)).astype(np.int64), -1, _CELLS) + 1
    return np.asarray(reach[place])


def _pairings(block: Block) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Sets of intervals after which a window may begin, and before which it may end."""
    common = np.bitwise_and.reduce(block.late_starts & block.late_ends)
    present = int(np.bitwise_or.reduce(block.late_starts | block.late_ends))
    levels = [bit for bit in range(present.bit_length()) if not common >> bit & 1]
    pairings = []
    for choice in range(1 << len(levels)):
        begin_late = sum(1 << bit for place, bit in enumerate(levels) if choice >> place & 1)
        end_late = sum(1 << bit for place, bit in enumerate(levels) if not choice >> place & 1)
        begins = np.flatnonzero(block.late_ends & begin_late == begin_late)
        finishes = np.flatnonzero(block.late_starts & end_late == end_late)
        pairings.append((begins, finishes))
    return pairings


def _best(w: Array, q: Array, grain: float) -> tuple[Array, Array]:
    """Drop what another passes; of corners that rounding alone tells apart keep a safe one."""
    order = np.argsort(w, kind="stable")
    w, q = np.maximum(w[order], 0.0), q[order]
    reach = np.maximum.accumulate(q)
    # Least w of those with (nearly) the same reach, with the greatest q among them.
    new = np.concatenate(([True], np.diff(reach) > grain))
    first = np.flatnonzero(new)
    last = np.concatenate((first[1:], [len(reach)])) - 1
    w, q = w[first], reach[last]
    # Greatest q of those with (nearly) the same w.
    apart = np.concatenate(([True], np.diff(w) > grain))
    first = np.flatnonzero(apart)
    last = np.concatenate((first[1:], [len(w)])) - 1
    return w[first], q[last]
