"""Sections of named records, records of two variants, and values that may be written two ways."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from allocator.base.quantities import shown
from allocator.site.diagnostics import Where
from allocator.site.groups import ListOf, entries, name_refusal
from allocator.site.kinds import FAULTY, Defs, Faulty, Kind, Quantity, Schema, is_range, shape
from allocator.site.nodes import Items, Node, Pairs, Scalar
from allocator.site.table import KeyTable, Values


@dataclass(frozen=True, slots=True)
class Variants:
    """Two tables for one kind of record: ``matching`` where ``key`` holds ``word``."""

    key: str
    word: str
    matching: KeyTable
    other: KeyTable

    def choose(self, node: Node) -> KeyTable:
        """The table for a record's node."""
        if isinstance(node, Pairs):
            for key, value in node.pairs:
                if isinstance(key, Scalar) and key.text == self.key:
                    held = isinstance(value, Scalar) and value.text == self.word
                    return self.matching if held else self.other
        return self.other

    def schema(self, defs: Defs) -> Schema:
        """Either table as JSON Schema."""
        either = {
            "if": {
                "type": "object",
                "properties": {self.key: {"const": self.word}},
                "required": [self.key],
            },
            "then": self.matching.schema(defs),
            "else": self.other.schema(defs),
        }
        if not self.matching.completing:
            return either
        elsewhere = {"required": list(self.matching.completing), "not": {"required": [self.key]}}
        return {"anyOf": [either, {"allOf": [self.matching.schema(defs), elsewhere]}]}


@dataclass(frozen=True, slots=True)
class Named:
    """A section: names -> records of one table, or of two variants."""

    singular: str
    table: KeyTable | Variants
    reserved_names: tuple[str, ...] = ()
    least: int = 0

    def read(self, node: Node, where: Where) -> dict[str, Values]:
        """Name -> values, in file order; what is faulty is in there as not whole."""
        if isinstance(node, Scalar) and node.empty:
            node = Pairs([], node.line, node.column)
        if not isinstance(node, Pairs):
            where.fault(node, f"expects a mapping of names to {self.singular}s, got {shape(node)}")
            return {}
        if len(node.pairs) < self.least:
            where.fault(node, f"names no {self.singular}", f"a site needs at least {self.least}")
        return {
            name.text: values
            for name, body in entries(node, where)
            if (values := self._read_one(name, body, where)) is not None
        }

    def _read_one(self, name: Scalar, body: Node, above: Where) -> Values | None:
        thing = f"{above.path}.{name.text}"
        where = Where(above.diagnostics, f"{self.singular} {shown(name.text)}", thing=thing)
        refusal = name_refusal(name.text, self.reserved_names)
        if refusal:
            where.fault(name, f"the name {refusal}", "give it another name")
        table = self.table if isinstance(self.table, KeyTable) else self.table.choose(body)
        values = table.read_marked(body, where, name)
        if isinstance(values, Faulty):
            return None
        if refusal:
            values.sound = False
        return values

    def schema(self, defs: Defs) -> Schema:
        """The section as JSON Schema."""
        names: Schema = {"pattern": r"^[^@:>\u0000-\u001f]+$"}
        if self.reserved_names:
            names["not"] = {"enum": list(self.reserved_names)}
        return {
            "type": "object" if self.least else ["object", "null"],
            "propertyNames": names,
            "additionalProperties": self.table.schema(defs),
            **({"minProperties": self.least} if self.least else {}),
        }


@dataclass(frozen=True, slots=True)
class OneOrList:
    """A value of a list's kind, or a list of them; read as the list either way."""

    listed: ListOf

    def read(self, node: Node, where: Where) -> Any:
        """The values as a tuple."""
        if isinstance(node, Items):
            return self.listed.read(node, where)
        value = self.listed.kind.read(node, where)
        return FAULTY if value is FAULTY else (value,)

    def schema(self, defs: Defs) -> Schema:
        """Either schema."""
        return {"anyOf": [self.listed.kind.schema(defs), self.listed.schema(defs)]}


@dataclass(frozen=True, slots=True)
class ByShape:
    """A value that may be written in two ways: as a scalar or a list, or as a mapping."""

    flat: Quantity | ListOf
    mapping: Kind

    def read(self, node: Node, where: Where) -> Any:
        """What the kind for the node's shape reads."""
        # a list of names has no range of values, and places may be named 'low' and 'high'
        listed = isinstance(self.flat, ListOf)
        if isinstance(node, Pairs) and (listed or not is_range(node)):
            return self.mapping.read(node, where)
        if listed and not isinstance(node, Items):
            where.fault(
                node,
                f"expects a list of names, or a mapping of name to number, got {shape(node)}",
                "write '[works]' or '{works: 6}'",
            )
            return FAULTY
        return self.flat.read(node, where)

    def schema(self, defs: Defs) -> Schema:
        """Either schema."""
        return {"anyOf": [self.flat.schema(defs), self.mapping.schema(defs)]}
