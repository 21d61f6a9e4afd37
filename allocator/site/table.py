"""Tables of keys: what a record of the site file may hold, read and described by one table."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from allocator.base.quantities import DIMENSIONS, shown
from allocator.site.diagnostics import Where
from allocator.site.formats import FORMER, name_since
from allocator.site.groups import entries
from allocator.site.kinds import FAULTY, Choice, Defs, Faulty, Kind, Quantity, Schema, TwoWords
from allocator.site.nodes import Node, Pairs, Scalar


@dataclass(frozen=True, slots=True)
class Key:
    """One key: what it is for, whether it must be there, and what holds where it is left out.

    ``about``: sentences for the key reference and the schema. ``default``: the value, in SI, that
    a file has without the key; None where there is no such value. ``left_out``: words for what
    then holds, for readers, where no value says it.
    """

    name: str
    kind: Kind
    about: str
    required: bool = False
    default: Any = None
    left_out: str = ""

    def sample(self) -> str:
        """How to add the key, for a message."""
        if isinstance(self.kind, Quantity):
            return f"add '{self.name}: {DIMENSIONS[self.kind.dimension].example}'"
        if isinstance(self.kind, Choice) and len(self.kind.options) == 1:
            return f"add '{self.name}: {self.kind.options[0]}'"
        first = re.split(r"[.;] ", self.about)[0]
        return f"add '{self.name}': {first[0].lower()}{first[1:]}"

    def schema(self, defs: Defs) -> Schema:
        """The key's value as JSON Schema."""
        about = self.about
        if isinstance(self.kind, Quantity):
            kind = DIMENSIONS[self.kind.dimension]
            plain = "a plain number" if kind.si == "1" else f"a number in {kind.si}"
            about += f" ({kind.name}: text such as '{kind.example}', or {plain})"
        if self.left_out:
            about += f"; default: {self.left_out}"
        schema = {**self.kind.schema(defs), "description": about}
        if self.default is not None:
            words = self.kind.options if isinstance(self.kind, TwoWords) else None
            schema["default"] = words[self.default] if words else self.default
        return schema


@dataclass(slots=True, eq=False)
class Values:
    """What was read of a record by its ``table``.

    Values that were faulty are left out and make it not whole. ``complete``: with an unknown kind
    or name of the catalogue, nobody knows what is missing.
    """

    table: KeyTable
    where: Where
    mark: Node
    found: dict[str, Any] = field(default_factory=dict)
    nodes: dict[str, Node] = field(default_factory=dict)
    sound: bool = True
    complete: bool = True

    def get(self, key: str, otherwise: Any = None) -> Any:
        """The value of a key, its default, or ``otherwise``."""
        return self.found.get(key, otherwise)

    def has(self, key: str) -> bool:
        """Whether the file gives the key, faulty or not."""
        return key in self.nodes

    @property
    def whole(self) -> bool:
        """Whether nothing in the record was faulty."""
        return self.sound and all(_is_whole(value) for value in self.found.values())

    def fault(self, key: str, problem: str, remedy: str = "") -> None:
        """Notes a fault at a key's value, or at the record where the key is absent."""
        self.sound = False
        where = self.where.below(key) if key in self.nodes else self.where
        where.fault(self.nodes.get(key, self.mark), problem, remedy)

    def fault_here(self, key: str, problem: str, remedy: str = "") -> None:
        """The same, but the problem names the keys itself."""
        self.sound = False
        self.where.fault(self.nodes.get(key, self.mark), problem, remedy)

    def warn(self, key: str, problem: str, remedy: str = "") -> None:
        """Notes what is odd at a key's value."""
        node = self.nodes.get(key, self.mark)
        self.where.diagnostics.warn(node.line, node.column, self.where.subject, problem, remedy)


def _is_whole(value: Any) -> bool:
    if isinstance(value, Values):
        return value.whole
    if isinstance(value, tuple):
        return all(_is_whole(item) for item in value)
    return True


Path = tuple[str | int, ...]
"""The way to a value within :class:`Values`: a key, then a key of it or the number of an item."""


@dataclass(frozen=True, slots=True)
class FieldSource:
    """How a field of a record gets its value: from where, and made by what (None: as it is)."""

    field: str
    path: Path
    make: Callable[[Any], Any] | None


