"""What of a plan is built: steps of its build order that are done, kept in ``built.csv``."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from allocator.base.errors import AllocatorError, Fault
from allocator.base.quantities import QuantityError, exact_text, parse_quantity, shown
from allocator.intake.cells import TableFileError, read_sheets
from allocator.report.handover.build_order import BuildStep

HEADS = ("step", "thing", "date", "pipe", "length")
_RANGE = re.compile(r"(\d+)(?:-(\d+))?")


class StepError(AllocatorError):
    """A step that cannot be done or undone: which, why, and what to do."""


@dataclass(frozen=True, slots=True)
class DoneStep:
    """A step that is done. ``key``: as :class:`BuildStep` has it. ``date``: ISO 8601, or empty.

    ``pipe``, ``length``: the pipe that was laid and its length, m, where they are not the plan's.
    """

    key: str
    date: str = ""
    pipe: str = ""
    length: float | None = None


def numbers_of(text: str) -> tuple[int, ...]:
    """Step numbers of a text such as ``1-30,34``. Raises StepError."""
    found: list[int] = []
    for part in text.split(","):
        match = _RANGE.fullmatch(part.strip())
        if match is None:
            raise StepError(f"{part.strip()!r} is no step or range of steps; write '1-30,34'")
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first:
            raise StepError(f"{part.strip()!r} is no range of steps; write the lower one first")
        if last > 100_000:
            raise StepError(f"there is no step {shown(match[2] or match[1])[1:-1]}")
        found += range(first, last + 1)
    return tuple(dict.fromkeys(found))


def keys_of(steps: Sequence[BuildStep], numbers: Iterable[int]) -> tuple[str, ...]:
    """Keys of steps by number. Raises StepError for a number that no step has."""
    by_number = {step.number: step.key for step in steps}
    for number in numbers:
        if number not in by_number:
            raise StepError(f"there is no step {number}; the build order has 1 to {len(steps)}")
    return tuple(by_number[number] for number in numbers)


def check_needs(steps: Sequence[BuildStep], done: Iterable[str]) -> None:
    """Raises StepError where a step is done and one that it needs is not."""
    known = frozenset(done)
    by_number = {step.number: step for step in steps}
    for step in steps:
        missing = [n for n in step.after if by_number[n].key not in known]
        if step.key in known and missing:
            told = ", ".join(f"{n} ({_words(by_number[n])})" for n in missing)
            raise StepError(
                f"step {step.number} ({_words(step)}) cannot be done before step {told}; "
                "name these as done as well, or undo what needs them"
            )


def record_text(steps: Sequence[BuildStep], done: Mapping[str, DoneStep]) -> str:
    """The record as CSV, in the order of the steps."""
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(HEADS)
    for step in steps:
        if one := done.get(step.key):
            length = "" if one.length is None else exact_text(one.length, "length")
            writer.writerow((step.number, step.key, one.date, one.pipe, length))
    return sink.getvalue()


def read_record(path: Path, steps: Sequence[BuildStep]) -> dict[str, DoneStep]:
    """What a record says is done, by key; nothing where there is no file.

    Raises:
        TableFileError: cells that cannot be read, or steps of another plan, each with its line.
    """
    if not path.exists():
        return {}
    (sheet,) = read_sheets(path)
    keys = {step.key for step in steps}
    if not sheet.rows or sheet.rows[0][1] != HEADS:
        problem = f"does not begin with the heads {','.join(HEADS)}"
        raise TableFileError([Fault(str(path), 1, 1, "", problem, "restore the record's heads")])
    found: dict[str, DoneStep] = {}
    faults: list[Fault] = []
    for row, cells in sheet.rows[1:]:
        _, key, when, pipe, length = (*cells, "", "", "", "", "")[:5]
        if key not in keys:
            remedy = "name the plan that the record is of, or another --record"
            faults.append(sheet.fault(row, 2, f"{key!r} is no thing of this plan", remedy))
            continue
        try:
            metres = parse_quantity(length, "length") if length else None
            if metres is not None and metres <= 0.0:
                faults.append(sheet.fault(row, 5, "length must be above 0", "write '212 m'"))
                continue
            found[key] = DoneStep(key, checked_date(when), pipe, metres)
        except QuantityError as error:
            faults.append(sheet.fault(row, 5, f"length {error}", "write '212 m'"))
        except StepError as error:
            faults.append(sheet.fault(row, 3, str(error), "write 2027-03-14"))
    if faults:
        raise TableFileError(faults)
    return found


def checked_date(text: str) -> str:
    """A date as ISO 8601 has it, or nothing. Raises StepError."""
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        raise StepError(f"{text!r} is no date as ISO 8601 has it (2027-03-14)") from None


def _words(step: BuildStep) -> str:
    return f"{step.action} {step.what}"
