"""What the program raises when its input cannot be used: every fault, with where it stands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from allocator.base.grouped import grouped


class AllocatorError(Exception):
    """Base of every error that this package raises on purpose.

    Examples
    --------
    >>> import allocator as al
    >>> issubclass(al.NoPlanError, al.AllocatorError)
    True
    """


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong (or odd) in a file.

    ``line`` and ``column`` count from 1; 0 means that the fault has no such mark (the file
    could not be opened, say). ``subject`` is the thing in the user's words, such as
    ``source 'north'``, or empty. ``remedy`` says what to do, or is empty.
    """

    file: str
    line: int
    column: int
    subject: str
    problem: str
    remedy: str = ""

    def __str__(self) -> str:
        mark = f":{self.line}:{self.column}" if self.line else ""
        subject = f"{self.subject}: " if self.subject else ""
        remedy = f"; {self.remedy}" if self.remedy else ""
        return f"{self.file}{mark}: {subject}{self.problem}{remedy}"


class OldSpelling(FutureWarning):
    """A spelling of older versions was used; the message says what to write."""


class OutputError(AllocatorError):
    """A place that cannot be written to: which, why, and what to do."""


MOST_SHOWN = 100


def fault_lines(faults: Sequence[Fault], kind: str = "fault") -> list[str]:
    """A line for each of the first hundred, and one that counts the others."""
    lines = [str(fault) for fault in faults[:MOST_SHOWN]]
    if len(faults) > MOST_SHOWN:
        lines.append(
            f"{faults[0].file}: {grouped(len(faults))} {kind}s, of which the first {MOST_SHOWN} "
            "are shown"
        )
    return lines


class FileError(AllocatorError):
    """A file that cannot be used. ``faults`` holds all that is wrong with it, in file order."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(fault_lines(self.faults))


class SiteFileError(FileError):
    """A site, of a file or built in Python, with faults: ``faults`` holds all of them.

    Examples
    --------
    >>> import allocator as al
    >>> al.read_site("networks/none.yaml")
    Traceback (most recent call last):
    allocator.base.errors.SiteFileError: networks/none.yaml: there is no such file; check the path
    """


class PlanFileError(FileError):
    """A plan file with faults, or a plan for another site or of another format.

    Examples
    --------
    >>> import allocator as al
    >>> al.read_plan("no/plan.json")
    Traceback (most recent call last):
    allocator.base.errors.PlanFileError: no/plan.json: the plan cannot be opened: No such file or
    directory; check its name
    """


class StateFileError(FileError):
    """A state of a site in operation with faults: ``faults`` holds all of them.

    Examples
    --------
    >>> import allocator as al
    >>> issubclass(al.StateFileError, al.AllocatorError)
    True
    """
