"""The tree of a YAML document: scalars, lists and mappings, each with its line and column.

Plain scalars follow the YAML 1.2 core schema: ``no`` and ``12:30`` are text, ``1e3`` is a number.
Lines and columns count from 1.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

_WHOLE = re.compile(r"[-+]?[0-9]+")
_OCTAL_OR_HEX = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_WORDS: dict[str, bool | float | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL")),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".inf", ".Inf", ".INF", "+.inf", "+.Inf", "+.INF"), math.inf),
    **dict.fromkeys(("-.inf", "-.Inf", "-.INF"), -math.inf),
    **dict.fromkeys((".nan", ".NaN", ".NAN"), math.nan),
}
_MOST_DIGITS = 400  # longer whole numbers are beyond any float


@dataclass(slots=True, eq=False)
class Scalar:
    """A scalar as written. ``plain``: without quotes and not a block, so it may be a number."""

    text: str
    plain: bool
    line: int
    column: int

    @property
    def value(self) -> bool | int | float | str | None:
        """The value by the YAML 1.2 core schema; quoted text stays text."""
        text = self.text
        if not self.plain:
            return text
        if text in _WORDS:
            return _WORDS[text]
        if text[0].isalpha():  # most scalars are names
            return text
        if _WHOLE.fullmatch(text):
            return int(text) if len(text) <= _MOST_DIGITS else float(text)
        if _FLOAT.fullmatch(text):
            return float(text)
        if _OCTAL_OR_HEX.fullmatch(text):
            return int(text, 0) if len(text) <= _MOST_DIGITS else math.inf
        return text

    @property
    def empty(self) -> bool:
        """True for null and for a value left out."""
        return self.value is None


@dataclass(slots=True, eq=False)
class Items:
    """A list."""

    items: list[Node]
    line: int
    column: int


@dataclass(slots=True, eq=False)
class Pairs:
    """A mapping: keys and values in file order, repeated keys included."""

    pairs: list[tuple[Node, Node]]
    line: int
    column: int


Node = Scalar | Items | Pairs


def plain_data(node: Node) -> object:
    """The tree as plain dicts, lists and scalars; of repeated keys the last one counts."""
    if isinstance(node, Scalar):
        return node.value
    if isinstance(node, Items):
        return [plain_data(item) for item in node.items]
    return {
        key.text if isinstance(key, Scalar) else "": plain_data(value) for key, value in node.pairs
    }
