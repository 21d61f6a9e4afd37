"""A measured flow as a duty cycle that promises no more than the record gave in any window.

With no more than ``max_flow`` taken, let G be the least that came in any window of length P of the
record. Then a source that is on at ``max_flow`` for G / max_flow of every P, at any phase, is a
safe lower bound: in every window of P at least G comes, at worst as one burst at its end, for
no more than ``max_flow`` can come at once; longer windows hold whole ones (what is sure to come is
superadditive: Le Boudec & Thiran, Network Calculus, Springer LNCS 2050, 2001, ch. 1). It holds for
every future of which no window of P brings less than the least one of the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from allocator.site.records.supply import RecordedFlow

Floats = npt.NDArray[np.float64]

SHARE = 0.8
"""Share of the mean flow to count on where the file does not say."""
WINDOWS, FLOWS = 24, 12
"""Lengths and limits of flow that are tried where the file does not say them."""
USUAL = (*(3600.0 * hours for hours in (1, 2, 4, 8, 12, 24, 48)), 7 * 86400.0, 28 * 86400.0)
"""Lengths that are tried besides: what comes and goes by the day or the week."""
FEWEST = 3
"""A window that is chosen fits into the record so often."""
GAP = 20.0
"""Times the usual step: in a longer one the record says nothing."""


@dataclass(frozen=True, slots=True)
class Bound:
    """``amount`` in kg is sure to come in every ``window`` in s, at up to ``max_flow`` in kg/s."""

    window: float
    max_flow: float
    amount: float

    @property
    def on(self) -> float:
        """Time on in every window, s."""
        return min(self.amount / self.max_flow, self.window)

    @property
    def mean(self) -> float:
        """Mean flow to count on, kg/s."""
        return self.amount / self.window


def without_gaps(starts: list[float], levels: list[float]) -> tuple[list[float], int]:
    """Levels with 0 where a step is a gap, and how many are."""
    steps = np.diff(starts)
    long = np.append(steps > GAP * np.median(steps), False)
    return np.where(long, 0.0, levels).tolist(), int(long.sum())


def least_in_window(starts: Floats, levels: Floats, length: float, window: float) -> float:
    """Least integral over any window within a record of steps.

    It is least where an end of the window is at an end of a step.
    """
    edges = np.append(starts, length)
    total = np.append(0.0, np.cumsum(levels * np.diff(edges)))
    begins = np.concatenate((edges, edges - window, [0.0, length - window]))
    begins = begins[(begins >= 0.0) & (begins <= length - window)]
    came = np.interp(begins + window, edges, total) - np.interp(begins, edges, total)
    return max(0.0, float(came.min()))


def bound_of(
    record: RecordedFlow, share: float, window: float | None, max_flow: float | None
) -> Bound:
    """The bound with the shortest pause that counts on ``share`` of the mean flow.

    Of given lengths or limits of flow, that one; if none counts on so much, the one with most.
    """
    starts, levels = np.array(record.starts), np.array(record.levels)
    steps = np.diff(np.append(starts, record.length))
    mean = float((levels * steps).sum()) / record.length
    shortest, longest = 2 * float(np.median(steps)), record.length / FEWEST
    spread = np.geomspace(min(shortest, longest), longest, WINDOWS)
    usual = [one for one in USUAL if shortest <= one <= longest]
    windows = [*usual, *(float(f"{one:.2g}") for one in spread)] if window is None else [window]
    flowing = levels[levels > 0]
    flows = (
        np.unique(np.quantile(flowing, np.linspace(0.0, 1.0, FLOWS))).tolist()
        if max_flow is None
        else [max_flow]
    )
    found = [
        Bound(one, most, least_in_window(starts, np.minimum(levels, most), record.length, one))
        for most in flows
        for one in dict.fromkeys(windows)
        if one <= record.length
    ]
    enough = [bound for bound in found if bound.mean >= share * mean]
    if enough:
        return min(enough, key=lambda b: (b.window - b.on, b.max_flow, b.window))
    return max(found, key=lambda b: (b.mean, -b.max_flow, -b.window))


def store_in_record(record: RecordedFlow, draw: float) -> float | None:
    """Least store that keeps a draw if the record repeats, kg; None where it has not so much.

    The sequent peak over two rounds (Loucks & van Beek, Water Resources Systems Planning and
    Management, UNESCO 2005, ch. 11).
    """
    steps = np.diff(np.append(record.starts, record.length))
    lack = np.tile(steps * (draw - np.array(record.levels)), 2)
    if lack.sum() > 1e-9 * draw * record.length:
        return None
    total = np.append(0.0, np.cumsum(lack))
    return float(np.max(total - np.minimum.accumulate(total)))


def longest_without(record: RecordedFlow) -> float:
    """Longest time without flow, s."""
    longest = held = 0.0
    ends = [*record.starts, record.length]
    for (start, end), level in zip(pairwise(ends), record.levels, strict=True):
        held = 0.0 if level > 0 else held + end - start
        longest = max(longest, held)
    return longest


def mean_of(record: RecordedFlow) -> float:
    """Mean flow, kg/s."""
    steps = np.diff(np.append(record.starts, record.length))
    return float((steps * np.array(record.levels)).sum()) / record.length
