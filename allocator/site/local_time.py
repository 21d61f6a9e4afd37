"""Whether a log without time zones is on local time, in words for its user.

In a log with rows at one usual step, an hour is missing in a night to a Sunday of spring, or comes
twice in one of autumn.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

HOUR = 3600.0
EVEN = 0.9
"""Share of steps that are the usual one, in a log with rows at set times."""
SUNDAY, NIGHT = 6, 4
"""Clocks change on a Sunday before this hour,"""
MONTHS = (3, 4, 9, 10, 11)
"""in these months (in the south, spring is in September and October)."""


def clock_change(times: npt.NDArray[np.float64], began: str) -> tuple[str, ...]:
    """Hours that are missing or come twice in dates without a time zone; ``times`` in s."""
    if not began or datetime.fromisoformat(began).tzinfo or len(times) < 3:
        return ()
    steps = np.diff(times)
    usual = float(np.median(steps))
    if not 0 < usual <= HOUR or (np.abs(steps - usual) < 0.01 * usual).mean() < EVEN:
        return ()
    missing = np.flatnonzero(np.abs(steps - usual - HOUR) < 0.01 * usual)
    twice = np.flatnonzero(np.abs(steps - usual + HOUR) < 0.01 * usual)
    notes = []
    for row in missing.tolist():
        begin = _date(began, float(times[row]) + usual)
        if clocks_change(begin, spring=True):
            end = begin + timedelta(seconds=HOUR)
            notes.append(
                f"no rows from {begin:%Y-%m-%d %H:%M} to {end:%H:%M}, as where clocks change to "
                "summer time: periods across it then seem an hour longer; write times in UTC or "
                "with their offset, such as +02:00"
            )
    for row in twice.tolist():
        begin = _date(began, float(times[row + 1]))
        if clocks_change(begin, spring=False):
            notes.append(
                f"the hour from {begin:%Y-%m-%d %H:%M} comes twice, as where summer time ends; "
                "write times in UTC or with their offset, such as +02:00"
            )
    return tuple(notes)


def _date(began: str, seconds: float) -> datetime:
    return datetime.fromisoformat(began) + timedelta(seconds=seconds)


def clocks_change(when: datetime, *, spring: bool) -> bool:
    """Whether clocks change then, somewhere; in the south half a year later than in the north."""
    months = MONTHS if spring else (4, *MONTHS[2:])
    return when.weekday() == SUNDAY and when.hour < NIGHT and when.month in months


def jumps_back(more: str, summer: bool) -> tuple[str, str]:
    """What is wrong at a row that is earlier than the one before it, and what to do."""
    why = ", as where summer time ends" if summer else ""
    return (
        f"the clock jumps back here{more}{why}",
        "sort the rows or mend the clock; give dates with their time zone",
    )
