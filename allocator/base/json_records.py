"""Records that declare their JSON: each field says its key, its kind and what it is, once.

From that one declaration a record is written, read, described as JSON Schema and listed for people.
The kind of a field follows from its type, unless the field gives a narrower one.
"""

from __future__ import annotations

import dataclasses
import difflib
import functools
import inspect
import typing
from collections.abc import Callable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass, field
from types import NoneType, UnionType
from typing import Any, TypeVar, dataclass_transform

from allocator.base.json_kinds import (
    Defs,
    JsonFlag,
    JsonKind,
    JsonNamed,
    JsonRows,
    JsonText,
    JsonWhole,
    Maybe,
    Number,
    Problem,
    Row,
    Schema,
    must_be,
)

T = TypeVar("T")
_KEYS, _AFTER = "json_keys", "json_after"
_BY_TYPE = JsonKind()
"""Stands for the kind that follows from a field's type."""


@dataclass(frozen=True, slots=True)
class JsonKey:
    """One key of an object: what it is called in the file, and in the record.

    ``text``: a sentence that says what it is. ``optional``: left out of the file where the value
    is empty or None, and the record's own default where it is not in the file. A new fact of a
    plan is optional, so that older plans can still be read.
    """

    name: str
    kind: JsonKind
    text: str
    attribute: str = ""
    optional: bool = False

    @property
    def field(self) -> str:
        """The record's name for it."""
        return self.attribute or self.name


def fact(
    key: str,
    text: str,
    kind: JsonKind | None = None,
    *,
    optional: bool = False,
    default: Any = dataclasses.MISSING,
    default_factory: Any = dataclasses.MISSING,
    after: str | None = None,
) -> Any:
    """A field of a :func:`record` that stands in the file.

    Parameters
    ----------
    key
        Its key in the file, with the SI unit.
    text
        One sentence that says what it is.
    kind
        What the value may be; by default what follows from the field's type.
    optional
        As of :class:`JsonKey`.
    default, default_factory
        As of :func:`dataclasses.field`.
    after
        The field that it follows in the file (``""``: it stands first), where a default keeps it
        from that place in the record.
    """
    stated = JsonKey(key, kind or _BY_TYPE, text, optional=optional)
    metadata = {_KEYS: (stated,), _AFTER: after}
    return field(default=default, default_factory=default_factory, metadata=metadata)


def fact_in_keys(*keys: JsonKey) -> Any:
    """A field that the file tells in other keys than one of its own; see :func:`record_kind`."""
    return field(metadata={_KEYS: keys})


@dataclass_transform(frozen_default=True, field_specifiers=(fact, fact_in_keys, field))
def record(cls: type[T]) -> type[T]:
    """A frozen dataclass with slots, whose fields may be facts; its docstring lists them."""
    # a class that shows itself keeps its own repr
    own = cls.__repr__ is object.__repr__
    made = dataclass(frozen=True, slots=True, repr=own)(cls)
    lines = ["Attributes", "----------"]
    for one in dataclasses.fields(made):  # type: ignore[arg-type]
        keys = one.metadata.get(_KEYS, ())
        lines += [one.name] if keys else []
        lines += [f"    ``{key.name}``: {key.text}" for key in keys]
    made.__doc__ = "\n".join([inspect.getdoc(cls) or "", "", *lines, ""])
    return made


def kind_of(hint: Any) -> JsonKind:
    """The kind of JSON value that holds what a type annotation says.

    Raises
    ------
    TypeError
        Nothing in JSON follows from the annotation.
    """
    origin, of = typing.get_origin(hint), typing.get_args(hint)
    if hint in _PLAIN:
        return _PLAIN[hint]
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return record_kind(hint)
    if origin in (UnionType, typing.Union) and len(of) == 2 and NoneType in of:
        return Maybe(kind_of(next(one for one in of if one is not NoneType)))
    if origin is tuple and of[1:] == (...,):
        return JsonRows(kind_of(of[0]))
    if origin is Mapping and of[0] is str:
        return JsonNamed(kind_of(of[1]))
    raise TypeError(f"no kind of JSON value follows from {hint!r}: give the field one")


