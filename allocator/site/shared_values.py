"""Values that things of a kind share: ``kinds`` of a site file, and ``kind`` at a thing.

They are put in place in the tree of the file before it is read, so that all that reads a thing sees
one record. A key given at the thing replaces the whole key of its kind. The values of a kind keep
their line and column, so that a fault is shown where the value is written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from allocator.base.quantities import shown
from allocator.site.diagnostics import Diagnostics, Where
from allocator.site.groups import entries, name_refusal
from allocator.site.kinds import Defs, Name, Schema, expects, shape
from allocator.site.nodes import Node, Pairs, Scalar
from allocator.site.shapes import Variants
from allocator.site.table import Key, KeyTable

KIND, KINDS = "kind", "kinds"


def kind_key(section: str) -> Key:
    """The key ``kind`` of the things of a section."""
    about = f"Its kind under `{KINDS}.{section}`, which gives the keys that it does not give itself"
    return Key(KIND, Name(f"{KINDS}.{section}", KIND), about)


def texts(node: Node | None) -> Iterator[tuple[Scalar, Node]]:
    """The pairs of a mapping whose keys are text; none of anything else."""
    for key, value in node.pairs if isinstance(node, Pairs) else ():
        if isinstance(key, Scalar):
            yield key, value


def value_of(node: Node | None, name: str) -> Node | None:
    """The value of a key of a mapping; None where there is no such key."""
    return next((value for key, value in texts(node) if key.text == name), None)


def completed(thing: Pairs, shared: Node | None) -> Pairs:
    """A thing with the keys that it does not give itself as ``shared`` gives them."""
    own = {key.text for key, _ in texts(thing)}
    more: list[tuple[Node, Node]] = [
        (key, value) for key, value in texts(shared) if key.text not in own and key.text != KIND
    ]
    return Pairs([*thing.pairs, *more], thing.line, thing.column)


def put_in_place(root: Node, spelling: Mapping[str, str] | None = None) -> set[tuple[str, str]]:
    """Complete every thing that has a kind, in the tree; the kinds that are used, by section.

    ``spelling``: sections as they are written -> their names.
    """
    used: set[tuple[str, str]] = set()
    sections = {key.text: value for key, value in texts(value_of(root, KINDS))}
    for key, things in texts(root):
        section = (spelling or {}).get(key.text, key.text)
        kinds = {name.text: body for name, body in texts(sections.get(section))}
        if not kinds or not isinstance(things, Pairs):
            continue
        for place, (name, thing) in enumerate(things.pairs):
            kind = value_of(thing, KIND)
            if isinstance(thing, Pairs) and isinstance(kind, Scalar) and kind.text in kinds:
                used.add((section, kind.text))
                things.pairs[place] = (name, completed(thing, kinds[kind.text]))
    return used


def note_unused(root: Node, used: set[tuple[str, str]], diagnostics: Diagnostics) -> None:
    """Warn of kinds that nothing is of."""
    for section, kinds in texts(value_of(root, KINDS)):
        for name, _ in texts(kinds):
            if (section.text, name.text) not in used:
                subject = f"kind {shown(name.text)}"
                problem = f"nothing under '{section.text}' is of this kind"
                remedy = f"write 'kind: {name.text}' where it holds, or delete it"
                diagnostics.warn(name.line, name.column, subject, problem, remedy)


@dataclass(frozen=True, slots=True)
class SharedValues:
    """Section -> name of a kind -> keys of the things of that section."""

    tables: Mapping[str, KeyTable | Variants]

    def read(self, node: Node, where: Where) -> Any:
        """Nothing: things have their values by now; what can be no kind is noted."""
        if isinstance(node, Scalar) and node.empty:
            return ()
        if not isinstance(node, Pairs):
            return expects(node, where, "a mapping of sections")
        for section, kinds in entries(node, where):
            here = where.below(section.text)
            if section.text not in self.tables:
                remedy = where.diagnostics.guess(section.text, self.tables, "its keys are")
                where.fault(section, f"has the unknown key {shown(section.text)}", remedy)
            elif isinstance(kinds, Pairs):
                for name, body in entries(kinds, here):
                    self._check(name, body, where.diagnostics)
            elif not (isinstance(kinds, Scalar) and kinds.empty):
                here.fault(kinds, f"expects a mapping of names to kinds, got {shape(kinds)}")
        return ()

    def _check(self, name: Scalar, body: Node, diagnostics: Diagnostics) -> None:
        where = Where(diagnostics, f"kind {shown(name.text)}")
        if refusal := name_refusal(name.text, ()):
            where.fault(name, f"the name {refusal}", "give it another name")
        if not isinstance(body, Pairs):
            if not (isinstance(body, Scalar) and body.empty):
                where.fault(body, f"expects a mapping of keys, got {shape(body)}")
            return
        for key, _ in entries(body, where):
            if key.text == KIND:
                where.fault(key, "is of another kind itself", "list all its keys here")

    def schema(self, defs: Defs) -> Schema:
        """The keys of each section, none of them required."""
        return {
            "type": ["object", "null"],
            "properties": {
                name: _kinds_schema(name, table, defs) for name, table in self.tables.items()
            },
            "additionalProperties": False,
        }


def _kinds_schema(section: str, table: KeyTable | Variants, defs: Defs) -> Schema:
    keys: dict[str, list[Schema]] = {}
    for one in (table,) if isinstance(table, KeyTable) else (table.other, table.matching):
        one.schema(defs)
        for key in one.keys:
            if key.name != KIND:
                found = keys.setdefault(key.name, [])
                found.append({"$ref": f"#/$defs/{one.name}/properties/{key.name}"})
    about = f"As under {section}"
    properties = {
        name: {**(refs[0] if len(refs) == 1 else {"anyOf": refs}), "description": about}
        for name, refs in keys.items()
    }
    body = {"type": ["object", "null"], "properties": properties, "additionalProperties": False}
    return {
        "type": ["object", "null"],
        "additionalProperties": body,
        "description": f"Kinds of things under {section}, by name",
    }
