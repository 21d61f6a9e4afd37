"""Storage from series in equal steps: the sequent peak, and a reservoir step by step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reservoir:
    """A reservoir's run: ``levels`` at the end of each step, ``spills`` and ``shorts`` in it."""

    levels: tuple[float, ...]
    spills: tuple[float, ...]
    shorts: tuple[float, ...]


def sequent_peak(
    inflow: Sequence[float], draft: float | Sequence[float], cycles: int = 2
) -> tuple[float, tuple[float, ...]]:
    """Storage that a repeating inflow needs for a draft, and the deficit after each step.

    deficit_t = max(0, deficit_(t-1) + draft_t - inflow_t), from 0, over ``cycles`` rounds of the
    series; the storage is the greatest deficit. Amounts a step, one unit throughout. Two
    rounds are enough when the series brings at least what is drawn: the sequent peak method
    (Loucks & van Beek, Water Resources Systems Planning and Management, UNESCO 2005, ch. 11).

    Raises ValueError when a draft series is not as long as the inflow.
    """
    drafts = _drafts(inflow, draft)
    deficit, trace = 0.0, []
    for _ in range(cycles):
        for comes, goes in zip(inflow, drafts, strict=True):
            deficit = max(0.0, deficit + goes - comes)
            trace.append(deficit)
    return max(trace, default=0.0), tuple(trace)


def reservoir(
    inflow: Sequence[float],
    draft: float | Sequence[float],
    size: float,
    start: float = 0.0,
    cycles: int = 1,
) -> Reservoir:
    """Run a reservoir of ``size`` from level ``start``: it spills when full, falls short dry.

    Amounts a step, one unit throughout. Raises ValueError as :func:`sequent_peak`.
    """
    drafts = _drafts(inflow, draft)
    level = start
    levels, spills, shorts = [], [], []
    for _ in range(cycles):
        for comes, goes in zip(inflow, drafts, strict=True):
            after = level + comes - goes
            level = min(max(after, 0.0), size)
            levels.append(level)
            spills.append(max(0.0, after - size))
            shorts.append(max(0.0, -after))
    return Reservoir(tuple(levels), tuple(spills), tuple(shorts))


def _drafts(inflow: Sequence[float], draft: float | Sequence[float]) -> Sequence[float]:
    if isinstance(draft, (int, float)):
        return [float(draft)] * len(inflow)
    if len(draft) != len(inflow):
        raise ValueError(f"{len(inflow)} steps of inflow but {len(draft)} of draft")
    return draft
