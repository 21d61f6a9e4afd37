"""A logger's file -> time and flow, with what had to be repaired counted."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from allocator.base.errors import AllocatorError, Fault
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.intake.cells import MOST_BYTES, TableFileError, refuse
from allocator.intake.columns import ColumnKind, recognised

Floats = npt.NDArray[np.float64]

LOG_COLUMNS = {
    "time": ColumnKind(("timestamp", "date", "datetime", "t"), "duration", required=True),
    "flow": ColumnKind(("rate", "flow rate", "value"), "mass_rate"),
    "on": ColumnKind(("state", "running")),
}
"""Of a log: time and flow, or time and a mark that is 1 while the source is on."""
NOISE = 0.1
"""Share of the highest flow: readings below 0 down to it are noise, counted and read as 0."""
GAP = 20.0
"""Times the usual step: a longer one is a gap in the record."""
LARGEST = 1e15
"""A cell beyond it is a fault of the logger; a time of 30 million years in seconds is below it."""
FEWEST_ROWS = 10
_STATES = {
    **dict.fromkeys(("1", "1.0", "true", "on", "yes", "running"), 1.0),
    **dict.fromkeys(("0", "0.0", "false", "off", "no", "stopped"), 0.0),
}


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """``times`` in s from the first row, rising; ``flows`` in kg/s, or 1 and 0 of marks.

    ``step``: the usual time between rows. ``repairs``: what was left out or changed, counted.
    ``listed``: from a list of events; each row is a turn, known to within ``resolution`` s.
    ``began``: the time of the first row as a date, empty where the log has none. ``origin``: what
    its time column says there, s. ``plain``: two columns without repairs, as a site file takes it.
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

    @property
    def gaps(self) -> npt.NDArray[np.bool_]:
        """Whether the time from each row to the next is a gap."""
        return (np.diff(self.times) > GAP * self.step) & (not self.listed)

    def seconds_at(self, when: str) -> float:
        """Time from the first row to a date, or to a time as the log's own column has it, s.

        Raises
        ------
        AllocatorError
            A date for a log without dates, or the other way round.
        """
        if not self.began:
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
                   self.listed, self.resolution)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class LogTable:
    """The cells of a file. ``columns``: name -> place and unit; ``others``: headings not used."""

    path: Path
    cells: Any
    columns: Mapping[str, tuple[int, str]]
    others: tuple[str, ...]

    def fault(self, row: int, name: str, problem: str, remedy: str) -> TableFileError:
        """The error of a cell; rows count from 0 below the heading."""
        place = self.columns[name][0] if name else 0
        return TableFileError([Fault(str(self.path), row + 2, place + 1, "", problem, remedy)])

    def numbers(self, name: str) -> Floats:
        """A column in SI; NaN where it is empty. Cells may have their own unit."""
        place, unit = self.columns[name]
        column = self.cells.iloc[:, place]
        if column.dtype.kind in "if":
            read = np.array(column, dtype=float)
        else:
            import pandas as pd

            found = pd.to_numeric(column, errors="coerce")
            read = np.array(found, dtype=float)
            for row in np.flatnonzero((found.isna() & column.notna()).to_numpy()).tolist():
                read[row] = self._quantity(row, name, str(column.iloc[row]), unit)
        beyond = np.flatnonzero(np.abs(read) > LARGEST)
        if len(beyond):
            row = int(beyond[0])
            problem = f"is out of all proportion, got {shown(str(column.iloc[row]))}"
            raise self.fault(row, name, problem, "correct it, or leave it empty")
        return read * self.unit(name)

    def _quantity(self, row: int, name: str, text: str, unit: str) -> float:
        """A cell with its own unit, in the unit of the heading."""
        try:
            return parse_quantity(text, _DIMENSIONS[name]) / self.unit(name)
        except QuantityError:
            remedy = "write numbers with a decimal point; leave missing ones empty"
            problem = f"expects a number, got {shown(text)}"
            raise self.fault(row, name, problem, remedy) from None

    def unit(self, name: str) -> float:
        """Of the heading, in SI; 1 where it has none."""
        unit = self.columns[name][1]
        return parse_quantity(f"1 {unit}", _DIMENSIONS[name]) if unit else 1.0

    def states(self) -> Floats:
        """Marks as 1 and 0."""
        column = self.cells.iloc[:, self.columns["on"][0]]
        words = column.astype(str).str.strip().str.lower()
        read = words.map(_STATES)
        bad = np.flatnonzero((read.isna() & column.notna()).to_numpy())
        if len(bad):
            text = shown(str(column.iloc[bad[0]]))
            raise self.fault(int(bad[0]), "on", f"expects 1 or 0, got {text}", "write 1 or 0")
        return np.array(read, dtype=float)

    def times(self, name: str, repairs: list[str]) -> tuple[Floats, str]:
        """Times in s, from the first one where they are dates; and that date, else empty text."""
        import pandas as pd

        place, unit = self.columns[name]
        column = self.cells.iloc[:, place]
        dated = column.dtype.kind not in "if" and not pd.to_numeric(
            column.dropna().iloc[:20], errors="coerce"
        ).notna().any()  # fmt: skip
        if unit:
            return self.numbers(name), ""
        if not dated:
            raise self.fault(-1, name, f"{name} has no unit", f"head it such as '{name} [s]'")
        text = column.astype(str).str.strip()
        given = column.notna()
        ending = text.str.extract(r"[T ]\d.*?([+-]\d\d:?\d\d|Z)$")[0]
        zoned = ending.notna() | ~given
        if (zoned & given).any() and not zoned.all():
            row = int(np.flatnonzero((ending.notna() != ending.notna()[given].iloc[0]) & given)[0])
            remedy = "give the offset in every row or in none"
            raise self.fault(row, name, "only some of the times have a time zone", remedy)
        read = pd.to_datetime(text.where(given), utc=True, format="ISO8601", errors="coerce")
        bad = np.flatnonzero((read.isna() & given).to_numpy())
        if len(bad):
            problem = f"is no date of ISO 8601: {shown(str(column.iloc[bad[0]]))}"
            if len(bad) > 1:
                problem += f", and so are {len(bad) - 1:,} more"
            raise self.fault(int(bad[0]), name, problem, "write 2026-03-01T12:00:00")
        if (zones := ending.nunique()) > 1:
            repairs.append(f"times of {zones} time zones brought to one")
        base = read[given].iloc[0]
        began = base.isoformat() if ending.notna().any() else base.tz_localize(None).isoformat()
        return np.array((read - base).dt.total_seconds(), dtype=float), began


