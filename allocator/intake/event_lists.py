"""A list of events (start, duration, wait) -> a log of the turns.

A wait is read in one of two ways: from the end of an event to the start of the next one (a rest),
or from start to start (an interval). Where starts are listed too, they show which one it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from allocator.base.grouped import grouped
from allocator.base.quantities import shown
from allocator.intake.cells import refuse
from allocator.intake.change_rows import Floats, coarsest
from allocator.intake.columns import ColumnKind
from allocator.intake.log_table import LogTable
from allocator.intake.logs import Log

EVENT_COLUMNS = {
    "start": ColumnKind(("begin", "began", "started"), "duration"),
    "duration": ColumnKind(("length", "lasted"), "duration"),
    "wait": ColumnKind(("waiting", "waiting time"), "duration"),
    "rest": ColumnKind(("pause", "off time"), "duration"),
    "interval": ColumnKind(("period", "start to start"), "duration"),
}
"""Of a list: durations with starts or waits; a flow if the list has one."""
FEWEST = 3
READINGS = {"end": "from the end of one to the start of the next", "start": "from start to start"}
SAME = 1e-6


def log_of_events(table: LogTable, wait: str) -> Log:
    """The turns of a list; each on-time has the flow of its event, or 1.

    Parameters
    ----------
    table
        With a column of durations.
    wait
        How a column ``wait`` is read: from ``end`` or ``start``; empty: by the starts, else the
        end, which is noted.

    Raises
    ------
    TableFileError
        Neither starts nor waits; empty cells; events that overlap; waits that do not fit.
    """
    repairs: list[str] = []
    count = len(table.cells)
    if count < FEWEST:
        raise refuse(str(table.path), f"has {count} events", "give three at least")
    waits = [name for name in ("wait", "rest", "interval") if name in table.columns]
    if len(waits) > 1:
        problem = f"has two columns of waits: {waits[0]} and {waits[1]}"
        raise table.fault(-1, waits[1], problem, "delete one")
    if not waits and "start" not in table.columns:
        remedy = "add the column 'start' or 'wait [min]'"
        raise table.fault(-1, "duration", "has durations without starts or waits", remedy)
    duration = _whole(table, "duration")
    waited = _whole(table, waits[0]) if waits else None
    reading = {"rest": "end", "interval": "start"}.get(waits[0] if waits else "", wait)
    began, origin = "", 0.0
    if "start" in table.columns:
        start, began = table.times("start", repairs)
        _refuse_gaps(table, "start", start)
        origin, start = float(start[0]), start - start[0]
        if waited is not None:
            reading = _checked(table, waits[0], (start, duration, waited), reading)
    else:
        assert waited is not None
        if not reading:
            reading = "end"
            other = "; '--wait start' reads it from start to start"
            repairs.append(f"each wait is read {READINGS[reading]}{other}")
        steps = waited + (duration if reading == "end" else 0.0)
        start = np.append(0.0, np.cumsum(steps[:-1]))
    late = np.flatnonzero(start[1:] < start[:-1] + duration[:-1] - SAME)
    if len(late):
        name = "start" if "start" in table.columns else waits[0]
        row = int(late[0]) + ("start" in table.columns)
        problem = "begins before the event above it ends" if name == "start" else (
            f"is shorter than the duration, and waits are read {READINGS[reading]}"
        )  # fmt: skip
        raise table.fault(row, name, problem, "correct the row, or the reading by '--wait end'")
    flow = _whole(table, "flow") if "flow" in table.columns else np.ones(count)
    after = 0.0
    if waited is not None:
        after = float(start[-1] + waited[-1] + (duration[-1] if reading == "end" else 0.0))
    return replace(_turns(table, (start, duration, flow), after, repairs), began=began,
                   origin=origin)  # fmt: skip


def _turns(
    table: LogTable, events: tuple[Floats, Floats, Floats], after: float, repairs: list[str]
) -> Log:
    """The log of starts, durations and flows; ``after``: the start that follows the last event."""
    start, duration, flow = events
    times = np.column_stack([start, start + duration]).ravel()
    flows = np.column_stack([flow, np.zeros(len(flow))]).ravel()
    if after > times[-1]:
        times, flows = np.append(times, after), np.append(flows, flow[-1])
    joined = np.append(np.diff(times) <= SAME, False)
    if joined.any():  # a rest of 0: one event goes on in the next
        keep = ~joined & ~np.append(False, joined[:-1])
        repairs.append(f"{grouped(int(joined.sum()))} events that follow each other at once joined")
        times, flows = times[keep], flows[keep]
    unit = max(table.unit(n) for n in table.columns if n in EVENT_COLUMNS)
    marks = "flow" not in table.columns
    unused = [*table.others, *(n for n in table.columns if n in ("time", "on"))]
    if unused:
        repairs.append(f"not used: {', '.join(shown(one) for one in unused)}")
    step = float(np.median(np.diff(times)))
    return Log(times, flows, marks, step, tuple(repairs), True, coarsest(times, unit))


def _whole(table: LogTable, name: str) -> Floats:
    """A column without empty cells, 0 or more."""
    values = table.numbers(name)
    _refuse_gaps(table, name, values)
    bare = not table.columns[name][1]
    if bare and table.cells.iloc[:, table.columns[name][0]].dtype.kind in "if":
        example = "g/s" if name == "flow" else "min"
        raise table.fault(-1, name, f"{name} has no unit", f"head it such as '{name} [{example}]'")
    low = np.flatnonzero(values < 0 if name in ("wait", "rest", "interval") else values <= 0)
    if len(low):
        raise table.fault(int(low[0]), name, "is not above 0", "correct the cell")
    return values


def _refuse_gaps(table: LogTable, name: str, values: Floats) -> None:
    empty = np.flatnonzero(np.isnan(values))
    if len(empty):
        remedy = "fill it in, or delete the events before or after it"
        raise table.fault(int(empty[0]), name, "is empty", remedy)


def _checked(
    table: LogTable, name: str, values: tuple[Floats, Floats, Floats], reading: str
) -> str:
    """The reading of waits that the starts show; an error where they show neither."""
    start, duration, waited = values
    steps = np.diff(start)
    off = {
        "end": np.abs(duration[:-1] + waited[:-1] - steps),
        "start": np.abs(waited[:-1] - steps),
    }
    limit = max(2 * coarsest(np.append(start, waited), table.unit(name)), 1e-6 * steps.max())
    found = min(off, key=lambda one: float(np.median(off[one])))
    wrong = np.flatnonzero(off[reading or found] > limit)
    if len(wrong):
        problem = f"does not fit the next start; waits are read {READINGS[reading or found]}"
        remedy = "correct the row, or delete the column of waits: starts are enough"
        raise table.fault(int(wrong[0]), name, problem, remedy)
    return reading or found
