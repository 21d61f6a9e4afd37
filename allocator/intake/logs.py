"""A logger's file -> time and flow, with what had to be repaired counted."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from allocator.base.errors import AllocatorError
from allocator.base.grouped import grouped
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.intake.cells import TableFileError, refuse
from allocator.intake.change_rows import (
    GAP,
    Floats,
    resolution,
    rows_at_changes,
    threshold,
    usual_step,
)
from allocator.intake.columns import ColumnKind
from allocator.intake.log_table import LogTable, counted, read_table
from allocator.intake.suspicions import fault_code, total
from allocator.site.local_time import clock_change, jumps_back

LOG_COLUMNS = {
    "time": ColumnKind(("timestamp", "date", "datetime", "t"), "duration", required=True),
    "flow": ColumnKind(("rate", "flow rate", "value"), "mass_rate"),
    "on": ColumnKind(("state", "running")),
}
"""Of a log: time and flow, or time and a mark that is 1 while the source is on."""
NOISE = 0.1
"""Share of the highest flow: readings below 0 down to it are noise, counted and read as 0."""
WIDE_GAPS = 0.2
"""Share of the time of a record that gaps may have without another note."""
FEWEST_ROWS = 10
"""Of a log in which a cycle is looked for."""
ROWS = ("changes", "samples")
"""How rows are read: each flow lasts until the next row, or each row is a reading in between."""
HELD = "The record has a row at each change: each flow lasts until the next row"


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """``times`` in s from the first row, rising; ``flows`` in kg/s, or 1 and 0 of marks.

    ``step``: the usual time between rows. ``repairs``: what was left out or changed, counted.
    ``listed``: from a list of events; each row is a turn, known to within ``resolution`` s.
    ``began``: the time of the first row as a date, empty where the log has none. ``origin``: what
    its time column says there, s. ``plain``: two columns without repairs, as a site file takes it.
    ``held``: a row at each change, so that each flow lasts until the next row; above ``limit`` the
    source is on, and ``step`` is then of rows that are on. ``cautions``: what is unlikely to be a
    measured flow at a true time.
    """

    times: Floats
    flows: Floats
    marks: bool
    step: float
    repairs: tuple[str, ...]
    listed: bool = False
    resolution: float = 0.0
    began: str = ""
    origin: float = 0.0
    plain: bool = False
    held: bool = False
    limit: float = 0.0
    cautions: tuple[str, ...] = ()

    @property
    def gaps(self) -> npt.NDArray[np.bool_]:
        """Whether the time from each row to the next is a gap."""
        long = (np.diff(self.times) > GAP * self.step) & (not self.listed)
        return long & (self.flows[:-1] > self.limit) if self.held else long

    @property
    def turns(self) -> bool:
        """Whether the source turns at rows, not between them."""
        return self.listed or self.held

    def seconds_at(self, when: str) -> float:
        """Time from the first row to a date, or to a time as the log's own column has it, s.

        Raises
        ------
        AllocatorError
            A date for a log without dates, or the other way round.
        """
        if not self.began:
            if re.match(r"\d{4}-\d", when):
                problem = f"--starts-at: the log has no dates, and {when} is one"
                raise AllocatorError(f"{problem}; give the time as its own column has it: '14 d'")
            try:
                return parse_quantity(when, "duration") - self.origin
            except QuantityError as error:
                raise AllocatorError(f"--starts-at: the log has no dates; {error}") from None
        try:
            date, base = datetime.fromisoformat(when), datetime.fromisoformat(self.began)
            return (date - base).total_seconds()
        except (ValueError, TypeError):
            zone = "with" if datetime.fromisoformat(self.began).tzinfo else "without"
            remedy = f"give a date {zone} a time zone, such as {self.began}"
            raise AllocatorError(f"--starts-at: expects a date ({remedy}), got {when}") from None

    def part(self, first: int, last: int) -> Log:
        """The rows from ``first`` up to ``last``."""
        times = self.times[first:last]
        return Log(times - times[0], self.flows[first:last], self.marks, self.step, (),
                   self.listed, self.resolution, held=self.held, limit=self.limit)  # fmt: skip


def read_log(path: Path, wait: str = "", rows: str = "", fewest: int = FEWEST_ROWS) -> Log:
    """The log of a CSV file: time and flow (with units), time and on, or a list of events.

    Parameters
    ----------
    path
        Time is a number with its unit in the heading, or a date with time of day (ISO 8601).
    wait
        Of a list of events: whether a wait counts from the ``end`` of a burst or its ``start``.
    rows
        How rows are read, one of ``ROWS``; empty: as they show it.
    fewest
        Rows that are needed, two or more.

    Raises
    ------
    TableFileError
        No such file or columns, too few rows, a clock that jumps back, dates of which only
        some have a time zone, flows below 0, rows that are too long, cells that are no number.
    """
    from allocator.intake.event_lists import EVENT_COLUMNS, log_of_events

    table = read_table(path, {**LOG_COLUMNS, **EVENT_COLUMNS})
    columns = table.columns
    if rows and "duration" in columns:
        raise refuse(str(path), "is a list of events, not of rows over time", "leave out --rows")
    if "duration" in columns:
        return log_of_events(table, wait)
    if wait:
        remedy = "leave out --wait, or give a list with the heading 'duration [min]'"
        raise refuse(str(path), "has no durations, so no waits either", remedy)
    if "time" not in columns or not {"flow", "on"} & columns.keys():
        heads = ", ".join(shown(one) for one in (*columns, *table.others)[:6])
        remedy = (
            "head the first line 'time [s],flow [g/s]', 'time,on', or 'start,duration [min]', and "
            "delete lines above it"
        )
        raise refuse(str(path), f"has no columns of time and flow, but {heads}", remedy)
    if len(table.cells) < fewest:
        raise _too_few(path, len(table.cells), "", fewest)
    repairs: list[str] = []
    times, began = table.times("time", repairs)
    if "flow" in columns:
        if not columns["flow"][1] and table.cells.iloc[:, columns["flow"][0]].dtype.kind in "if":
            raise table.fault(-1, "flow", "flow has no unit", "head it such as 'flow [g/s]'")
        name, flows = "flow", table.numbers("flow")
    else:
        name, flows = "on", table.states()
    unused = [*table.others, *(one for one in columns if one not in ("time", name))]
    if unused:
        heads = ", ".join(shown(one) for one in unused)
        repairs.append(f"not used: the column{'s' * (len(unused) > 1)} {heads}")
    log = _log(table, name, (times, flows), (repairs, began), fewest)
    return _as_held(log, table.unit("time"), rows)


def gap_notes(log: Log, told: str) -> tuple[str, ...]:
    """Notes of how many gaps the record has, and what is done with them; none without gaps."""
    count = int(log.gaps.sum())
    hint = "" if log.held else "; if the logger writes a row only on a change, add --rows changes"
    if not count:
        return ()
    share = float(np.diff(log.times)[log.gaps].sum()) / float(log.times[-1])
    more = (
        f"gaps are {share:.0%} of the time; if the source was off in them, add a row of 0 where "
        "each begins"
    )
    return (f"{counted(count, 'gap')}: {told}{hint}", *([more] if share > WIDE_GAPS else []))


def _too_few(path: Path, rows: int, what: str, fewest: int) -> TableFileError:
    words = {2: "two", FEWEST_ROWS: "ten"}
    return refuse(str(path), f"has {counted(rows)}{what}", f"give {words[fewest]} at least")


def _as_held(log: Log, unit: float, rows: str) -> Log:
    """The log, marked where it has a row at each change."""
    limit = 0.5 if log.marks else threshold(log.flows)
    on = log.flows > limit
    if rows == "samples" or not (rows or rows_at_changes(log.times, on)):
        return log
    if log.began:  # loggers that write whole minutes have no seconds in their dates
        unit = 60.0 if not (log.times % 60.0).any() else 1.0
    fine = resolution(log.times + log.origin, on, unit)
    step = usual_step(log.times, on)
    return replace(log, held=True, limit=limit, resolution=fine, step=step)


def _log(
    table: LogTable,
    name: str,
    values: tuple[Floats, Floats],
    noted: tuple[list[str], str],
    fewest: int,
) -> Log:
    """The log of times and flows. ``noted``: repairs, and the date of the first row."""
    (times, flows), (repairs, began) = values, noted
    missing = np.isnan(times) | np.isnan(flows)
    if missing.any():
        repairs.append(f"{counted(int(missing.sum()))} without a value left out")
    rows = np.flatnonzero(~missing)
    times, flows = times[~missing], flows[~missing]
    cautions = clock_change(times, began)
    back = np.flatnonzero(np.diff(times) < 0)
    if len(back):
        more = f" and in {grouped(len(back) - 1)} more rows" if len(back) > 1 else ""
        raise table.fault(int(rows[back[0] + 1]), "time", *jumps_back(more, bool(cautions)))
    again = np.concatenate([[False], np.diff(times) == 0])
    if again.any():
        repairs.append(f"{counted(int(again.sum()))} at the time of the row before left out")
        times, flows, rows = times[~again], flows[~again], rows[~again]
    if len(times) < fewest:
        raise _too_few(table.path, len(times), " that can be used", fewest)
    top = float(np.quantile(flows, 0.999))
    if not flows.max() > 0:
        raise refuse(str(table.path), "has no flow above 0", "check the column and its unit")
    low = np.flatnonzero(flows < -NOISE * max(top, 0.0))
    if len(low):
        row = int(rows[low[0]])
        cell = table.cells.iloc[row, table.columns[name][0]]
        problem = f"the flow is below 0 ({cell})"
        if len(low) > 1:
            problem += f", and in {grouped(len(low) - 1)} more rows"
        raise table.fault(row, name, problem, "give 0 or more, or leave wrong cells empty")
    if (flows < 0).any():
        repairs.append(f"{counted(int((flows < 0).sum()), 'reading')} just below 0 read as 0")
    if name == "flow":
        cautions += total(flows) + fault_code(flows, table.unit(name))
    step = float(np.median(np.diff(times)))
    first = float(times[0])
    plain = not repairs and table.cells.shape[1] == 2 and name == "flow"
    return Log(times - first, np.maximum(flows, 0.0), name == "on", step, tuple(repairs),
               began=began, origin=0.0 if began else first, plain=plain,
               cautions=cautions)  # fmt: skip