_DIMENSIONS = {
    **dict.fromkeys(("time", "start", "duration", "wait", "rest", "interval"), "duration"),
    "flow": "mass_rate",
}


def read_table(path: Path, wanted: Mapping[str, ColumnKind]) -> LogTable:
    """The cells of a CSV file with a row of headings on top, each row at its line."""
    import pandas as pd

    try:
        if path.stat().st_size > MOST_BYTES:
            raise refuse(str(path), "is larger than 512 MB", "split it")
        content = path.read_bytes()
    except OSError as error:
        raise refuse(str(path), f"cannot be read ({error.strerror})", "check the path") from None
    if content[:2] == b"PK":
        raise refuse(str(path), "is an Excel workbook", "save its sheet as CSV")
    head, _ = _heading(path, content)
    columns: dict[str, tuple[int, str]] = {}
    others = []
    for place, text in enumerate(head):
        name, unit = recognised(text, wanted)
        if name in columns:
            problem = f"has a second column of {name}: {shown(text)}"
            remedy = "delete one; write date and time of day in one cell, 2026-03-01T12:00:00"
            raise TableFileError([Fault(str(path), 1, place + 1, "", problem, remedy)])
        if not name:
            others.append(text)
            continue
        columns[name] = (place, unit)
        try:
            parse_quantity(f"1 {unit}", wanted[name].dimension) if unit else None
        except QuantityError as error:
            remedy = error.remedy or "correct the unit in the heading"
            fault = Fault(str(path), 1, place + 1, "", f"{shown(text)}: {error.problem}", remedy)
            raise TableFileError([fault]) from None
    _refuse_ragged(path, content, len(head))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", pd.errors.ParserWarning)
            cells = pd.read_csv(
                io.BytesIO(content), encoding="utf-8-sig", skipinitialspace=True, header=None,
                names=range(len(head)), skiprows=1, index_col=False, skip_blank_lines=False,
                low_memory=False,
            )  # fmt: skip
    except ValueError as error:  # pandas has its parser errors below it
        said = shown(str(error).strip(), 100)[1:-1]
        raise refuse(str(path), f"is no table: {said}", "give CSV with commas") from None
    return LogTable(path, cells, columns, tuple(others))


def _heading(path: Path, content: bytes) -> tuple[list[str], str]:
    """The cells of the first line; and the line."""
    if not content.strip():
        raise refuse(str(path), "is no table: it is empty", "give CSV with commas")
    if b"\0" in content[:4096]:
        raise refuse(str(path), "is not UTF-8 text", "save it as CSV with UTF-8")
    try:
        line = content.split(b"\n", 1)[0].decode("utf-8-sig").strip("\r")
        content.decode("utf-8")
    except UnicodeDecodeError as error:
        number = content.count(b"\n", 0, error.start) + 1
        fault = Fault(str(path), number, 1, "", "is not UTF-8 text", "save it as CSV with UTF-8")
        raise TableFileError([fault]) from None
    cells = [cell.strip() for cell in next(csv.reader([line]), [])]
    if len(cells) < 2 and ";" in line:
        problem = "its columns are separated by semicolons"
        remedy = "save it with commas between columns and points in decimals"
        raise TableFileError([Fault(str(path), 1, 1, "", problem, remedy)])
    return cells, line


