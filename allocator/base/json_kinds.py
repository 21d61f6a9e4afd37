"""Kinds of JSON values: one table of keys writes a record, reads it, and gives its schema.

Reading collects every fault with its JSON path instead of stopping at the first.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Sequence, Sized
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

Schema = dict[str, Any]

LARGEST_WHOLE = 2**53
"""Whole numbers beyond this are not exact in every reader of JSON."""

LARGEST_NUMBER = 1e30
"""Numbers beyond this are of no site: what is reckoned with them would overflow."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong at a JSON path such as ``$.goals[0].value``."""

    path: str
    text: str
    remedy: str = ""


class JsonKind(Protocol):
    """How a value is written, read and described."""

    def write(self, value: Any) -> Any:
        """The value as JSON data."""

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        """The value from JSON data; None, and a problem, where it cannot be read."""

    def schema(self) -> Schema:
        """The JSON Schema of the value."""


def _described(value: Any) -> str:
    words = {bool: "true or false", str: "text", list: "a list", dict: "an object"}
    if value is None:
        return "null"
    for kind, word in words.items():
        if isinstance(value, kind):
            return word
    return repr(value)


@dataclass(frozen=True, slots=True)
class JsonText:
    """Text; one of ``choices`` where they are given."""

    choices: tuple[str, ...] = ()

    def write(self, value: Any) -> Any:
        return str(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, str):
            problems.append(Problem(path, f"must be text (got {_described(value)})"))
            return None
        if self.choices and value not in self.choices:
            problems.append(
                Problem(path, f"must be one of {', '.join(self.choices)} (got {value!r})")
            )
            return None
        if any("\ud800" <= letter <= "\udfff" for letter in value):
            problems.append(Problem(path, "holds half a letter (a lone surrogate)"))
            return None
        return value

    def schema(self) -> Schema:
        return {"enum": list(self.choices)} if self.choices else {"type": "string"}


