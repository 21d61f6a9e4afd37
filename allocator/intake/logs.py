"""A logger's file -> time and flow, with what had to be repaired counted."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from allocator.base.errors import Fault
from allocator.base.quantities import parse_quantity, shown
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


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """``times`` in s from the first row, rising; ``flows`` in kg/s, or 1 and 0 of marks.

    ``step``: the usual time between rows. ``repairs``: what was left out or changed, counted.
    """

    times: Floats
    flows: Floats
    marks: bool
    step: float
    repairs: tuple[str, ...]

    @property
    def gaps(self) -> npt.NDArray[np.bool_]:
        """Whether the time from each row to the next is a gap."""
        return np.diff(self.times) > GAP * self.step

    def part(self, first: int, last: int) -> Log:
        """The rows from ``first`` up to ``last``."""
        times = self.times[first:last]
        return Log(times - times[0], self.flows[first:last], self.marks, self.step, ())


def read_log(path: Path) -> Log:
    """The log of a CSV file with the headings time and flow (with units), or time and on.

    Time is a number with its unit in the heading, or a date with time of day (ISO 8601).

    Raises
    ------
    TableFileError
        No such file or columns, fewer than 10 rows, a clock that jumps back, dates of which only
        some have a time zone, flows below 0, cells that are no number.
    """
    import pandas as pd

    try:
        if path.stat().st_size > MOST_BYTES:
            raise refuse(str(path), "is larger than 512 MB", "split it")
        with warnings.catch_warnings():  # cells beyond the last heading, such as after a last comma
            warnings.simplefilter("ignore", pd.errors.ParserWarning)
            table = pd.read_csv(path, encoding="utf-8-sig", skipinitialspace=True, index_col=False)
    except OSError as error:
        raise refuse(str(path), f"cannot be read ({error.strerror})", "check the path") from None
    except (ValueError, UnicodeDecodeError) as error:  # pandas has its parser errors below these
        said = shown(str(error).strip(), 100)[1:-1]
        raise refuse(str(path), f"is no table: {said}", "give CSV with commas") from None
    found = {recognised(str(c), LOG_COLUMNS): number for number, c in enumerate(table.columns)}
    by_name = {name: (place, unit) for (name, unit), place in found.items() if name}
    if "time" not in by_name or not {"flow", "on"} & by_name.keys():
        remedy = "head them 'time [s]' and 'flow [g/s]', or 'time' and 'on'"
        if len(table.columns) == 1 and re.search("[;\t]", str(table.columns[0])):
            remedy = "separate columns with commas, and write numbers with a decimal point"
        raise refuse(str(path), "has no columns of time and flow", remedy)
    if len(table) < 10:
        raise refuse(str(path), f"has too few rows ({len(table)})", "give ten at least")
    name = "flow" if "flow" in by_name else "on"
    repairs: list[str] = []
    place, unit = by_name["time"]
    times = _times(path, table.iloc[:, place], unit, place + 1, repairs)
    place, unit = by_name[name]
    if name == "flow" and not unit:
        raise _fault(path, 1, place + 1, "flow has no unit", "head it such as 'flow [g/s]'")
    flows = _numbers(path, table.iloc[:, place], place + 1)
    flows *= parse_quantity(f"1 {unit}", "mass_rate") if unit else 1.0
    return _log(path, times, flows, name == "on", repairs)


def _log(path: Path, times: Floats, flows: Floats, marks: bool, repairs: list[str]) -> Log:
    missing = np.isnan(times) | np.isnan(flows)
    if missing.any():
        repairs.append(f"{_counted(missing, 'row')} without a value left out")
    rows = np.flatnonzero(~missing) + 2
    times, flows = times[~missing], flows[~missing]
    back = np.flatnonzero(np.diff(times) < 0)
    if len(back):
        problem = f"the clock jumps back here and in {len(back) - 1} more rows"
        raise _fault(path, int(rows[back[0] + 1]), 1, problem, "sort the rows or mend the clock")
    again = np.concatenate([[False], np.diff(times) == 0])
    if again.any():
        repairs.append(f"{_counted(again, 'row')} at the time of the row before left out")
        times, flows, rows = times[~again], flows[~again], rows[~again]
    if len(times) < 10:
        raise refuse(str(path), f"has too few usable rows ({len(times)})", "give ten at least")
    top = float(np.quantile(flows, 0.999))
    if top <= 0:
        raise refuse(str(path), "has no flow above 0", "check the column and its unit")
    if (flows < -NOISE * top).any():
        row = int(rows[int(np.argmin(flows))])
        raise _fault(path, row, 2, f"the flow is {flows.min():.3g} kg/s", "flow is 0 or more")
    if (flows < 0).any():
        repairs.append(f"{_counted(flows < 0, 'reading')} just below 0 read as 0")
    step = float(np.median(np.diff(times)))
    return Log(times - times[0], np.maximum(flows, 0.0), marks, step, tuple(repairs))


def _times(path: Path, column: Any, unit: str, place: int, repairs: list[str]) -> Floats:
    import pandas as pd

    if unit:
        return _numbers(path, column, place) * parse_quantity(f"1 {unit}", "duration")
    text = column.astype(str)
    if text.iloc[:20].str.fullmatch(r"[-+0-9.eE]+").all():
        raise _fault(path, 1, place, "time has no unit", "head it such as 'time [s]'")
    zoned = text.str.contains(r"(?:Z|[+-]\d\d:?\d\d)$", regex=True)
    if zoned.any() and not zoned.all():
        row = int(np.flatnonzero((zoned != zoned.iloc[0]).to_numpy())[0]) + 2
        remedy = "give the offset in every row or in none"
        raise _fault(path, row, place, "only some of the times have a time zone", remedy)
    try:
        read = pd.to_datetime(text, utc=True, format="ISO8601")
    except (ValueError, OverflowError):
        remedy = "write 2026-03-01T12:00:00"
        raise _fault(path, 2, place, "some times are no dates of ISO 8601", remedy) from None
    offsets = text.str.extract(r"([+-]\d\d:?\d\d|Z)$")[0].nunique() if zoned.any() else 0
    if offsets > 1:
        repairs.append(f"times of {offsets} time zones brought to one")
    since = (read - read.iloc[0]).dt.total_seconds()
    return np.array(since, dtype=float)


def _numbers(path: Path, column: Any, place: int) -> Floats:
    import pandas as pd

    words = column.astype(str).str.strip().str.lower() if column.dtype == object else column
    read = pd.to_numeric(words.replace({"true": 1, "false": 0, "on": 1, "off": 0})
                         if column.dtype == object else column, errors="coerce")  # fmt: skip
    bad = read.isna() & column.notna()
    if bad.any():
        row = int(np.flatnonzero(bad.to_numpy())[0])
        text = shown(str(column.iloc[row]))
        remedy = "write numbers with a decimal point; leave missing ones empty"
        raise _fault(path, row + 2, place, f"expects a number, got {text}", remedy)
    numbers = np.array(read, dtype=float)
    beyond = np.abs(numbers) > LARGEST
    if beyond.any():
        row = int(np.flatnonzero(beyond)[0])
        problem = f"is out of all proportion, got {shown(str(column.iloc[row]))}"
        raise _fault(path, row + 2, place, problem, "correct it, or leave it empty")
    return numbers


def _counted(which: npt.NDArray[np.bool_], what: str) -> str:
    count = int(which.sum())
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def _fault(path: Path, row: int, column: int, problem: str, remedy: str) -> TableFileError:
    return TableFileError([Fault(str(path), row, column, "", problem, remedy)])
