"""The one declaration of a key of the site file: at the field of the record that it fills.

A record is a class with :func:`record`; its fields are declared with :func:`key` and :func:`part`.
Fields without either are filled by the checks of :mod:`allocator.site.reading`. From these follow
the table by which the reader reads, the record made of what was read, the JSON Schema, the key
reference (:mod:`allocator.site.reference`) and the text of a site (:mod:`allocator.site.writing`).
"""

from __future__ import annotations

import dataclasses
import inspect
import re
import textwrap
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar, dataclass_transform

from allocator.base.quantities import DIMENSIONS
from allocator.site.groups import ListOf, MapOf
from allocator.site.kinds import Kind, Quantity
from allocator.site.shapes import ByShape, Variants
from allocator.site.table import FieldSource, Key, KeyTable, Path

Record = TypeVar("Record")
_MISSING = dataclasses.MISSING


@dataclass(frozen=True, slots=True)
class KeyGroup:
    """Several keys below one: ``connection: {materials: ..., price: ...}``."""

    about: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class ByVariant:
    """A kind that depends on the variant of the record; a variant not named has no such key."""

    kinds: Mapping[str, Kind]


@dataclass(frozen=True, slots=True)
class _Declared:
    """What a field's metadata hold. ``kind``: None where another field declares the key."""

    kind: Kind | ByVariant | None
    about: str
    at: str
    required: bool = False
    default: Any = None
    left_out: str = ""
    also: tuple[Key, ...] = ()

    def path(self, field_name: str) -> Path:
        """The way to the value within what was read."""
        steps = re.findall(r"[^.\[\]]+", self.at or field_name)
        return tuple(int(step) - 1 if step.isdigit() else step for step in steps)


@dataclass(frozen=True, slots=True)
class _Options:
    first: tuple[str, ...] = ()
    groups: Mapping[str, KeyGroup] = field(default_factory=dict)
    reserved: Mapping[str, str] = field(default_factory=dict)
    exclusive: tuple[tuple[str, str], ...] = ()
    either: tuple[tuple[str, ...], ...] = ()
    completing: tuple[Key, ...] = ()


_OPTIONS: dict[type, _Options] = {}
_TABLES: dict[tuple[type, str], KeyTable] = {}


def key(
    kind: Kind | ByVariant,
    about: str,
    *,
    default: Any = _MISSING,
    at: str = "",
    required: bool | None = None,
    left_out: str = "",
    in_file: Any = None,
    also: tuple[Key, ...] = (),
) -> Any:
    """Declare a field that a key of the site file fills.

    Parameters
    ----------
    kind
        What the value may be.
    about
        Sentences for the key reference and the schema; the first one is said where it is missing.
    default
        Of the field, in SI, and of a file without the key.
    at
        The key, if it is not named as the field: ``cycle``; ``size.max`` is the key ``max`` below
        ``size``; ``between[1]`` is the first item of the key ``between``.
    required
        Whether the key must be there. If not said: where the field has no default.
    left_out
        Words for what holds without the key, where no default says it.
    in_file
        What a file without the key has, where that is not the field's default.
    also
        Other keys that fill the field, by a check of :mod:`allocator.site.reading`.
    """
    needed = default is _MISSING if required is None else required
    value = default if in_file is None else in_file
    plain = isinstance(value, bool | int | float | str) and value != ""
    known = value if plain and not needed else None
    return _field(_Declared(kind, about, at, needed, known, left_out, also), default)


def part(at: str, *, default: Any = _MISSING) -> Any:
    """Declare a field that a part of another field's key fills: ``part("between[2]")``."""
    return _field(_Declared(None, "", at), default)


