"""Rule of sources with a measured flow: their duty cycle promises no more than the record gave."""

from __future__ import annotations

import math
from collections.abc import Iterator

from allocator.site.records import RecordedFlow
from allocator.verify.case import Case
from allocator.verify.report import Findings


def check_records(case: Case, findings: Findings) -> None:
    """``flow * on <= inflow`` of every window of the record, of no more than ``flow`` at once.

    With it ``flow * tau(L) <= inflow`` of every window of any length L: what a window of ``every``
    lacks of ``flow * every`` is at most what any part of it lacks.
    """
    for name, source in case.whole.own_sources.items():
        record = source.series
        if record is None:
            continue
        subject = f"source {name!r}"
        on, every = (source.stages[0].on, source.stages[0].every) if source.stages else (1.0, 1.0)
        window = every if source.stages else record.window
        findings.holds(
            "series_stage",
            subject,
            len(source.stages) <= 1 and window == record.window and 0 < window <= record.length,
            "has another cycle than one stage as long as the window of its record",
        )
        sure = min(_windows(record, source.flow, window), default=0.0)
        counted = source.flow * on * (window / every)
        findings.at_most(
            "series_inflow", subject, counted, sure, "kg", "what every window is sure to bring"
        )


def _windows(record: RecordedFlow, most: float, window: float) -> Iterator[float]:
    """What came in each window of which one end is at an end of a step, within the record."""
    ends = [*record.starts[1:], record.length]
    pieces = list(
        zip(record.starts, ends, (min(level, most) for level in record.levels), strict=True)
    )
    for forward in (True, False):  # windows that begin at a step, then those that end at one
        if not forward:
            pieces = [(record.length - b, record.length - a, x) for a, b, x in reversed(pieces)]
        last, held, parts = 0, 0.0, 0.0  # whole pieces from the first one up to ``last``
        for first, (start, end, level) in enumerate(pieces):
            stop = start + window
            if stop > record.length * (1 + 1e-15):
                break
            if last < first:
                last, parts = first, 0.0
            while last < len(pieces) and pieces[last][1] <= stop:
                parts += (pieces[last][1] - pieces[last][0]) * pieces[last][2]
                last += 1
            held = (stop - pieces[last][0]) * pieces[last][2] if last < len(pieces) else 0.0
            yield math.fsum((parts, held))
            if last > first:
                parts -= (end - start) * level
