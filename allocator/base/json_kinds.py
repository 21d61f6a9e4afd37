"""Kinds of JSON values: each writes a value, reads it, gives its schema and describes it in words.

Reading collects every fault with its JSON path instead of stopping at the first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

Schema = dict[str, Any]
Defs = dict[str, Schema]
"""Schemas of objects by name, each given once."""
Row = tuple[str, str, str]
"""Path of a key such as ``goals[].value``, what it may be in words, and what it is."""

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


class JsonKind:
    """How a value is written, read and described."""

    __slots__ = ()

    def write(self, value: Any) -> Any:
        """The value as JSON data."""
        raise NotImplementedError

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        """The value from JSON data; None, and a problem, where it cannot be read."""
        raise NotImplementedError

    def schema(self, defs: Defs) -> Schema:
        """The JSON Schema of the value. Schemas of objects in it are added to ``defs``."""
        raise NotImplementedError

    def words(self) -> str:
        """What the value may be, in words for a table."""
        raise NotImplementedError

    def rows(self, path: str) -> Iterator[Row]:
        """A row for each key of the objects in it. ``path``: of the value."""
        yield from ()


def must_be(what: str, value: Any, path: str, problems: list[Problem]) -> Any:
    """None in place of a value that is not what it must be, which is noted."""
    words = {bool: "true or false", str: "text", list: "a list", dict: "an object"}
    found = next((word for kind, word in words.items() if isinstance(value, kind)), repr(value))
    found = "null" if value is None else found
    problems.append(Problem(path, f"must be {what} (got {found})"))
    return None


@dataclass(frozen=True, slots=True)
class JsonText(JsonKind):
    """Text; one of ``choices`` where they are given, as the members that these are.

    ``renamed``: pairs of a text that older versions wrote, and what it is read as.
    """

    choices: tuple[str, ...] = ()
    renamed: tuple[tuple[str, str], ...] = ()

    def write(self, value: Any) -> Any:
        return str(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, str):
            return must_be("text", value, path, problems)
        value = dict(self.renamed).get(value, value)
        if self.choices and value not in self.choices:
            text = f"must be one of {', '.join(self.choices)} (got {value!r})"
            problems.append(Problem(path, text))
        elif any("\ud800" <= letter <= "\udfff" for letter in value):
            problems.append(Problem(path, "holds half a letter (a lone surrogate)"))
        else:
            return self.choices[self.choices.index(value)] if self.choices else value
        return None

    def schema(self, defs: Defs) -> Schema:
        return {"enum": list(map(str, self.choices))} if self.choices else {"type": "string"}

    def words(self) -> str:
        return ", ".join(f"`{choice}`" for choice in self.choices) or "text"


@dataclass(frozen=True, slots=True)
class Number(JsonKind):
    """A number within :data:`LARGEST_NUMBER`, read as a float; ``repr`` gives it back exactly."""

    def write(self, value: Any) -> Any:
        number = float(value)
        if not abs(number) <= LARGEST_NUMBER:
            raise ValueError(f"a plan with the number {number} cannot be written")
        return number

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return must_be("a number", value, path, problems)
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if abs(number) <= LARGEST_NUMBER:
            return number
        large = f"must be within {LARGEST_NUMBER:g} (got {number:g})"
        text = large if math.isfinite(number) else "must be a finite number"
        problems.append(Problem(path, text))
        return None

    def schema(self, defs: Defs) -> Schema:
        return {"type": "number", "minimum": -LARGEST_NUMBER, "maximum": LARGEST_NUMBER}

    def words(self) -> str:
        return "number"


@dataclass(frozen=True, slots=True)
class JsonWhole(JsonKind):
    """A whole number. ``most``: and its opposite, where it is listed one by one."""

    most: int = LARGEST_WHOLE

    def write(self, value: Any) -> Any:
        if int(value) != value:
            raise ValueError(f"{value!r} must be a whole number to be written")
        return int(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if isinstance(value, bool) or not isinstance(value, int):
            return must_be("a whole number", value, path, problems)
        if abs(value) > self.most:
            problems.append(Problem(path, "is too large a whole number"))
            return None
        return value

    def schema(self, defs: Defs) -> Schema:
        return {"type": "integer", "minimum": -self.most, "maximum": self.most}

    def words(self) -> str:
        return "whole number"


@dataclass(frozen=True, slots=True)
class JsonFlag(JsonKind):
    """True or false."""

    def write(self, value: Any) -> Any:
        return bool(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if isinstance(value, bool):
            return value
        return must_be("true or false", value, path, problems)

    def schema(self, defs: Defs) -> Schema:
        return {"type": "boolean"}

    def words(self) -> str:
        return "`true`, `false`"


@dataclass(frozen=True, slots=True)
class Maybe(JsonKind):
    """A value or null."""

    kind: JsonKind

    def write(self, value: Any) -> Any:
        return None if value is None else self.kind.write(value)

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        return None if value is None else self.kind.read(value, path, problems)

    def schema(self, defs: Defs) -> Schema:
        return {"anyOf": [self.kind.schema(defs), {"type": "null"}]}

    def words(self) -> str:
        return f"{self.kind.words()} or `null`"

    def rows(self, path: str) -> Iterator[Row]:
        return self.kind.rows(path)


@dataclass(frozen=True, slots=True)
class JsonNamed(JsonKind):
    """An object from names (of ``choices`` only, where given) to values of one kind."""

    kind: JsonKind
    choices: tuple[str, ...] = ()

    def write(self, value: Any) -> Any:
        return {str(name): self.kind.write(item) for name, item in value.items()}

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, dict):
            return must_be("an object", value, path, problems)
        found = {}
        for name, item in value.items():
            if self.choices and name not in self.choices:
                text = f"must be one of {', '.join(self.choices)}"
                problems.append(Problem(f"{path}.{name}", text))
            found[name] = self.kind.read(item, f"{path}.{name}", problems)
        return found

    def schema(self, defs: Defs) -> Schema:
        found: Schema = {"type": "object", "additionalProperties": self.kind.schema(defs)}
        if self.choices:
            found["propertyNames"] = {"enum": list(self.choices)}
        return found

    def words(self) -> str:
        names = " or ".join(f"`{choice}`" for choice in self.choices) or "name"
        return f"{names}: {self.kind.words()}"


@dataclass(frozen=True, slots=True)
class JsonRows(JsonKind):
    """A list of values of one kind, read as a tuple."""

    kind: JsonKind

    def write(self, value: Any) -> Any:
        return [self.kind.write(item) for item in value]

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, list):
            return must_be("a list", value, path, problems)
        return tuple(
            self.kind.read(item, f"{path}[{number}]", problems) for number, item in enumerate(value)
        )

    def schema(self, defs: Defs) -> Schema:
        return {"type": "array", "items": self.kind.schema(defs)}

    def words(self) -> str:
        return f"list of {self.kind.words()}s"

    def rows(self, path: str) -> Iterator[Row]:
        return self.kind.rows(f"{path}[]")
