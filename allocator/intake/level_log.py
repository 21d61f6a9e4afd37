"""What a logger writes, row by row: levels of stores and flows of sources, read as it grows."""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC as UTC_ZONE
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from allocator.base.errors import Fault
from allocator.base.quantities import QuantityError, format_quantity, parse_quantity, shown
from allocator.intake.cells import TableFileError, refuse
from allocator.intake.local_clock import LocalClock
from allocator.site.headings import UTC_NAMES

NOISE = 0.1
"""Of a source's flow: readings below 0 by less are 0."""
OVER = 0.02
"""Of a store's size: levels above it by less are the size."""
LONGEST = 1e12
"""s: a time beyond this, 30,000 years, is none that a logger has seen."""
SET_BACK = 3
"""So many rows in order, all before an earlier one: the logger's clock was set back."""
KNOWN = 4096
"""Bytes from the begin of what was read, and from its end, by which a log is known again."""
MARKS = {"on": 1.0, "off": 0.0, "1": 1.0, "0": 0.0, "true": 1.0, "false": 0.0}
MARK = "on"
TIMES = ("time", "timestamp", "date", "datetime")


@dataclass(frozen=True, slots=True)
class Logged:
    """Something that may be logged. ``dimension``: of its readings; ``most``: size, or flow, SI."""

    dimension: str
    most: float


@dataclass(frozen=True, slots=True)
class LogRow:
    """One row: ``time`` in s, of the first row's or of the time 0 of dates; ``values``: SI.

    Of a column of marks the value is 1 or 0.
    """

    line: int
    time: float
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    factor: float
    dimension: str


