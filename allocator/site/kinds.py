"""The kinds of value that a key may have: each reads a node and describes itself as JSON Schema.

Keys are declared with these (:mod:`allocator.site.keys`), so that reader and schema cannot drift
apart. ``read`` notes faults in the ledger and returns :data:`FAULTY` in place of a value.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

from allocator.base.quantities import DIMENSIONS, QuantityError, parse_quantity, shown
from allocator.site.diagnostics import Where
from allocator.site.nodes import Items, Node, Pairs, Scalar

Schema = dict[str, Any]


class Defs(dict[str, Schema]):
    """Parts of a schema that are used in several places, by name."""

    def reference(self, name: str, make: Callable[[Defs], Schema]) -> Schema:
        """A reference to a part, which is made when it is first referred to."""
        if name not in self:
            self[name] = {}  # holds the place, so that parts stand in the order of first use
            self[name] = make(self)
        return {"$ref": f"#/$defs/{name}"}


class Faulty:
    """Stands for a value that could not be read; its fault has been noted."""

    def __repr__(self) -> str:
        return "FAULTY"


FAULTY: Final = Faulty()
GAUGE = "(g)"
"""Behind the unit of a pressure: above the ambient pressure, ``5 kPa(g)``."""
QUANTITY_PATTERN = (
    r"^\s*[-+]?([0-9]+(\u00a0[0-9]{3})*(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?"
    r"(\s*(1/|[^\s0-9.,_']).*)?$"
)
"""JSON Schema's view of text with a unit; it says nothing of plain numbers."""

RANGE_KEYS = frozenset({"low", "likely", "high", "mean", "sd", "varies"})
TEXT_SCHEMA: Schema = {"type": ["string", "number", "boolean"]}


class Kind(Protocol):
    """What a value may be."""

    def read(self, node: Node, where: Where) -> Any:
        """The value, or FAULTY once its faults are noted."""

    def schema(self, defs: Defs) -> Schema:
        """The same as JSON Schema; parts that others use as well go to ``defs``."""


def shape(node: Node) -> str:
    """A node as it stands in a message."""
    if isinstance(node, Scalar):
        return "nothing" if node.empty else shown(node.text)
    return "a list" if isinstance(node, Items) else "a mapping"


def expects(node: Node, where: Where, expected: str, remedy: str = "") -> Faulty:
    """Notes that a node is not what was expected."""
    where.fault(node, f"expects {expected}, got {shape(node)}", remedy)
    return FAULTY


@dataclass(frozen=True, slots=True)
class Text:
    """Free text on one or more lines; ``longest``: characters, on one line; 0: any number."""

    longest: int = 0

    def read(self, node: Node, where: Where) -> str | Faulty:
        if not isinstance(node, Scalar) or node.empty:
            return expects(node, where, "text")
        if self.longest and (len(node.text) > self.longest or "\n" in node.text):
            at_most = f"at most {self.longest} characters on one line"
            where.fault(
                node, f"is too long for what is shown beside figures ({at_most})", "shorten it"
            )
            return FAULTY
        if re.search("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]", node.text):
            where.fault(node, "holds a control character", "delete it")
            return FAULTY
        return node.text

    def schema(self, defs: Defs) -> Schema:
        if self.longest:
            return {**TEXT_SCHEMA, "maxLength": self.longest}
        return defs.reference("text", lambda _: dict(TEXT_SCHEMA))