def _refuse_ragged(path: Path, content: bytes, wide: int) -> None:
    """A row with more cells than the heading would lose some without a word."""
    if b'"' in content:
        rows = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
        found = next(((rows.line_num, len(row)) for row in rows if len(row) > wide), None)
    else:
        data = np.frombuffer(content, dtype=np.uint8)
        ends = np.append(np.flatnonzero(data == ord("\n")), len(data))
        commas = np.searchsorted(np.flatnonzero(data == ord(",")), ends)
        cells = np.diff(np.append(0, commas)) + 1
        long = np.flatnonzero(cells > wide)
        found = (int(long[0]) + 1, int(cells[long[0]])) if len(long) else None
    if found:
        line, cells_there = found
        problem = f"has {_rows(cells_there, 'cell')}, the heading has {wide}"
        remedy = "write decimals with a point, and a heading for each column"
        raise TableFileError([Fault(str(path), line, wide + 1, "", problem, remedy)])


def read_log(path: Path, wait: str = "") -> Log:
    """The log of a CSV file: time and flow (with units), time and on, or a list of events.

    Parameters
    ----------
    path
        Time is a number with its unit in the heading, or a date with time of day (ISO 8601).
    wait
        Of a list of events: whether a wait counts from the ``end`` of a burst or its ``start``.

    Raises
    ------
    TableFileError
        No such file or columns, fewer than 10 rows, a clock that jumps back, dates of which only
        some have a time zone, flows below 0, rows that are too long, cells that are no number.
    """
    from allocator.intake.event_lists import EVENT_COLUMNS, log_of_events

    table = read_table(path, {**LOG_COLUMNS, **EVENT_COLUMNS})
    columns = table.columns
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
    if len(table.cells) < FEWEST_ROWS:
        raise refuse(str(path), f"has {_rows(len(table.cells))}", "give ten at least")
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
    return _log(table, name, times, flows, repairs, began)


def gap_notes(log: Log, told: str) -> tuple[str, ...]:
    """A note of how many gaps the record has, and what is done with them; none without gaps."""
    count = int(log.gaps.sum())
    return (f"{_rows(count, 'gap')}: {told}",) if count else ()


def _rows(count: int, what: str = "row") -> str:
    return f"{count:,} {what}{'s' * (count != 1)}"


def _log(
    table: LogTable, name: str, times: Floats, flows: Floats, repairs: list[str], began: str
) -> Log:
    missing = np.isnan(times) | np.isnan(flows)
    if missing.any():
        repairs.append(f"{_rows(int(missing.sum()))} without a value left out")
    rows = np.flatnonzero(~missing)
    times, flows = times[~missing], flows[~missing]
    back = np.flatnonzero(np.diff(times) < 0)
    if len(back):
        more = f" and in {len(back) - 1:,} more rows" if len(back) > 1 else ""
        problem = f"the clock jumps back here{more}"
        remedy = "sort the rows or mend the clock; give dates with their time zone"
        raise table.fault(int(rows[back[0] + 1]), "time", problem, remedy)
    again = np.concatenate([[False], np.diff(times) == 0])
    if again.any():
        repairs.append(f"{_rows(int(again.sum()))} at the time of the row before left out")
        times, flows, rows = times[~again], flows[~again], rows[~again]
    if len(times) < FEWEST_ROWS:
        raise refuse(
            str(table.path), f"has {_rows(len(times))} that can be used", "give ten at least"
        )
    top = float(np.quantile(flows, 0.999))
    if not flows.max() > 0:
        raise refuse(str(table.path), "has no flow above 0", "check the column and its unit")
    low = np.flatnonzero(flows < -NOISE * max(top, 0.0))
    if len(low):
        row = int(rows[low[0]])
        cell = table.cells.iloc[row, table.columns[name][0]]
        problem = f"the flow is below 0 ({cell})"
        if len(low) > 1:
            problem += f", and in {len(low) - 1:,} more rows"
        raise table.fault(row, name, problem, "give 0 or more, or leave wrong cells empty")
    if (flows < 0).any():
        repairs.append(f"{_rows(int((flows < 0).sum()), 'reading')} just below 0 read as 0")
    step = float(np.median(np.diff(times)))
    first = float(times[0])
    plain = not repairs and table.cells.shape[1] == 2 and name == "flow"
    return Log(times - first, np.maximum(flows, 0.0), name == "on", step, tuple(repairs),
               began=began, origin=0.0 if began else first, plain=plain)  # fmt: skip