@dataclass(slots=True)
class LevelLog:
    """A growing table: ``new_rows`` gives what came since it was last asked.

    A table that was read before and is missing, as while a logger begins a new one, is waited for.
    One that was begun again is read from its first row; its dates count from the same time.

    Parameters
    ----------
    path
        CSV with a row of headings: ``time``, with a unit or as dates (ISO 8601), and stores and
        sources by name, such as ``gas_holder@mill [kg]``, ``digester [g/s]``, ``digester [on]``.
    wanted
        Name -> what may be logged of it.
    begin
        Date from which dates count; empty: from the first row's.

    Raises
    ------
    TableFileError
        No such file, or headings that cannot be used.
    """

    path: Path
    wanted: Mapping[str, Logged]
    begin: str = ""
    columns: tuple[_Column | None, ...] = ()
    dates: bool = False
    notes: list[str] = field(default_factory=list)
    _read: int = 0
    _line: int = 0
    _last: float = -math.inf
    _clock: LocalClock = field(default_factory=LocalClock)
    _utc: bool = False
    _file: tuple[int, int] | None = None
    _first: bytes = b""
    _latest: bytes = b""
    _origin: datetime | None = None
    _back: list[float] = field(default_factory=list)
    _missing: bool = False

    @property
    def marks(self) -> frozenset[str]:
        """Sources that have a column of marks."""
        return frozenset(c.name for c in self.columns if c is not None and c.dimension == MARK)

    @property
    def names(self) -> frozenset[str]:
        """What is logged."""
        return frozenset(c.name for c in self.columns if c is not None and c.name)

    def time_text(self, time: float) -> str:
        """A time as people read it: a date where the log has dates, else from its time 0."""
        if self._origin is None:
            return f"t = {format_quantity(time, 'duration')}"
        local = time - self._clock.ahead_at(time)
        return (self._origin + timedelta(seconds=local)).isoformat(timespec="minutes")

    def new_rows(self, *, last: bool = False) -> tuple[list[LogRow], list[Fault]]:
        """Rows that came, and what is wrong with others, each fault once.

        ``last``: nothing more comes, so that a last line without an end counts too.
        """
        try:
            if self._file is not None and not last and not self.path.exists():
                if not self._missing:
                    self.notes.append("is not there; waited for")
                self._missing = True
                return [], []
            found = self.path.stat()
            with self.path.open("rb") as file:
                if self._file is not None and (
                    self._file != (found.st_dev, found.st_ino) or not self._goes_on(file)
                ):
                    self._read, self._line, self._last = 0, 0, -math.inf
                    self._first = self._latest = b""
                    self._clock.begin_again()
                    self.notes.append("was begun again, and is read from its first row")
                self._file, self._missing = (found.st_dev, found.st_ino), False
                file.seek(self._read)
                content = file.read()
        except OSError as error:
            problem = f"cannot be read ({error.strerror or error})"
            raise refuse(str(self.path), problem, "check the path") from None
        if not last or content.endswith(b"\n"):
            content = content[: content.rfind(b"\n") + 1]
        self._read += len(content)
        self._first = (self._first + content[:KNOWN])[:KNOWN]
        self._latest = (self._latest + content[-KNOWN:])[-KNOWN:]
        rows: list[LogRow] = []
        faults: list[Fault] = []
        for raw in content.splitlines():
            self._line += 1
            cells = self._cells(raw, faults)
            if not cells:
                continue
            if not self.columns or self._line == 1:
                self.columns = self._headings(cells)
            else:
                row = self._row(cells, faults)
                if row is not None:
                    rows.append(row)
        return rows, faults

    def _goes_on(self, file: BinaryIO) -> bool:
        """Whether the file still holds what was read of it, at its begin and at the end of that.

        A new file may have the number of the old one on the disk, and as many bytes.
        """
        first = file.read(len(self._first))
        file.seek(self._read - len(self._latest))
        return first == self._first and file.read(len(self._latest)) == self._latest

    def _fault(self, column: int, problem: str, remedy: str) -> Fault:
        return Fault(str(self.path), self._line, column, "", problem, remedy)

    def _cells(self, raw: bytes, faults: list[Fault]) -> list[str]:
        try:
            text = raw.decode("utf-8-sig" if self._line == 1 else "utf-8")
            cells = next(csv.reader([text], strict=True), [])
        except (UnicodeDecodeError, csv.Error):
            faults.append(self._fault(1, "is no row of CSV in UTF-8", "check the logger"))
            return []
        return [cell.strip() for cell in cells] if any(cell.strip() for cell in cells) else []

    def _headings(self, cells: list[str]) -> tuple[_Column | None, ...]:
        columns: list[_Column | None] = []
        faults: list[Fault] = []
        for place, heading in enumerate(cells, 1):
            column = self._heading(place, heading, faults)
            if column is not None and any(c and c.name == column.name for c in columns):
                what = shown(column.name or "time")
                faults.append(self._fault(place, f"names {what} again", "delete one of both"))
            columns.append(column)
        if not any(c and not c.name for c in columns) and not faults:
            remedy = "head one 'time', with dates (2027-03-01T06:00) below, or 'time [s]'"
            faults.append(self._fault(1, "has no column 'time'", remedy))
        elif not any(c and c.name for c in columns) and not faults:
            remedy = f"head columns such as {shown(next(iter(self.wanted), 'x'))} with a unit"
            faults.append(self._fault(1, "has no column of a store or source of the plan", remedy))
        if faults:
            raise TableFileError(faults)
        return tuple(columns)

    def _heading(self, place: int, heading: str, faults: list[Fault]) -> _Column | None:
        found = re.fullmatch(r"(.*?)\s*(?:[\[(](.*)[\])])?", heading)
        name, unit = (found[1], (found[2] or "").strip()) if found else (heading, "")
        if name.lower() in TIMES:
            self._utc = unit.upper() in UTC_NAMES
            unit = "" if self._utc else unit
            self.dates = not unit
            return self._unit(place, "", unit, "duration", faults)
        if name not in self.wanted:
            near = difflib.get_close_matches(name, self.wanted, 1)
            meant = f"; did you mean {shown(near[0])}?" if near else ""
            self.notes.append(f"column {shown(heading)} is no store or source of the plan and is "
                              f"not read{meant}")  # fmt: skip
            return None
        dimension = self.wanted[name].dimension
        if unit == MARK and dimension == "mass_rate":
            return _Column(name, 1.0, MARK)
        if unit == "%" and dimension != "mass_rate":
            return _Column(name, self.wanted[name].most / 100.0, dimension)
        if not unit:
            example = {"mass": "[kg]", "energy": "[kWh]"}.get(dimension, "[g/s]' or '[on]")
            problem, remedy = (
                f"{shown(name)} has no unit",
                f"add one to the heading, such as '{example}'",
            )
            faults.append(self._fault(place, problem, remedy))
            return None
        return self._unit(place, name, unit, dimension, faults)

    def _unit(
        self, place: int, name: str, unit: str, dimension: str, faults: list[Fault]
    ) -> _Column | None:
        try:
            factor = parse_quantity(f"1 {unit}", dimension) if unit else 1.0
        except QuantityError as error:
            faults.append(self._fault(place, f"the unit {error.problem}", error.remedy))
            return None
        return _Column(name, factor, dimension)

    def _row(self, cells: list[str], faults: list[Fault]) -> LogRow | None:
        if len(cells) != len(self.columns):
            given, wanted = len(cells), len(self.columns)
            problem = f"has {given} cell{'s' * (given != 1)}, the heading has {wanted}"
            faults.append(self._fault(1, problem, "write every column, and decimals with a point"))
            return None
        time: float | None = None
        values: dict[str, float] = {}
        for place, (cell, column) in enumerate(zip(cells, self.columns, strict=True), 1):
            if column is None:
                continue
            if not column.name:
                time = self._time(place, cell, column, faults)
                if time is None:
                    return None
            elif cell:
                value = self._value(place, cell, column, faults)
                if value is not None:
                    values[column.name] = value
        if time is None or not values:
            return None
        self._last = time
        self._clock.read(time)
        return LogRow(self._line, time, values)

    def _time(self, place: int, cell: str, column: _Column, faults: list[Fault]) -> float | None:
        time: float | None = None
        if self.dates:
            try:
                problem, remedy = self._zone_of(place, cell)
                time = None if problem else self._seconds(cell)
            except (ValueError, OverflowError):
                problem, remedy = f"is no date and time: {shown(cell)}", "write 2027-03-01T06:00"
        else:
            time = _number(cell)
            problem, remedy = f"expects a number, got {shown(cell)}", "use a decimal point"
            time = None if time is None else time * column.factor
            if time is not None and abs(time) > LONGEST:
                problem = f"is out of all proportion, {shown(cell)}"
                remedy, time = "check the logger's clock and the unit of 'time'", None
        if time is not None and time <= self._last:
            again = bool(self._back) and time > self._back[-1]
            self._back = [*self._back, time] if again else [time]
            if len(self._back) >= SET_BACK:
                back = format_quantity(self._last - time, "duration")
                self.notes.append(
                    f"row {self._line}: the clock is {back} behind earlier rows, and goes on from "
                    f"there; {SET_BACK - 1} rows were left out"
                )
                self._back = []
                return time
            same = time == self._last
            problem = "has the time of the row before" if same else "is before the rows above"
            remedy = "correct the logger's clock; the row is not used"
            time = None
        elif time is not None:
            self._back = []
        if time is None:
            faults.append(self._fault(place, problem, remedy))
        return time

    def _zone_of(self, place: int, cell: str) -> tuple[str, str]:
        """What is wrong with the time zone of a date, or its lack of one, and what to do.

        Raises TableFileError where no row has been read: none can be counted from ``begin`` then.
        """
        zoned = self._date(cell).tzinfo is not None
        origin = self._origin or (
            datetime.fromisoformat(self.begin) if self.begin else self._date(cell)
        )
        if zoned == (origin.tzinfo is not None):
            return "", ""
        if self.begin and self._last == -math.inf:
            problem = f"is {shown(cell)}, and 'starts_at' of the site is {shown(self.begin)}: one"
            remedy = "give both with one, or none"
            raise TableFileError([self._fault(place, f"{problem} has a time zone", remedy)])
        has, have = ("a time zone", "none") if zoned else ("no time zone", "one")
        problem = f"has {has}, and earlier ones have {have}: {shown(cell)}"
        return problem, "give all or none a time zone; the row is not used"

    def _date(self, cell: str) -> datetime:
        then = datetime.fromisoformat(cell)
        return then.replace(tzinfo=UTC_ZONE) if self._utc and then.tzinfo is None else then

    def _seconds(self, cell: str) -> float:
        then = self._date(cell)
        if self._origin is None:
            self._origin = datetime.fromisoformat(self.begin) if self.begin else then
        seconds = (then - self._origin).total_seconds()
        if then.tzinfo is not None:
            return seconds
        found, changed = self._clock.elapsed(then, seconds)
        if changed:
            self.notes.append(f"row {self._line}: {changed}")
        return found

    def _value(self, place: int, cell: str, column: _Column, faults: list[Fault]) -> float | None:
        wanted = self.wanted[column.name]
        if column.dimension == MARK:
            value = MARKS.get(cell.lower())
            problem, remedy = (
                f"expects on or off, got {shown(cell)}",
                "write on and off, or 1 and 0",
            )
        else:
            value = _number(cell)
            problem = f"expects a number, got {shown(cell)}"
            remedy = "use a decimal point; leave missing ones empty"
        if value is not None and column.dimension != MARK:
            value *= column.factor
            level, low = column.dimension != "mass_rate", NOISE * wanted.most
            if value < -low:
                problem, remedy, value = f"is below 0: {shown(cell)}", "check the meter", None
            elif level and value > wanted.most * (1.0 + OVER):
                problem = f"is above the store's size: {shown(cell)}"
                remedy, value = "check the meter, or the size in the plan", None
            else:
                value = min(max(value, 0.0), wanted.most) if level else max(value, 0.0)
        if value is None:
            name = f"{shown(column.name)} "
            faults.append(self._fault(place, name + problem, remedy))
        return value


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
