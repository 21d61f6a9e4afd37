"""What of a site file an earlier search for corridors wrote, and what its user did.

A route is of an earlier search if it bears the name that one gives, has the keys that one writes
and no others, and nothing else in the file names it. A junction is if all its routes are, it has a
name of that kind and no keys but its point, and nothing else names it. Both are found again; all
else is the user's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

Tree = Mapping[str, Any]

JUNCTION = re.compile(r"junction_\d+")
OF_ROUTES = frozenset({"between", "via", "length", "ground_factor"})
OF_JUNCTIONS = frozenset({"at", "elevation"})
COURSE = ("via", "length")
"""Keys that say where a route runs or how long it is."""


@dataclass(frozen=True, slots=True)
class Former:
    """Junctions and routes of an earlier search, by name."""

    junctions: frozenset[str]
    routes: frozenset[str]


def former_of(tree: Tree) -> Former:
    """What an earlier search wrote of the tree of a site file."""
    places, routes = (_keys_of(tree, section) for section in ("places", "routes"))
    elsewhere = named_elsewhere(tree)
    made = frozenset(
        name
        for name, keys in routes.items()
        if _is_made(name, keys) and name not in elsewhere and "length" in keys
    )
    used = {end for name, keys in routes.items() if name not in made for end in keys["between"]}
    joined = {end for name in made for end in routes[name]["between"]}
    junctions = frozenset(
        name
        for name, keys in places.items()
        if JUNCTION.fullmatch(name)
        and keys.keys() <= OF_JUNCTIONS
        and name in joined - used - elsewhere
    )
    return Former(junctions, made)


def states_course(tree: Tree, route: str) -> bool:
    """Whether the file says where a route runs or how long it is, itself or by its kind."""
    keys = _keys_of(tree, "routes")[route]
    kinds = (tree.get("kinds") or {}).get("routes") or {}
    return any(key in keys or key in (kinds.get(keys.get("kind")) or {}) for key in COURSE)


def named_elsewhere(tree: Tree) -> frozenset[str]:
    """All words outside places and routes: what may be the name of one of them."""
    rest = {key: value for key, value in tree.items() if key not in ("places", "routes")}
    return frozenset(_words(rest))


def _words(value: Any) -> Iterator[str]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _words(key)
            yield from _words(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _words(inner)
    elif isinstance(value, str):
        yield value
        yield from re.findall(r"[^\s.,:;\[\]{}()]+", value)


def _is_made(name: str, keys: Tree) -> bool:
    one, other = (str(end) for end in keys["between"])
    usual = re.compile(re.escape(f"{one}_{other}") + r"(_\d+)?")
    return bool(usual.fullmatch(name)) and keys.keys() <= OF_ROUTES


def _keys_of(tree: Tree, section: str) -> dict[str, dict[str, Any]]:
    return {str(name): dict(keys or {}) for name, keys in (tree.get(section) or {}).items()}