@dataclass(frozen=True, slots=True)
class JsonEnum:
    """A member of an enumeration of text, one of ``members``."""

    members: tuple[StrEnum, ...]

    def write(self, value: Any) -> Any:
        return str(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        text = JsonText(tuple(self.members)).read(value, path, problems)
        return None if text is None else self.members[self.members.index(text)]

    def schema(self) -> Schema:
        return {"enum": list(map(str, self.members))}


@dataclass(frozen=True, slots=True)
class Number:
    """A number within :data:`LARGEST_NUMBER`, read as a float; ``repr`` gives it back exactly."""

    def write(self, value: Any) -> Any:
        number = float(value)
        if not abs(number) <= LARGEST_NUMBER:
            raise ValueError(f"a plan with the number {number} cannot be written")
        return number

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            problems.append(Problem(path, f"must be a number (got {_described(value)})"))
            return None
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            problems.append(Problem(path, "must be a finite number"))
            return None
        if abs(number) > LARGEST_NUMBER:
            problems.append(Problem(path, f"must be within {LARGEST_NUMBER:g} (got {number:g})"))
            return None
        return number

    def schema(self) -> Schema:
        return {"type": "number", "minimum": -LARGEST_NUMBER, "maximum": LARGEST_NUMBER}


@dataclass(frozen=True, slots=True)
class JsonWhole:
    """A whole number. ``most``: and its opposite, where it is listed one by one."""

    most: int = LARGEST_WHOLE

    def write(self, value: Any) -> Any:
        if int(value) != value:
            raise ValueError(f"{value!r} must be a whole number to be written")
        return int(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if isinstance(value, bool) or not isinstance(value, int):
            problems.append(Problem(path, f"must be a whole number (got {_described(value)})"))
            return None
        if abs(value) > self.most:
            problems.append(Problem(path, "is too large a whole number"))
            return None
        return value

    def schema(self) -> Schema:
        if self.most == LARGEST_WHOLE:
            return {"type": "integer"}
        return {"type": "integer", "maximum": self.most}


@dataclass(frozen=True, slots=True)
class JsonFlag:
    """True or false."""

    def write(self, value: Any) -> Any:
        return bool(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, bool):
            problems.append(Problem(path, f"must be true or false (got {_described(value)})"))
            return None
        return value

    def schema(self) -> Schema:
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Maybe:
    """A value or null."""

    kind: JsonKind

    def write(self, value: Any) -> Any:
        return None if value is None else self.kind.write(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        return None if value is None else self.kind.read(value, path, problems)

    def schema(self) -> Schema:
        return {"anyOf": [self.kind.schema(), {"type": "null"}]}


@dataclass(frozen=True, slots=True)
class JsonNamed:
    """An object from names (of ``choices`` only, where given) to values of one kind."""

    kind: JsonKind
    choices: tuple[str, ...] = ()

    def write(self, value: Any) -> Any:
        return {str(name): self.kind.write(item) for name, item in value.items()}

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, dict):
            problems.append(Problem(path, f"must be an object (got {_described(value)})"))
            return None
        found = {}
        for name, item in value.items():
            if self.choices and name not in self.choices:
                problems.append(
                    Problem(f"{path}.{name}", f"must be one of {', '.join(self.choices)}")
                )
            found[name] = self.kind.read(item, f"{path}.{name}", problems)
        return found

    def schema(self) -> Schema:
        found: Schema = {"type": "object", "additionalProperties": self.kind.schema()}
        if self.choices:
            found["propertyNames"] = {"enum": list(self.choices)}
        return found


@dataclass(frozen=True, slots=True)
class JsonRows:
    """A list of values of one kind, read as a tuple."""

    kind: JsonKind

    def write(self, value: Any) -> Any:
        return [self.kind.write(item) for item in value]

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, list):
            problems.append(Problem(path, f"must be a list (got {_described(value)})"))
            return None
        return tuple(
            self.kind.read(item, f"{path}[{number}]", problems) for number, item in enumerate(value)
        )

    def schema(self) -> Schema:
        return {"type": "array", "items": self.kind.schema()}


@dataclass(frozen=True, slots=True)
class JsonKey:
    """One key of an object: what it is called in the file, and in the record.

    ``optional``: left out of the file where the value is empty or None, and the record's own
    default where it is not in the file. A new fact of a plan is optional, so that older plans
    can still be read.
    """

    name: str
    kind: JsonKind
    attribute: str = ""
    optional: bool = False

    @property
    def field(self) -> str:
        """The record's name for it."""
        return self.attribute or self.name


@dataclass(frozen=True, slots=True)
class Object:
    """An object with exactly these keys. ``make`` builds the record from what was read;

    ``take`` gives a record's values by attribute (by default its own attributes)."""

    make: Callable[..., Any]
    keys: Sequence[JsonKey]
    take: Callable[[Any], Callable[[str], Any]] = field(
        default=lambda record: lambda attribute: getattr(record, attribute)
    )

    def write(self, value: Any) -> Any:
        get = self.take(value)
        values = [(key, get(key.field)) for key in self.keys]
        return {
            key.name: key.kind.write(found)
            for key, found in values
            if not (key.optional and _empty(found))
        }

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, dict):
            problems.append(Problem(path, f"must be an object (got {_described(value)})"))
            return None
        before = len(problems)
        known = [key.name for key in self.keys]
        for name in value:
            if name not in known:
                close = difflib.get_close_matches(name, known, 1)
                remedy = f"did you mean {close[0]!r}?" if close else ""
                problems.append(Problem(f"{path}.{name}", "is not a key of a plan", remedy))
        found = {}
        for key in self.keys:
            if key.name not in value and key.optional:
                continue
            if key.name not in value:
                problems.append(Problem(f"{path}.{key.name}", "is missing"))
            else:
                found[key.field] = key.kind.read(value[key.name], f"{path}.{key.name}", problems)
        if len(problems) > before:
            return None
        try:
            return self.make(**found)
        except ValueError as error:
            problems.append(Problem(path, str(error)))
            return None

    def schema(self) -> Schema:
        return {
            "type": "object",
            "properties": {key.name: key.kind.schema() for key in self.keys},
            "required": [key.name for key in self.keys if not key.optional],
            "additionalProperties": False,
        }


def _empty(value: Any) -> bool:
    return value is None or (isinstance(value, Sized) and len(value) == 0)