@dataclass(frozen=True, slots=True)
class KeyTable:
    """The keys of a record.

    ``name``: of the record in the schema; "" where it has none of its own. ``reserved``: keys not
    yet read -> what to do instead. ``exclusive``: pairs of keys of which a record has one at most.
    ``either``: groups of keys; a record has all of exactly one group. ``record``: the class that
    is made of the values by ``fields``; a plain dict where it is None. ``completing``: keys that
    name where others get their values, so that these may be missing.
    """

    keys: tuple[Key, ...]
    name: str = ""
    reserved: Mapping[str, str] = field(default_factory=dict)
    exclusive: tuple[tuple[str, str], ...] = ()
    either: tuple[tuple[str, ...], ...] = ()
    record: type[Any] | None = None
    fields: tuple[FieldSource, ...] = ()
    completing: tuple[str, ...] = ()
    by_name: Mapping[str, Key] = field(init=False, repr=False, compare=False)
    _plain: tuple[str, ...] = field(init=False, repr=False, compare=False)
    _shaped: tuple[FieldSource, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        plain = [f.field for f in self.fields if f.make is None and f.path == (f.field,)]
        shaped = tuple(f for f in self.fields if f.field not in plain)
        object.__setattr__(self, "by_name", {key.name: key for key in self.keys})
        object.__setattr__(self, "_plain", tuple(plain))
        object.__setattr__(self, "_shaped", shaped)

    def made(self, values: Values, **more: Any) -> Any:
        """The record of values that are whole; ``more``: fields that no key fills alone."""
        found = values.found
        if self.record is None:
            return dict(found)
        given = {name: found[name] for name in self._plain if name in found}
        for one in self._shaped:
            if one.field not in more:
                value = _within(values, one.path)
                if value is not None:
                    given[one.field] = one.make(value) if one.make else value
        return self.record(**{**given, **more})

    def read(self, node: Node, where: Where) -> Values | Faulty:
        """The values of a nested record."""
        return self.read_marked(node, where, node)

    def read_marked(self, node: Node, where: Where, mark: Node) -> Values | Faulty:
        """The values of a record; what is missing is noted at ``mark``."""
        if isinstance(node, Scalar) and node.empty:
            node = Pairs([], mark.line, mark.column)
        if not isinstance(node, Pairs):
            names = ", ".join(key.name for key in self.keys[:4])
            got = shown(node.text) if isinstance(node, Scalar) else "a list"
            where.fault(node, f"expects a mapping of keys ({names}, ...), got {got}")
            return FAULTY
        values = Values(self, where, mark)
        known = self.by_name
        given = entries(node, where)
        values.sound = len(given) == len(node.pairs)
        written = {name.text for name, _ in given}
        for name, value in given:
            meant = name.text if name.text in known else self._refuse(name, values)
            # A misspelt key is read as what it was meant to be, so that its own faults are noted.
            if name.text in known or (meant in known and meant not in {*written, *values.nodes}):
                values.nodes[meant] = value
                self._take(known[meant], value, values)
        sources = [key for key in self.completing if key in values.nodes]
        values.complete = all(key in values.found and key in written for key in sources)
        if values.complete:
            self._add_defaults(values)
            self._check_groups(values)
        return values

    def _take(self, key: Key, node: Node, values: Values) -> None:
        value = key.kind.read(node, values.where.below(key.name))
        if value is FAULTY:
            values.sound = False
        else:
            values.found[key.name] = value

    def _refuse(self, name: Scalar, values: Values) -> str:
        """Notes an unknown key; gives the key that was meant, or ""."""
        values.sound = False
        if name.text in self.reserved:
            values.where.fault(
                name,
                f"has the key {shown(name.text)}, which is not yet read",
                self.reserved[name.text],
            )
            return ""
        known = [key.name for key in self.keys]
        if since := name_since(values.where.pattern, name.text):
            problem = f"has the key {shown(name.text)} of {FORMER}"
            values.where.fault(name, problem, f"write '{since}', or use 'allocator migrate'")
            return since
        meant = values.where.diagnostics.closest(name.text, known)
        remedy = f"did you mean '{meant}'?" if meant else values.where.diagnostics.list_of(known)
        values.where.fault(name, f"has the unknown key {shown(name.text)}", remedy)
        return meant

    def _add_defaults(self, values: Values) -> None:
        for key in self.keys:
            if key.name in values.nodes:
                continue
            if key.required:
                values.fault(key.name, f"needs the key '{key.name}'", key.sample())
            elif key.default is not None:
                values.found[key.name] = key.default

    def _check_groups(self, values: Values) -> None:
        for first, second in self.exclusive:
            if values.has(first) and values.has(second):
                values.fault_here(second, f"has both '{first}' and '{second}'", "keep one of them")
        if not self.either:
            return
        present = [group for group in self.either if any(values.has(key) for key in group)]
        choices = ", or ".join(" and ".join(f"'{key}'" for key in group) for group in self.either)
        if len(present) > 1:
            values.fault_here(present[1][0], f"has keys of more than one of: {choices}", "keep one")
        elif not present:
            values.fault_here("", f"needs {choices}", "add it")
        else:
            for name in present[0]:
                if not values.has(name):
                    values.fault(name, f"needs the key '{name}'", self.by_name[name].sample())

    def schema(self, defs: Defs) -> Schema:
        """The record as JSON Schema: in full, or a reference where it has a name of its own."""
        return (
            defs.reference(self.name, self.schema_in_full)
            if self.name
            else self.schema_in_full(defs)
        )

    def schema_in_full(self, defs: Defs) -> Schema:
        """The record as JSON Schema; only what it holds is referred to."""
        required = [key.name for key in self.keys if key.required]
        needed = bool(required or self.either)
        clauses: list[Schema] = [{"not": {"required": list(pair)}} for pair in self.exclusive]
        either = {"oneOf": [self._only(group) for group in self.either]} if self.either else {}
        if self.completing and needed:
            own = {**({"required": required} if required else {}), **either}
            given = [{"required": [name]} for name in self.completing]
            required, either = [], {"anyOf": [own, *given]}
        clauses += [either] if either else []
        return {
            "type": "object" if needed else ["object", "null"],
            "properties": {key.name: key.schema(defs) for key in self.keys},
            "additionalProperties": False,
            **({"required": required} if required else {}),
            **({"allOf": clauses} if clauses else {}),
        }

    def _only(self, group: tuple[str, ...]) -> Schema:
        others = [key for other in self.either if other != group for key in other]
        return {
            "required": list(group),
            "not": {"anyOf": [{"required": [key]} for key in others]},
        }


def _within(values: Values, path: Path) -> Any:
    """The value at a path; None where a part of the way is not there."""
    found: Any = values
    for step in path:
        if found is None:
            return None
        if isinstance(found, Values):
            found = found.found
        found = found[step] if isinstance(step, int) else found.get(step)
    return found