@dataclass(frozen=True, slots=True)
class Flag:
    """true or false."""

    def read(self, node: Node, where: Where) -> bool | Faulty:
        value = node.value if isinstance(node, Scalar) else None
        if isinstance(value, bool):
            return value
        return expects(node, where, "true or false")

    def schema(self, defs: Defs) -> Schema:
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number from ``least`` on."""

    least: int = 1

    def read(self, node: Node, where: Where) -> int | Faulty:
        value = node.value if isinstance(node, Scalar) else None
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            return expects(node, where, "a whole number such as 3")
        if value < self.least:
            where.fault(
                node,
                f"must be at least {self.least} (got {shown(value)})",
                f"give {self.least} or more",
            )
            return FAULTY
        if value > 1_000_000_000:
            where.fault(
                node, f"is out of all proportion (got {shown(value)})", "leave it out for no limit"
            )
            return FAULTY
        return value

    def schema(self, defs: Defs) -> Schema:
        return {"type": "integer", "minimum": self.least}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit, or a plain number in SI; the limits are SI."""

    dimension: str
    above: float | None = None
    least: float | None = None
    below: float | None = None
    most: float | None = None

    def read(self, node: Node, where: Where) -> float | Faulty:
        kind = DIMENSIONS[self.dimension]
        if isinstance(node, Pairs) and is_range(node):
            where.fault(
                node,
                "may not be a range of values (flows, stages, efficiencies and demands may)",
                f"give one value such as '{kind.example}'",
            )
            return FAULTY
        if not isinstance(node, Scalar) or node.empty or isinstance(node.value, bool):
            return expects(node, where, f"{kind.label} such as '{kind.example}'")
        text, added = node.value, 0.0
        if self.dimension == "pressure" and isinstance(text, str) and text.rstrip().endswith(GAUGE):
            if where.address == "ambient.pressure":
                return expects(node, where, "an absolute pressure such as '101.3 kPa'")
            text, added = text.rstrip().removesuffix(GAUGE), where.diagnostics.ambient_pressure
        try:
            value = parse_quantity(text, kind, where.diagnostics.units) + added
        except QuantityError as error:
            where.fault(node, error.problem, error.remedy)
            return FAULTY
        refusal = self.refusal(value)
        if refusal:
            where.fault(node, f"{refusal} (got {shown(node.text)[1:-1]})", self._remedy())
            return FAULTY
        if value and kind.exponents and node.line and not isinstance(node.value, str):
            where.diagnostics.note_unitless(where, node, kind.si, kind.example)
        return value

    def refusal(self, value: float) -> str:
        """Why a value, SI, is not allowed, or ""."""
        if self.above is not None and value <= self.above:
            return f"must be above {self.above:g}"
        if self.least is not None and value < self.least:
            return "must not be negative" if self.least == 0 else f"must be at least {self.least:g}"
        if self.below is not None and value >= self.below:
            return f"must be below {self._bound(self.below)}"
        if self.most is not None and value > self.most:
            return f"must be at most {self._bound(self.most)}"
        return ""

    def _bound(self, bound: float) -> str:
        if self.dimension == "share":
            return f"{100 * bound:g} %"
        return f"{bound:g} K" if self.dimension == "temperature" else f"{bound:g}"

    def _remedy(self) -> str:
        kind = DIMENSIONS[self.dimension]
        sign = "positive " if self.above == 0 else ""
        return f"give a {sign}{kind.noun} such as '{kind.example}'"

    def schema(self, defs: Defs) -> Schema:
        return defs.reference(self.schema_name, self._schema_in_full)

    @property
    def schema_name(self) -> str:
        """The dimension and the limits: ``share_above_0_most_1``."""
        limits = (
            ("above", self.above),
            ("least", self.least),
            ("below", self.below),
            ("most", self.most),
        )
        return "_".join([self.dimension, *(f"{w}_{x:g}" for w, x in limits if x is not None)])

    def _schema_in_full(self, defs: Defs) -> Schema:
        limits = {
            "exclusiveMinimum": self.above,
            "minimum": self.least,
            "exclusiveMaximum": self.below,
            "maximum": self.most,
        }
        return {
            **defs.reference("any_quantity", _any_quantity),
            **{word: limit for word, limit in limits.items() if limit is not None},
            "examples": [DIMENSIONS[self.dimension].example],
        }


