"""Which parts of a record a picture shows, and when the cycle found in it is on there."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from allocator.cycles import pattern_of
from allocator.intake.fitting import CycleFit
from allocator.intake.logs import Log
from allocator.site.records import Stage

SEEN = 150
"""Times on that a picture shows beside each other; of more, only the outermost stage."""
CLOSE = 8
"""Periods of the innermost stage in the closer view."""


@dataclass(frozen=True, slots=True)
class CycleView:
    """From ``begin`` to ``end``, s from the first row; times on; what they are, or empty text."""

    title: str
    begin: float
    end: float
    on: tuple[tuple[float, float], ...]
    cycle: str


def views_of(fit: CycleFit, log: Log) -> tuple[CycleView, ...]:
    """The whole record, and where that hides the bursts a part of it at an outer start."""
    length = float(log.times[-1])
    whole = "The whole record; gaps are grey" if log.gaps.any() else "The whole record"
    if not fit.periodic:
        return (CycleView(whole, 0.0, length, (), ""),)
    stages = [Stage(min(s.on.value, s.every.value), s.every.value) for s in fit.stages]
    inner, outer = fit.stages[0].every.value, fit.stages[-1].every.value
    fixed = not any(s.every_range for s in fit.stages)
    words = "the cycle found" + ("" if fixed else ", at its likeliest durations")
    anchor = fit.stages[-1].last.value
    many = length / inner > SEEN
    shown = stages[-1:] if many and len(stages) > 1 else stages
    told = f"{words}: outermost stage" if len(shown) < len(stages) else words
    views = [CycleView(whole, 0.0, length, _on(shown, anchor, 0.0, length), told)]
    if many:
        begin = anchor
        if begin + CLOSE * inner > length:
            begin = max(anchor - outer * math.ceil(CLOSE * inner / outer), 0.0)
        begin = max(begin - inner, 0.0)
        end = min(begin + CLOSE * inner, length)
        title = f"From {begin / length:.0%} of the record on, eight periods of the first stage"
        views.append(CycleView(title, begin, end, _on(stages, anchor, begin, end), words))
    return tuple(views)


def _on(
    stages: list[Stage], anchor: float, begin: float, end: float
) -> tuple[tuple[float, float], ...]:
    """Times on of a cycle of which the outermost stage turns on at ``anchor``."""
    pattern = pattern_of(stages)
    first = math.floor((begin - anchor) / pattern.period) - 1
    last = math.ceil((end - anchor) / pattern.period) + 1
    turns = anchor + pattern.period * np.arange(first, last)[:, None]
    starts, ends = (turns + pattern.starts).ravel(), (turns + pattern.ends).ravel()
    keep = (ends > begin) & (starts < end)
    return tuple(zip(starts[keep].tolist(), ends[keep].tolist(), strict=True))
