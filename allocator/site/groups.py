"""The kinds of value that hold others: lists, mappings of names, the user's own units."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from allocator.base.quantities import QuantityError, Units, parse_quantity, shown
from allocator.site.diagnostics import Where
from allocator.site.kinds import (
    FAULTY,
    QUANTITY_PATTERN,
    Defs,
    Faulty,
    Kind,
    Name,
    Schema,
    expects,
    shape,
)
from allocator.site.nodes import Items, Node, Pairs, Scalar

_FORBIDDEN_IN_NAMES = re.compile("[@:>\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]")


@dataclass(frozen=True, slots=True)
class ListOf:
    """A list of ``least`` to ``most`` values of one kind, each once if ``distinct``."""

    kind: Kind
    least: int = 0
    most: int | None = None
    distinct: bool = False

    def read(self, node: Node, where: Where) -> tuple[Any, ...] | Faulty:
        if not isinstance(node, Items):
            plain = isinstance(node, Scalar) and not node.empty
            remedy = "write it in brackets, with commas between the values" if plain else ""
            return expects(node, where, f"a list of {self._size()}", remedy)
        count = len(node.items)
        if count < self.least or (self.most is not None and count > self.most):
            where.fault(node, f"expects {self._size()}, got {count}")
            return FAULTY
        values = [self.kind.read(item, where.item(i)) for i, item in enumerate(node.items, 1)]
        if self.distinct:
            seen = set()
            for item, value in zip(node.items, values, strict=True):
                if value is not FAULTY and value in seen:
                    text = item.text if isinstance(item, Scalar) else value
                    where.fault(item, f"holds {shown(text)} twice", "keep it once")
                    return FAULTY
                seen.add(value)
        return FAULTY if FAULTY in values else tuple(values)

    def _size(self) -> str:
        if self.most == self.least:
            return f"{self.least} values"
        return f"at least {self.least} value{'s'[: self.least - 1]}" if self.least else "values"

    def schema(self, defs: Defs) -> Schema:
        sizes = {"minItems": self.least or None, "maxItems": self.most}
        return {
            "type": "array",
            "items": self.kind.schema(defs),
            **{word: size for word, size in sizes.items() if size is not None},
            **({"uniqueItems": True} if self.distinct else {}),
        }


class Marked(dict[str, Any]):
    """Names -> values, with the node of each value in ``nodes``."""

    def __init__(self) -> None:
        super().__init__()
        self.nodes: dict[str, Node] = {}


@dataclass(frozen=True, slots=True)
class MapOf:
    """Names of a section -> values; ``special``: other keys and their kinds.

    ``refused``: keys not yet read -> what to do instead.
    """

    name: Name
    kind: Kind
    special: Mapping[str, Kind] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)
    least: int = 0

    def read(self, node: Node, where: Where) -> Marked | Faulty:
        if isinstance(node, Scalar) and node.empty and not self.least:
            return Marked()
        if not isinstance(node, Pairs):
            return expects(node, where, f"a mapping of {self.name.singular} to value")
        if len(node.pairs) < self.least:
            where.fault(node, f"names no {self.name.singular}", self._one())
            return FAULTY
        whole, values = True, Marked()
        for key, value in entries(node, where):
            kind = self.special.get(key.text, self.kind)
            if key.text in self.refused:
                where.fault(
                    key,
                    f"has the key {shown(key.text)}, which is not yet read",
                    self.refused[key.text],
                )
                whole = False
            elif key.text not in self.special and self._unknown(key, where):
                whole = False
            else:
                values[key.text] = kind.read(value, where.below(key.text))
                values.nodes[key.text] = value
        if not whole or FAULTY in values.values() or len(values) < len(node.pairs):
            return FAULTY
        return values

    def _one(self) -> str:
        others = "".join(f" or {shown(key)}" for key in self.special)
        return f"name one {self.name.singular}{others} at least"

    def _unknown(self, key: Scalar, where: Where) -> bool:
        also = (*self.name.also, *self.special)
        return replace(self.name, also=also).resolve(key, where) is FAULTY

    def schema(self, defs: Defs) -> Schema:
        return {
            "type": "object" if self.least else ["object", "null"],
            "properties": {
                **{key: kind.schema(defs) for key, kind in self.special.items()},
                **dict.fromkeys(self.refused, False),
            },
            "additionalProperties": self.kind.schema(defs),
            **({"minProperties": self.least} if self.least else {}),
        }


def entries(node: Pairs, where: Where) -> list[tuple[Scalar, Node]]:
    """A mapping's entries; keys that are no text, merges and repeats are noted and left out."""
    found: dict[str, tuple[Scalar, Node]] = {}
    for key, value in node.pairs:
        if not isinstance(key, Scalar):
            where.fault(key, "has a key that is not text", "write keys as plain words")
        elif key.text == "<<" and key.plain:
            where.fault(key, "merges ('<<') are not read", "write the keys out")
        elif key.text in found:
            first = found[key.text][0].line
            where.fault(
                key,
                f"has the key {shown(key.text)} twice (first at line {first})",
                "keep one of them",
            )
        else:
            found[key.text] = (key, value)
    return list(found.values())


def name_refusal(name: str, reserved: tuple[str, ...] = ()) -> str:
    """Why a thing may not be named so, or "". Compound names in plans need ``@``, ``:``, ``>``."""
    if not name.strip():
        return "must not be empty"
    if name != name.strip():
        return "must not begin or end with a space"
    if len(name) > 200:
        return "must not be longer than 200 characters"
    forbidden = _FORBIDDEN_IN_NAMES.search(name)
    if forbidden:
        sign = forbidden[0]
        return f"must not hold {shown(sign) if sign in '@:>' else 'control characters'}"
    return f"{shown(name)} is reserved" if name in reserved else ""


@dataclass(frozen=True, slots=True)
class OwnUnits:
    """Time units of the user's own: name -> duration; a later one may use those above it."""

    def read(self, node: Node, where: Where) -> Units | Faulty:
        if isinstance(node, Scalar) and node.empty:
            return Units()
        if not isinstance(node, Pairs):
            return expects(node, where, "a mapping of names to durations")
        own: dict[str, float] = {}
        for key, value in entries(node, where):
            here = Where(where.diagnostics, f"unit {shown(key.text)}")
            if not re.fullmatch(r"[^\W\d]\w*", key.text):
                here.fault(key, "the name of a unit must be one word", "use letters and '_'")
            elif Units(own).knows(key.text):
                here.fault(key, "is a unit already", "give it another name")
            else:
                try:
                    duration = parse_quantity(
                        value.value if isinstance(value, Scalar) else shape(value),
                        "duration",
                        Units(own),
                    )
                except QuantityError as error:
                    here.fault(value, error.problem, error.remedy)
                    continue
                if duration > 0:
                    own[key.text] = duration
                else:
                    here.fault(value, "must be above 0", "give a positive duration")
        return Units(own)

    def schema(self, defs: Defs) -> Schema:
        return {
            "type": ["object", "null"],
            "propertyNames": {"pattern": r"^[^\W\d]\w*$"},
            "additionalProperties": {
                "type": ["number", "string"],
                "pattern": QUANTITY_PATTERN,
                "exclusiveMinimum": 0,
            },
        }
