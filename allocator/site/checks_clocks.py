"""Checks of the clocks of sources: what is said of when they are on must make sense."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import pairwise

from allocator.base.grouped import grouped
from allocator.base.quantities import format_quantity, shown
from allocator.site.records import Site, Source, Spread

DAY = 86_400.0
WEEK = 7 * DAY
DIVIDES = 1e-9
"""A period that divides a day or a week to within this share does."""

MOST_BURSTS = 500
"""Of a period with several stages of which some duration varies."""

Problems = Iterator[tuple[str, str, str]]
"""A key of the source, what is wrong there, and what to do."""


def faults_of_clock(source: Source, spreads: Mapping[str, Spread], starts_at: str) -> Problems:
    """What is wrong with the clock of a source. ``starts_at``: of the site, empty if not given."""
    keys = ("clock", "error", "drift", "jitter")
    given = [k for k in keys if getattr(source, k) not in (None, 0.0, "free")]
    if not source.stages:
        if given:
            yield given[0], "is given for a source that is always on", "give its 'cycle'"
        return
    yield from _known(source, starts_at)
    first = source.stages[0].every
    if source.jitter >= first:
        yield (
            "jitter",
            f"is as long as the period of the first stage ({_span(first)}), or longer",
            "give how far one burst may come early or late",
        )
        return
    yield from _inexact(source, spreads)


def faults_of_survey(site: Site) -> Problems:
    """What is wrong with the site's own times."""
    if site.starts_at:
        try:
            datetime.fromisoformat(site.starts_at)
        except ValueError:
            yield (
                "starts_at",
                f"is no date and time (got {shown(site.starts_at)})",
                "write it as 2027-03-01T06:00",
            )
    if site.survey_ends is None:
        return
    if not site.starts_at:
        yield (
            "survey_ends",
            "counts from 'starts_at', which is not given",
            "add 'starts_at: 2027-03-01T06:00' with the time of the survey",
        )
    if not any(source.clock == "surveyed" for source in site.sources.values()):
        yield (
            "survey_ends",
            "is given, but no source has 'clock: surveyed'",
            "leave it out, or say which clocks were surveyed",
        )


def varying(source: Source, spreads: Mapping[str, Spread]) -> dict[str, Spread]:
    """Durations of a source's cycle that differ from time to time, by key and stage number."""
    head = f"sources.{source.name}."
    found = {}
    for number in range(1, len(source.stages) + 1):
        for field in ("on", "every"):
            key = "delivery.every" if source.delivered else f"cycle[{number}].{field}"
            spread = spreads.get(head + key)
            if spread is not None and spread.varies:
                found[key] = spread
    return found


def _known(source: Source, starts_at: str) -> Problems:
    """Of a clock that is not free: what it needs, and what it cannot be."""
    if source.clock == "free":
        if source.error is not None:
            yield "error", "is given, but the clock is free", "add 'clock: surveyed' or 'calendar'"
        return
    period = source.stages[-1].every
    if source.next_start is None:
        yield (
            "clock",
            f"is {shown(source.clock)}, but 'next_start' is not given",
            "give the time until it next turns on",
        )
    if source.error is None:
        yield (
            "clock",
            f"is {shown(source.clock)}, but 'error' is not given",
            "say how far 'next_start' may be off, such as 'error: 5 min'",
        )
    elif source.error > period:
        yield (
            "error",
            f"is longer than the cycle ({_span(source.error)} > {_span(period)})",
            "leave out 'clock' where nothing is known of when it is on",
        )
    if source.clock != "calendar":
        return
    if not starts_at:
        yield (
            "clock",
            "is tied to the day or the week, but the site has no 'starts_at'",
            "add 'starts_at: 2027-03-01T06:00' with the time from which 'next_start' counts",
        )
    if source.drift:
        yield "drift", "is given, but a calendar's clock never drifts", "use 'clock: surveyed'"
    if not any(_divides(period, whole) for whole in (DAY, WEEK)):
        others = _nearest(period)
        near = " and ".join(map(_span, others))
        mine = _span(period)
        if mine in map(_span, others):
            mine = f"{period!r} s"
        yield (
            "clock",
            f"is tied to the day or the week, which its period ({mine}) does not divide",
            f"the nearest that do: {near}",
        )


def _inexact(source: Source, spreads: Mapping[str, Spread]) -> Problems:
    """Of what makes true cycles differ from the stated one: where that is not yet planned."""
    varies = varying(source, spreads)
    key = next(iter(varies), "").partition("[")[0].partition(".")[0]
    if varies and _most_bursts(source) > MOST_BURSTS:
        yield (
            key,
            f"has a duration that varies, and about {grouped(_most_bursts(source))} bursts in a "
            f"period of its outermost stage; more than {grouped(MOST_BURSTS)} are not yet planned",
            "leave out the inner stages and give the mean flow while they last",
        )


def _most_bursts(source: Source) -> float:
    """Bursts in a period of the outermost stage, about; of one stage no number matters."""
    pairs = pairwise(source.stages)
    return math.prod(max(1.0, outer.on / inner.every) for inner, outer in pairs)


def _divides(period: float, whole: float) -> bool:
    times = round(whole / period)
    return times >= 1 and abs(times * period - whole) <= DIVIDES * whole


def _nearest(period: float) -> tuple[float, ...]:
    """The longest period below and the shortest above that divide a day or a week."""
    if period > WEEK:
        return (WEEK,)
    below = max(whole / -(-whole // period) for whole in (DAY, WEEK))
    above = min(whole / (whole // period) for whole in (DAY, WEEK) if whole >= period)
    return below, above


def _span(seconds: float) -> str:
    return format_quantity(seconds, "duration")
