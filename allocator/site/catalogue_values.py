"""``catalogue`` at a fluid or a pipe: values put in place before the file is read.

What is given at the thing or by its kind wins; of ``constants`` each key by itself. The nodes put
in have the line and column of the name, so that a fault in them is shown there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from allocator.base.quantities import shown
from allocator.site.catalogue import FLUIDS, PIPES, CatalogueFluid, CataloguePipe, CatalogueValue
from allocator.site.diagnostics import Where
from allocator.site.kinds import FAULTY, Defs, Faulty, Schema, expects
from allocator.site.nodes import Items, Node, Pairs, Scalar
from allocator.site.shared_values import texts, value_of
from allocator.site.table import Key

CATALOGUE = "catalogue"
_OF: Mapping[str, Mapping[str, CatalogueFluid] | Mapping[str, CataloguePipe]] = {
    "fluids": FLUIDS,
    "pipes": PIPES,
}


@dataclass(frozen=True, slots=True)
class CatalogueName:
    """A name in a section of the catalogue."""

    section: str

    def read(self, node: Node, where: Where) -> str | Faulty:
        """The name if the catalogue has it."""
        if not isinstance(node, Scalar) or node.empty:
            return expects(node, where, "a name of the catalogue")
        if node.text not in _OF[self.section]:
            close = where.diagnostics.guess(node.text, _OF[self.section])
            remedy = close or f"'allocator catalogue {self.section}' lists the names"
            where.fault(node, f"{shown(node.text)} is not in the catalogue", remedy)
            return FAULTY
        return node.text

    def schema(self, defs: Defs) -> Schema:
        """The names."""
        return {"enum": list(_OF[self.section])}


def catalogue_key(section: str) -> Key:
    """The key ``catalogue`` of the things of a section."""
    about = "Name in the catalogue, which gives values that the file does not give"
    return Key(CATALOGUE, CatalogueName(section), about)


def put_catalogue_in_place(root: Node, sections: Mapping[str, str]) -> dict[str, CatalogueValue]:
    """Complete every fluid and pipe that names the catalogue, in the tree.

    Returns
    -------
    dict
        Address of each value that was put in, such as ``fluids.gas.heating_value`` -> the value.
    """
    taken: dict[str, CatalogueValue] = {}
    for key, things in texts(root):
        section = sections.get(key.text, "")
        if section not in _OF or not isinstance(things, Pairs):
            continue
        for place, (name, thing) in enumerate(things.pairs):
            named = value_of(thing, CATALOGUE)
            if not isinstance(named, Scalar) or not isinstance(name, Scalar):
                continue
            entry = _OF[section].get(named.text)
            if entry and isinstance(thing, Pairs):
                whole = _copy(thing)
                for value in entry.values:
                    if _put(whole, re.split(r"[.\[]", value.key), value.text, named):
                        taken[f"{section}.{name.text}.{value.key}"] = value
                things.pairs[place] = (name, whole)
    return taken


def _copy(thing: Pairs) -> Pairs:
    """A copy of a mapping that may be changed: an alias or a kind may share what is below."""
    pairs: list[tuple[Node, Node]] = []
    for key, value in thing.pairs:
        if isinstance(value, Pairs):
            value = _copy(value)
        elif isinstance(value, Items):
            items = [_copy(item) if isinstance(item, Pairs) else item for item in value.items]
            value = Items(items, value.line, value.column)
        pairs.append((key, value))
    return Pairs(pairs, thing.line, thing.column)


def _put(thing: Pairs, path: list[str], text: str, mark: Node) -> bool:
    """Put a value where a key path leads, unless the file gives it; whether it was put in."""
    step, *below = path
    held = value_of(thing, step)
    if not below:
        if held is not None:
            return False
        thing.pairs.append((_scalar(step, mark), _value(text, mark)))
        return True
    if below[0].endswith("]"):  # the first item of a list that the file gives
        first = held.items[0] if isinstance(held, Items) and held.items else None
        if not isinstance(first, Pairs) or value_of(first, "mass") is not None:
            return False
        return _put(first, below[1:], text, mark)
    if held is None:
        held = Pairs([], mark.line, mark.column)
        thing.pairs.append((_scalar(step, mark), held))
    return isinstance(held, Pairs) and _put(held, below, text, mark)


def _value(text: str, mark: Node) -> Node:
    """A scalar, or the list that a text in brackets is."""
    if not text.startswith("["):
        return _scalar(text, mark)
    words = text.strip("[]").split(", ")
    return Items([_scalar(word, mark) for word in words], mark.line, mark.column)


def _scalar(text: str, mark: Node) -> Scalar:
    return Scalar(text, True, mark.line, mark.column)
