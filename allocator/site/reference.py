"""The key reference: Markdown tables of the keys that the records declare.

``networks/README.md`` holds them between marks, section by section; :func:`with_tables` renews it.
Run ``python -m allocator.site.reference networks/README.md`` after a key has changed.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from functools import singledispatch
from pathlib import Path

from allocator.base.quantities import DIMENSIONS, exact_text
from allocator.site.catalogue_values import CatalogueName
from allocator.site.defaults import default_text
from allocator.site.groups import ListOf, MapOf, OwnUnits
from allocator.site.kinds import (
    AsWritten,
    ByTemperature,
    Choice,
    Flag,
    Kind,
    Name,
    Quantity,
    Text,
    Whole,
)
from allocator.site.records.site import SITE
from allocator.site.shapes import ByShape, Named, OneOrList
from allocator.site.shared_values import SharedValues
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable

TOP = "site"
"""What the top level of the file is called in a mark."""
_MARKS = re.compile(r"(<!-- keys of (\w+) -->\n).*?(<!-- end of keys -->)", re.S)


def with_tables(text: str) -> str:
    """A Markdown text with the table of each section anew between its marks.

    ``<!-- keys of sources -->`` and ``<!-- end of keys -->`` enclose the keys of a source.
    """
    return _MARKS.sub(lambda found: f"{found[1]}\n{table(found[2])}\n{found[3]}", text)


def table(section: str) -> str:
    """The Markdown table of a section, such as ``sources``, or of the top level: ``site``."""
    tables = (SITE,) if section == TOP else _below(SITE.by_name[section].kind)
    rows = ["| key | value | default | meaning |", "|---|---|---|---|"]
    rows += [f"| {' | '.join(row)} |" for row in _rows(tables, "", deep=section != TOP)]
    return "\n".join([*rows, *_together(tables[0])]) + "\n"


def _rows(tables: Sequence[KeyTable], above: str, deep: bool) -> Iterator[tuple[str, ...]]:
    """A row a key of a record in one or more variants, of which the first has every key.

    Keys below another one follow it if ``deep``, as ``pump.energy`` and ``cycle[].on``.
    """
    for key in tables[0].keys:
        kinds = [table.by_name[key.name].kind for table in tables if key.name in table.by_name]
        name = f"`{above}{key.name}`{' (R)' if key.required else ''}"
        values = dict.fromkeys(value_text(kind) for kind in kinds)
        yield name, " or ".join(values), _default(key), key.about
        if deep and (below := [table for kind in kinds for table in _below(kind)]):
            item = "[]" if isinstance(key.kind, ListOf) else ""
            yield from _rows(below, f"{above}{key.name}{item}.", deep)


def _together(keys: KeyTable) -> Iterator[str]:
    """What holds of several keys."""
    for first, second in keys.exclusive:
        yield f"\nNot both: `{first}` and `{second}`."
    if keys.either:
        groups = [" and ".join(f"`{name}`" for name in group) for group in keys.either]
        yield f"\nOne of these must be there: {', or '.join(groups)}."


def _below(kind: Kind) -> tuple[KeyTable, ...]:
    """The keys of the records that a key holds, in each variant of the record."""
    if isinstance(kind, Named):
        table = kind.table
        return (table,) if isinstance(table, KeyTable) else (table.other, table.matching)
    if isinstance(kind, ListOf):
        return _below(kind.kind)
    return (kind,) if isinstance(kind, KeyTable) else ()


def _default(key: Key) -> str:
    return key.left_out if key.default is None else f"`{default_text(key)}`"


@singledispatch
def value_text(kind: Kind) -> str:
    """What a value may be, for the reference."""
    return _WORDS[type(kind)]


_WORDS: Mapping[type, str] = {
    Text: "text",
    Flag: "`true`, `false`",
    Whole: "whole number",
    AsWritten: "size",
    OwnUnits: "name: duration",
    KeyTable: "keys",
    Named: "name: keys",
    SharedValues: "section: name: keys",
    CatalogueName: "name in the catalogue",
}


_EVERYDAY = {"number", "share", "money", "length", "duration", "mass", "temperature", "pressure"}
"""Dimensions of which a reader needs no example."""


@value_text.register
def _(kind: Quantity) -> str:
    dimension = DIMENSIONS[kind.dimension]
    text = dimension.name
    if kind.dimension != "share":
        text += f" from {kind.least:g} on" if kind.least else ""
        text += f" up to {exact_text(kind.most, kind.dimension)}" if kind.most else ""
    return text if kind.dimension in _EVERYDAY else f"{text}, `{dimension.example}`"


@value_text.register
def _(kind: Ranged) -> str:
    return f"{value_text(Quantity(kind.dimension))} or range"


@value_text.register
def _(kind: ByTemperature) -> str:
    example = DIMENSIONS[kind.dimension].example
    return f"`{example}`, or list of [temperature, value]"


@value_text.register
def _(kind: Choice) -> str:
    return ", ".join(f"`{word}`" for word in kind.options)


@value_text.register
def _(kind: Name) -> str:
    return " or ".join([kind.singular, *(f"`{word}`" for word in kind.also)])


@value_text.register
def _(kind: ListOf) -> str:
    if kind.most is not None and kind.most == kind.least:
        one = kind.kind
        word = DIMENSIONS[one.dimension].name if isinstance(one, Quantity) else value_text(one)
        return f"[{', '.join([word] * kind.least)}]"
    if isinstance(kind.kind, KeyTable):
        return f"list of `{{{', '.join(key.name for key in kind.kind.keys)}}}`"
    plural = isinstance(kind.kind, Name | Quantity)
    return f"list of {value_text(kind.kind)}{'s' if plural else ''}"


@value_text.register
def _(kind: MapOf) -> str:
    own = f"{kind.name.singular}: {value_text(kind.kind)}"
    return "; ".join([own, *(f"`{word}`: {value_text(k)}" for word, k in kind.special.items())])


@value_text.register
def _(kind: OneOrList) -> str:
    return f"{value_text(kind.listed.kind)}, or a list of such values"


@value_text.register
def _(kind: ByShape) -> str:
    if isinstance(kind.mapping, KeyTable):
        (key,) = kind.mapping.keys
        return f"{value_text(kind.flat)}, or `{{{key.name}: file}}`"
    return f"{value_text(kind.mapping)}, or {value_text(kind.flat)}"


def main(paths: Sequence[str]) -> None:
    """Renew the tables in files."""
    for path in map(Path, paths):
        path.write_text(with_tables(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