@dataclass(frozen=True, slots=True)
class ByTemperature:
    """A positive quantity, or a list of [temperature, quantity] pairs from cold to hot.

    Read as (K, value) pairs; one value for all temperatures as a pair at 0 K.
    """

    dimension: str

    def read(self, node: Node, where: Where) -> tuple[tuple[float, float], ...] | Faulty:
        kind = Quantity(self.dimension, least=0)
        if not isinstance(node, Items):
            value = kind.read(node, where)
            return FAULTY if isinstance(value, Faulty) else ((0.0, value),)
        pairs: list[tuple[float, float]] = []
        for number, item in enumerate(node.items, 1):
            here = where.item(number)
            if not isinstance(item, Items) or len(item.items) != 2:
                example = DIMENSIONS[self.dimension].example
                return expects(item, here, f"a pair such as [40 degC, {example}]")
            kelvin = Quantity("temperature", above=0).read(item.items[0], here)
            value = kind.read(item.items[1], here)
            if isinstance(kelvin, Faulty) or isinstance(value, Faulty):
                return FAULTY
            if pairs and kelvin <= pairs[-1][0]:
                here.fault(item, "is not hotter than the pair before", "list them cold to hot")
                return FAULTY
            pairs.append((kelvin, value))
        return tuple(pairs) or expects(node, where, "at least one pair")

    def schema(self, defs: Defs) -> Schema:
        value = Quantity(self.dimension, least=0).schema(defs)
        pair = [Quantity("temperature", above=0).schema(defs), value]
        items = {"type": "array", "prefixItems": pair, "minItems": 2, "maxItems": 2}
        return {"anyOf": [value, {"type": "array", "items": items, "minItems": 1}]}


def is_range(node: Pairs) -> bool:
    """Whether a mapping looks like a range of values in place of one."""
    keys = {key.text for key, _ in node.pairs if isinstance(key, Scalar)}
    return bool(keys & RANGE_KEYS) and keys <= RANGE_KEYS


@dataclass(frozen=True, slots=True)
class Choice:
    """One word of a few."""

    options: tuple[str, ...]

    def read(self, node: Node, where: Where) -> str | Faulty:
        if not isinstance(node, Scalar) or node.empty:
            return expects(node, where, f"one of {', '.join(self.options)}")
        if node.text not in self.options:
            remedy = where.diagnostics.guess(node.text, self.options, "choose one of")
            where.fault(node, f"{shown(node.text)} is unknown", remedy)
            return FAULTY
        return node.text

    def schema(self, defs: Defs) -> Schema:
        return {"enum": list(self.options)}


@dataclass(frozen=True, slots=True)
class TwoWords(Choice):
    """One of two words, read as whether it is the second."""

    def read(self, node: Node, where: Where) -> bool | Faulty:  # type: ignore[override]
        word = Choice.read(self, node, where)
        return word if isinstance(word, Faulty) else word == self.options[1]


@dataclass(frozen=True, slots=True)
class Name:
    """The name of a thing of a section; ``also`` holds words allowed beside the names.

    ``elsewhere``: another file lists them, so that none can be added here.
    """

    section: str
    singular: str
    also: tuple[str, ...] = ()
    elsewhere: bool = False

    def read(self, node: Node, where: Where) -> str | Faulty:
        if not isinstance(node, Scalar) or node.empty:
            return expects(node, where, f"the name of a {self.singular}")
        return self.resolve(node, where)

    def resolve(self, node: Scalar, where: Where) -> str | Faulty:
        """The name if the site has it."""
        names = where.diagnostics.names.get(self.section, {})
        if node.text in self.also or node.text in names:
            return node.text
        listed = "choose one of" if self.elsewhere else ""
        remedy = where.diagnostics.guess(node.text, (*self.also, *names), listed)
        where.fault(
            node,
            f"names the unknown {self.singular} {shown(node.text)}",
            remedy or f"list it under '{self.section}'",
        )
        return FAULTY

    def schema(self, defs: Defs) -> Schema:
        return defs.reference("text", lambda _: dict(TEXT_SCHEMA))


@dataclass(frozen=True, slots=True)
class AsWritten:
    """A quantity whose dimension is known later: its node as it stands."""

    def read(self, node: Node, where: Where) -> Node:
        return node

    def schema(self, defs: Defs) -> Schema:
        return defs.reference("any_quantity", _any_quantity)


def _any_quantity(_: Defs) -> Schema:
    return {"type": ["number", "string"], "pattern": QUANTITY_PATTERN}