_PLAIN: dict[Any, JsonKind] = {
    str: JsonText(),
    float: Number(),
    int: JsonWhole(),
    bool: JsonFlag(),
}


@functools.cache
def keys_of(cls: type) -> tuple[JsonKey, ...]:
    """The keys of a record in the order of the file."""
    hints = typing.get_type_hints(cls)
    found: list[JsonKey] = []
    for one in dataclasses.fields(cls):
        keys, place = one.metadata.get(_KEYS, ()), len(found)
        if _AFTER in one.metadata:
            (key,) = keys
            kind = kind_of(hints[one.name]) if key.kind is _BY_TYPE else key.kind
            keys = (dataclasses.replace(key, kind=kind, attribute=one.name),)
            after = one.metadata[_AFTER]
            if after is not None:
                place = [key.field for key in found].index(after) + 1 if after else 0
        found[place:place] = keys
    return tuple(found)


def _attributes(_: Any) -> Mapping[str, Any]:
    return {}


@dataclass(frozen=True, slots=True)
class JsonObject(JsonKind):
    """An object with exactly these keys.

    ``name`` and ``text``: in the schema. ``make`` builds the value from what was read, by field of
    the keys. ``take`` gives, by field, what is no attribute of the value.
    """

    name: str
    text: str
    keys: Sequence[JsonKey]
    make: Callable[..., Any] = dict
    take: Callable[[Any], Mapping[str, Any]] = _attributes

    def write(self, value: Any) -> Any:
        data, taken = {}, self.take(value)
        for key in self.keys:
            found = taken[key.field] if key.field in taken else getattr(value, key.field)
            if not (key.optional and _empty(found)):
                data[key.name] = key.kind.write(found)
        return data

    def read(self, value: Any, path: str, problems: list[Problem]) -> Any:
        if not isinstance(value, dict):
            return must_be("an object", value, path, problems)
        before = len(problems)
        known = [key.name for key in self.keys]
        for name in value:
            if name not in known:
                close = difflib.get_close_matches(name, known, 1)
                remedy = f"did you mean {close[0]!r}?" if close else ""
                problems.append(Problem(f"{path}.{name}", "is not a key of a plan", remedy))
        found = {}
        for key in self.keys:
            if key.name in value:
                found[key.field] = key.kind.read(value[key.name], f"{path}.{key.name}", problems)
            elif not key.optional:
                problems.append(Problem(f"{path}.{key.name}", "is missing"))
        if len(problems) > before:
            return None
        try:
            return self.make(**found)
        except ValueError as error:
            problems.append(Problem(path, str(error)))
            return None

    def whole_schema(self, defs: Defs) -> Schema:
        """The schema of the object itself, where :meth:`schema` refers to it."""
        return {
            "description": self.text,
            "type": "object",
            "properties": {
                key.name: {"description": key.text, **key.kind.schema(defs)} for key in self.keys
            },
            "required": [key.name for key in self.keys if not key.optional],
            "additionalProperties": False,
        }

    def schema(self, defs: Defs) -> Schema:
        if self.name not in defs:
            defs[self.name] = self.whole_schema(defs)
        return {"$ref": f"#/$defs/{self.name}"}

    def words(self) -> str:
        return "object"

    def rows(self, path: str) -> Iterator[Row]:
        for key in self.keys:
            words = key.kind.words() + ("; may be left out" if key.optional else "")
            here = f"{path}.{key.name}" if path else key.name
            yield here, words, key.text
            yield from key.kind.rows(here)


def record_kind(
    cls: type,
    make: Callable[..., Any] | None = None,
    take: Callable[[Any], Mapping[str, Any]] = _attributes,
) -> JsonObject:
    """The object that holds a :func:`record`, described by the first sentence of its docstring.

    ``make`` and ``take``: as of :class:`JsonObject`, for a record with :func:`fact_in_keys`.
    """
    text = (inspect.getdoc(cls) or "").split("\n\n")[0].replace("\n", " ")
    return JsonObject(cls.__name__, text, keys_of(cls), make or cls, take)


def _empty(value: Any) -> bool:
    if type(value) is int:  # a number of things of which there are none
        return value == 0
    return value is None or (isinstance(value, Sized) and len(value) == 0)
