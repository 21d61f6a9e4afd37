"""Versions of the site file: keys of format 1 and what they are called since format 2."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from allocator.site.nodes import Items, Node, Pairs, Scalar

FORMAT = "allocator.site/2"
FORMER = "allocator.site/1"

_INLET = {"hottest_inlet": "max_inlet_temperature"}
RENAMED: Mapping[str, Mapping[str, str]] = {
    "": {
        "stores": "storage",
        "builds": "pipes",
        "lines": "power_lines",
        "baths": "heat_sinks",
    },
    "materials.*": {"hottest": "max_temperature"},
    "sources.*": {"next_spell": "next_start", "sure": "reliable", "tap": "connection"},
    "sources.*.pump": _INLET,
    "sources.*.pump.chamber": {"least": "min_pressure"},
    "storage.*": _INLET,
    "storage.*.size": {"least": "min", "most": "max"},
    "pipes.*": {"velocity": "max_velocity", "mach": "max_mach", "hottest": "max_temperature"},
    "routes.*": {
        "winding": "detour_factor",
        "builds": "pipes",
        "buried": "burial_depth",
        "surface_limit": "max_surface_temperature",
    },
    "machines.*": {
        "takes": "inputs",
        "gives": "outputs",
        "least_load": "min_load",
        "least_run": "min_up_time",
        "least_rest": "min_down_time",
        "most": "max_units",
        "outlet": "outlet_temperature",
        **_INLET,
    },
    "demands.*": {"least_share": "min_share", **_INLET},
    "built": {
        "taps": "sources",
        "runs": "pipes",
        "lines": "power_lines",
        "stores": "storage",
    },
    "built.pipes.*": {"build": "pipe"},
    "heat_sinks.*": {
        "most": "max_mass",
        "start": "initial_temperature",
        "loss": "loss_conductance",
        "contact": "effectiveness",
        "hottest": "max_temperature",
        "hottest_outlet": "max_outlet_temperature",
    },
    "heat_sinks.*.recovery": {"cold": "cold_temperature"},
}
"""Keys of format 1 -> their names since format 2, by where they stand.

A star stands for a name of the user's own, or for an item of a list; the keys above are named as
in format 2.
"""


class Renaming(NamedTuple):
    """A key of a format 1 file: where it is written, and its name since format 2."""

    key: Scalar
    name: str


def renamings(root: Node, path: tuple[str, ...] = ()) -> Iterator[Renaming]:
    """Every key below a node at ``path`` that has another name since format 2."""
    if isinstance(root, Items):
        for item in root.items:
            yield from renamings(item, (*path, "*"))
    if not isinstance(root, Pairs) or len(path) > DEEPEST:
        return
    names = RENAMED.get(".".join(path), {})
    for key, value in root.pairs:
        if isinstance(key, Scalar):
            name = names.get(key.text, key.text)
            if name != key.text:
                yield Renaming(key, name)
            yield from renamings(value, (*path, "*" if path in OF_NAMES else name))


OF_NAMES = frozenset((rule.split(".")[0],) for rule in RENAMED if re.match(r"\w+\.\*", rule)) - {
    ("built",)
}
"""Sections whose keys are names of the user's own."""
DEEPEST = max(len(rule.split(".")) for rule in RENAMED)


def renamed(root: Node) -> int:
    """Give keys of a format 1 file their names of format 2, in the tree; how many there were."""
    found = list(renamings(root))
    for key, name in found:  # after the walk: an alias shows the same key more than once
        key.text = name
    return len({id(key) for key, _ in found})


def migrated_text(text: str, root: Node) -> tuple[str, int]:
    """The text of a format 1 file as one of format 2, and how many keys it renames.

    Comments, order and layout stay. ``root``: the tree of the text.
    """
    lines = text.splitlines(keepends=True)
    edits = {(key.line, key.column, key.text, name) for key, name in renamings(root)}
    count = len(edits)
    node = format_node(root)
    if node is not None:
        edits.add((node.line, node.column, FORMER, FORMAT))
    for line, column, old, new in sorted(edits, reverse=True):
        written = lines[line - 1]
        start = written.find(old, column - 1)
        lines[line - 1] = written[:start] + new + written[start + len(old) :]
    return "".join(lines), count


def format_node(root: Node) -> Scalar | None:
    """The value of ``format`` at the top of a file, where it is text."""
    if not isinstance(root, Pairs):
        return None
    for key, value in root.pairs:
        if isinstance(key, Scalar) and key.text == "format" and isinstance(value, Scalar):
            return value
    return None


def name_since(path: str, key: str) -> str:
    """What a key of format 1 is called since format 2 at a path such as ``sources.*``, or ""."""
    return RENAMED.get(path, {}).get(key, "")
