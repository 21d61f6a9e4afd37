"""Values that a site has because its file does not say them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from allocator.base.quantities import exact_text
from allocator.site.kinds import Quantity, TwoWords
from allocator.site.table import Key, KeyTable, Values

AMBIENT = "ambient"


@dataclass(frozen=True, slots=True)
class DefaultValue:
    """A key, such as ``pipes.*.roughness``, its default, and how many things have it."""

    key: str
    text: str
    things: int


def defaults_of(values: Values) -> tuple[DefaultValue, ...]:
    """The defaults that hold in what was read, each key once, in the order of the keys."""
    found: dict[tuple[str, str], int] = {}
    for key, text in _missing(values, ""):
        found[key, text] = found.get((key, text), 0) + 1
    return tuple(DefaultValue(key, text, count) for (key, text), count in found.items())


def _missing(values: Values, above: str) -> Iterator[tuple[str, str]]:
    for key in values.table.keys:
        if key.name in values.nodes:
            yield from _within(values.found.get(key.name), f"{above}{key.name}")
        elif key.default is not None:
            yield f"{above}{key.name}", default_text(key)
        elif key.name == AMBIENT and isinstance(key.kind, KeyTable):  # always there
            for one in (one for one in key.kind.keys if one.default is not None):
                yield f"{above}{key.name}.{one.name}", default_text(one)


def _within(value: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, Values):
        yield from _missing(value, f"{path}.")
    elif isinstance(value, dict):
        for one in value.values():
            yield from _within(one, f"{path}.*")
    elif isinstance(value, tuple):
        for one in value:
            yield from _within(one, f"{path}[]")


def default_text(key: Key) -> str:
    """The default of a key as a file would say it."""
    if isinstance(key.kind, Quantity):
        return exact_text(key.default, key.kind.dimension)
    if isinstance(key.kind, TwoWords):
        return str(key.kind.options[key.default])
    return str(key.default).lower()
