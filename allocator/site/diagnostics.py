"""Collects what is wrong or odd while a site file is read: nothing is raised until the end."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.base.errors import Fault
from allocator.base.quantities import Units, shown
from allocator.site.nodes import Node, Scalar

if TYPE_CHECKING:
    from allocator.site.catalogue import CatalogueValue
    from allocator.site.defaults import DefaultValue
    from allocator.site.spreads import Spread

_MOST_GUESSES = 200  # guessing names costs time; a file with more slips gets no more guesses
_MOST_LISTED = 8
_INDEX = re.compile(r"\[[0-9]+\]")


@dataclass(slots=True)
class Diagnostics:
    """Faults and warnings of one file, and what every value may refer to.

    ``ambient_pressure``: Pa, against which gauge readings count. ``starts_at``: as written.
    ``names``: section -> the names that it declares, as keys. ``folder``: where CSV files are
    looked up. ``extra``: bytes of the CSV files read so far, in order. ``spreads``: address of a
    value -> what else it may be. ``catalogued``: address -> value of the catalogue.
    ``defaults``: what the file does not say.
    """

    file: str
    folder: Path
    units: Units = field(default_factory=Units)
    ambient_pressure: float = 101325.0
    starts_at: str = ""
    names: Mapping[str, Mapping[str, None]] = field(default_factory=dict)
    extra: list[bytes] = field(default_factory=list)
    spreads: dict[str, Spread] = field(default_factory=dict)
    catalogued: Mapping[str, CatalogueValue] = field(default_factory=dict)
    defaults: tuple[DefaultValue, ...] = ()
    _unitless: dict[str, tuple[int, int, Fault]] = field(default_factory=dict)
    _faults: list[tuple[int, int, Fault]] = field(default_factory=list)
    _warnings: list[tuple[int, int, Fault]] = field(default_factory=list)
    _guesses: int = 0

    def fault(
        self,
        line: int,
        column: int,
        subject: str,
        problem: str,
        remedy: str,
        file: str = "",
        at: tuple[int, int] | None = None,
    ) -> None:
        """Notes a fault; one in another ``file`` is sorted where the site file names it."""
        mark = at or (line, column)
        self._faults.append(
            (*mark, Fault(file or self.file, line, column, subject, problem, remedy))
        )

    def warn(self, line: int, column: int, subject: str, problem: str, remedy: str) -> None:
        """Notes what is odd but possible."""
        self._warnings.append(
            (line, column, Fault(self.file, line, column, subject, problem, remedy))
        )

    def note_unitless(self, where: Where, node: Scalar, unit: str, example: str) -> None:
        """Notes a plain number where a unit would tell more; the first of each key is told."""
        section = where.thing.partition(".")[0]
        key = f"{section}:{_INDEX.sub('', where.path)}"
        if key not in self._unitless:
            problem = f"{where.path} is {shown(node.text)[1:-1]} without a unit, read in {unit}"
            said = Fault(
                self.file,
                node.line,
                node.column,
                where.subject,
                problem,
                f"write the unit, such as '{example}' (shown once for each key)",
            )
            self._unitless[key] = (node.line, node.column, said)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """All faults in file order, each once."""
        return _in_order(self._faults)

    @property
    def warnings(self) -> tuple[Fault, ...]:
        """All warnings in file order, each once."""
        return _in_order(self._warnings)

    @property
    def unitless(self) -> tuple[Fault, ...]:
        """The first plain number of each key that has a unit, in file order."""
        return _in_order(list(self._unitless.values()))

    def closest(self, name: str, options: Iterable[str]) -> str:
        """What a misspelt name was meant to be, or ""."""
        self._guesses += 1
        if self._guesses > _MOST_GUESSES:
            return ""
        known = list(options)
        same = [option for option in known if option.lower() == name.lower()]
        close = same or difflib.get_close_matches(name[:80], known, n=1)
        return close[0] if close else ""

    def guess(self, name: str, options: Iterable[str], listed: str = "") -> str:
        """ "did you mean 'x'?", or what there is to choose from, introduced by ``listed``."""
        known = list(options)
        close = self.closest(name, known)
        if close:
            return f"did you mean {shown(close)}?"
        return self.list_of(known, listed) if listed and known else ""

    def list_of(self, known: list[str], introduced: str = "its keys are") -> str:
        """What there is to choose from."""
        more = f" and {len(known) - _MOST_LISTED} more" if len(known) > _MOST_LISTED else ""
        return f"{introduced} {', '.join(known[:_MOST_LISTED])}{more}"


def _in_order(noted: list[tuple[int, int, Fault]]) -> tuple[Fault, ...]:
    """A value that several things share is wrong once: the first is named, the others counted."""
    ordered = sorted(noted, key=lambda item: item[:2])
    subjects: dict[Fault, dict[str, None]] = {}
    for _, _, fault in ordered:
        subjects.setdefault(replace(fault, subject=""), {})[fault.subject] = None
    return tuple(
        replace(fault, subject=first + (f" and {len(more)} more" if more else ""))
        for fault, (first, *more) in subjects.items()
    )


@dataclass(frozen=True, slots=True)
class Where:
    """The place of a value: the thing it belongs to and the keys that lead to it.

    ``thing``: section and name, such as ``sources.north``.
    """

    diagnostics: Diagnostics
    subject: str
    path: str = ""
    thing: str = ""

    @property
    def address(self) -> str:
        """The value's address within the file, such as ``sources.north.flow``."""
        return f"{self.thing}.{self.path}" if self.thing else self.path

    @property
    def pattern(self) -> str:
        """The address with a star for each name of the user's own and each item of a list."""
        section = self.thing.partition(".")[0]
        path = _INDEX.sub(".*", self.path)
        return ".".join(filter(None, (section and f"{section}.*", path)))

    def below(self, key: str) -> Where:
        """The place of a key's value."""
        path = f"{self.path}.{key}" if self.path else key
        return Where(self.diagnostics, self.subject, path, self.thing)

    def item(self, number: int) -> Where:
        """The place of the ``number``-th item of a list, counted from 1."""
        return Where(self.diagnostics, self.subject, f"{self.path}[{number}]", self.thing)

    def fault(self, node: Node, problem: str, remedy: str = "") -> None:
        """Notes a fault of the value here; ``problem`` follows the value's path."""
        said = f"{self.path} {problem}" if self.path else problem
        self.diagnostics.fault(node.line, node.column, self.subject, said, remedy)