def _field(declared: _Declared, default: Any) -> Any:
    metadata = {_Declared: declared}
    if default is _MISSING:
        return field(metadata=metadata)
    if isinstance(default, dict):
        return field(default_factory=dict, metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass_transform(frozen_default=True, field_specifiers=(key, part, field))
def record(
    *,
    first: tuple[str, ...] = (),
    groups: Mapping[str, KeyGroup] | None = None,
    reserved: Mapping[str, str] | None = None,
    exclusive: tuple[tuple[str, str], ...] = (),
    either: tuple[tuple[str, ...], ...] = (),
    completing: tuple[Key, ...] = (),
) -> Callable[[type[Record]], type[Record]]:
    """Make a class a frozen dataclass with slots whose fields declare keys of the site file.

    Its docstring then lists the fields that keys fill.

    ``first``: keys that stand before the others in messages and in the reference, which follow
    the order of the fields. ``completing``: keys that name where other keys get their values if
    they are not given, such as ``kind``. The rest: see :class:`~allocator.site.table.KeyTable`.
    """
    options = _Options(first, groups or {}, reserved or {}, exclusive, either, completing)

    def made(cls: type[Record]) -> type[Record]:
        whole = dataclass(frozen=True, slots=True)(cls)
        whole.__doc__ = f"{inspect.getdoc(cls)}\n\n{_attributes(whole)}"
        _OPTIONS[whole] = options
        return whole

    return made


def _attributes(cls: type[Any]) -> str:
    """The section of a docstring that lists the fields that keys fill."""
    lines = ["Attributes", "----------"]
    for one in dataclasses.fields(cls):
        declared: _Declared | None = one.metadata.get(_Declared)
        if declared is not None and declared.kind is not None:
            unit = " or ".join(dict.fromkeys(_si(declared.kind)))
            absent = f" None: {declared.left_out}." if declared.left_out else ""
            said = f"{declared.about}.{f' In {unit}.' if unit else ''}"
            said += absent if one.default is None else ""
            lines += [one.name, *(f"    {line}" for line in textwrap.wrap(said, 92))]
    return "\n".join(lines) + "\n"


def _si(kind: Kind | ByVariant) -> Iterator[str]:
    """The SI units of what a kind holds."""
    if isinstance(kind, ByVariant):
        for one in kind.kinds.values():
            yield from _si(one)
    elif isinstance(kind, Quantity) and DIMENSIONS[kind.dimension].si != "1":
        si = DIMENSIONS[kind.dimension].si
        yield f"money{si[1:]}" if kind.dimension.startswith("money") else si
    elif isinstance(kind, ListOf | MapOf):
        yield from _si(kind.kind)


def table_of(cls: type[Any], variant: str = "") -> KeyTable:
    """The keys of a record, as its fields declare them; made once."""
    if (cls, variant) not in _TABLES:
        _TABLES[cls, variant] = _table(cls, variant)
    return _TABLES[cls, variant]


def kinds_of(cls: type[Any], variant: str = "") -> dict[str, Kind]:
    """The kinds of the fields of a record that keys fill; of a variant where they differ by it."""
    found: dict[str, Kind] = {}
    for one in dataclasses.fields(cls):
        declared: _Declared | None = one.metadata.get(_Declared)
        kind = None if declared is None else declared.kind
        if isinstance(kind, ByVariant):
            kind = kind.kinds.get(variant, next(iter(kind.kinds.values())))
        if kind is not None:
            found[one.name] = kind
    return found


def _table(cls: type[Any], variant: str) -> KeyTable:
    options = _OPTIONS[cls]
    keys: dict[str, Key | list[Key]] = {name: [] for name in options.first}
    fields: list[FieldSource] = []
    for one in dataclasses.fields(cls):
        declared: _Declared | None = one.metadata.get(_Declared)
        if declared is None:
            continue
        path, kind = declared.path(one.name), declared.kind
        if isinstance(kind, ByVariant):
            kind = kind.kinds.get(variant)
            if kind is None:
                continue
        fields.append(FieldSource(one.name, path, maker(kind)))
        if kind is not None:
            _add(keys, path, kind, declared)
        keys.update((own.name, own) for own in declared.also)
    keys.update((own.name, own) for own in options.completing)
    return KeyTable(
        tuple(_joined(name, found, options) for name, found in keys.items()),
        _schema_name(cls, variant),
        options.reserved,
        options.exclusive,
        options.either,
        cls,
        tuple(fields),
        tuple(own.name for own in options.completing),
    )


def _add(keys: dict[str, Key | list[Key]], path: Path, kind: Kind, declared: _Declared) -> None:
    """Adds a key where it belongs: by itself, or to the keys of its group."""
    group, *rest = map(str, path[:2] if isinstance(path[-1], str) else path[:1])
    name = rest[0] if rest else group
    default = declared.default if isinstance(path[-1], str) else None
    own = Key(name, kind, declared.about, declared.required, default, declared.left_out)
    if not rest:
        keys[group] = own
        return
    below = keys.get(group) or []
    assert isinstance(below, list)
    keys[group] = [*below, own]


def _joined(name: str, found: Key | list[Key], options: _Options) -> Key:
    if isinstance(found, Key):
        return found
    group = options.groups[name]
    return Key(name, KeyTable(tuple(found)), group.about, group.required)


def _schema_name(cls: type[Any], variant: str) -> str:
    words = re.sub(r"(?<!^)(?=[A-Z])", "_", cls.__name__).lower()
    return f"{words}_of_{variant}" if variant else words


def variants_of(cls: type[Any], name: str, word: str, other: str) -> Variants:
    """A record in the variant ``word`` where the key ``name`` holds that word, else ``other``."""
    return Variants(name, word, table_of(cls, word), table_of(cls, other))


def maker(kind: Kind | None) -> Callable[[Any], Any] | None:
    """What makes the value of a field of what a kind reads; None where that is the value."""
    if isinstance(kind, KeyTable):
        return kind.made
    if isinstance(kind, ListOf):
        item = maker(kind.kind)
        return None if item is None else lambda values: tuple(map(item, values))
    if isinstance(kind, MapOf):
        special = kind.special
        return lambda held: {name: value for name, value in held.items() if name not in special}
    if isinstance(kind, ByShape) and isinstance(kind.flat, ListOf):
        return lambda held: dict.fromkeys(held) if isinstance(held, tuple) else dict(held)
    return None
