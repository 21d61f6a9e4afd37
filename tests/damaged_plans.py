"""Plan files damaged at random: what is wrong with each is known, so is what must be said of it."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

Path = tuple[str | int, ...]

OPTIONAL = (
    "rules", "heat", "prices", "withstands", "set_points", "recoveries", "baths", "mix",
    "receiver_kg", "chambers", "level_surplus_w",
)  # fmt: skip
"""Keys that a plan file may leave out."""


class Damage(NamedTuple):
    """``text``: the file. ``what``: in words. ``path``: the JSON place of the fault, empty where

    it is that of the whole text; None where the file still is a plan, true or false."""

    text: str
    what: str
    path: str | None


def leaves(value: Any, path: Path = ()) -> Iterator[Path]:
    """Paths of everything in JSON data, objects and lists as well, but not the whole."""
    if path:
        yield path
    items: Any = ()
    if isinstance(value, dict):
        items = value.items()
    elif isinstance(value, list):
        items = enumerate(value)
    for key, item in items:
        yield from leaves(item, (*path, key))


def place(path: Path) -> str:
    """A path as messages show it."""
    return "$" + "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)


def at(data: Any, path: Path) -> Any:
    for step in path:
        data = data[step]
    return data


def put(data: Any, path: Path, value: Any) -> Any:
    """A copy of the data with another value at a path."""
    changed = copy.deepcopy(data)
    at(changed, path[:-1])[path[-1]] = value
    return changed


def damaged(data: Any, draw: random.Random) -> Damage:
    """One damage to the data of a plan file, by a seeded generator."""
    return draw.choice(KINDS)(data, draw)


def _some(data: Any, draw: random.Random, wanted: Callable[[Any], bool]) -> Path:
    return draw.choice([path for path in leaves(data) if wanted(at(data, path))])


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _without_key(data: Any, draw: random.Random) -> Damage:
    path = _some(data, draw, lambda value: isinstance(value, dict) and len(value) > 0)
    key = draw.choice(list(at(data, path)))
    changed = copy.deepcopy(data)
    del at(changed, path)[key]
    named = _by_names(path) or key in OPTIONAL
    return Damage(
        json.dumps(changed), f"no {key} in {place(path)}", None if named else place((*path, key))
    )


def _by_names(path: Path) -> bool:
    """Whether an object has names of the site as its keys."""
    ends = (
        "collect_kg_s", "direct_mean_kg_s", "draw_mean_kg_s", "levelled_mean_w", "burst_part_j",
        "level_surplus_w",
        "release_mean_w", "following", "burst", "receiver_kg", "by_fluid_kg_s", "flow_kg_s",
        "power_w",
    )  # fmt: skip
    return bool({*path[-2:]} & {*ends})


OTHERS: tuple[Any, ...] = (
    None, True, False, "text", "", [], {}, [[]], [None], {"a": 1}, {"": {}}, -1, 0, 3.5, "41 kW",
    [1, 2, 3], "\ud800",
)  # fmt: skip


def _other_type(data: Any, draw: random.Random) -> Damage:
    path = draw.choice(list(leaves(data)))
    before = at(data, path)
    other = draw.choice([o for o in OTHERS if type(o) is not type(before)])
    fits = _number(before) and _number(other) and not isinstance(other, float)
    fits = fits or other is None or before is None
    fits = fits or (isinstance(before, list) and other == [])
    return Damage(
        json.dumps(put(data, path, other)),
        f"{other!r} at {place(path)}",
        None if fits else place(path),
    )


HUGE = ("NaN", "Infinity", "-Infinity", "1e400", "-1e400", "1e200", "-1e31", "9" * 400, "9" * 5000)


def _no_number(data: Any, draw: random.Random) -> Damage:
    path = _some(data, draw, _number)
    word = draw.choice(HUGE)
    text = json.dumps(put(data, path, "@@")).replace('"@@"', word)
    whole = word in ("NaN", "Infinity", "-Infinity") or len(word) > 4300
    return Damage(text, f"{word[:12]} at {place(path)}", "$" if whole else place(path))


def _cut_off(data: Any, draw: random.Random) -> Damage:
    text = json.dumps(data, indent=2)
    return Damage(text[: draw.randrange(len(text))], "cut off", "$")


def _other_bytes(data: Any, draw: random.Random) -> Damage:
    text = json.dumps(data, indent=2)
    start = draw.randrange(len(text))
    other = "".join(draw.choice('{}[]",:0 e\\\n') for _ in range(draw.randrange(1, 5)))
    return Damage(text[:start] + other + text[start + draw.randrange(4) :], "other letters", None)


def _wrong_name(data: Any, draw: random.Random) -> Damage:
    keys = ("name", "type", "place", "route", "build", "fluid", "start", "end", "carries", "source")
    paths = [path for path in leaves(data) if path[-1] in keys and isinstance(at(data, path), str)]
    paths = [path for path in paths if path[0] in NAMED and at(data, path)]
    if not paths:
        return _cut_off(data, draw)
    path = draw.choice(paths)
    refers = path[-1] != "name" or path[0] in ("sources", "demands", "lines", "materials", "baths")
    return Damage(
        json.dumps(put(data, path, "nobody")),
        f"a wrong name at {place(path)}",
        place(path) if refers else None,
    )


NAMED = (
    "sources", "stores", "batteries", "runs", "lines", "machines", "demands", "materials", "baths",
    "recoveries",
)  # fmt: skip
"""Parts whose rows go by names of the site."""


def _wrong_key(data: Any, draw: random.Random) -> Damage:
    path = _some(data, draw, lambda value: isinstance(value, dict))
    changed = copy.deepcopy(data)
    at(changed, path)["nobody"] = draw.choice([0.0, {}, "text"])
    return Damage(json.dumps(changed), f"a key more in {place(path)}", f"{place(path)}.nobody")


def _nested(data: Any, draw: random.Random) -> Damage:
    path = draw.choice(list(leaves(data)))
    deep = draw.choice((3, 90, 5000, 200_000))
    text = json.dumps(put(data, path, "@@")).replace('"@@"', "[" * deep + "]" * deep)
    fits = isinstance(at(data, path), list)
    return Damage(text, f"{deep} lists at {place(path)}", "$" if deep > 3000 or not fits else None)


def _swapped(data: Any, draw: random.Random) -> Damage:
    paths = [path for path in leaves(data) if isinstance(at(data, path), (list, dict))]
    first, second = draw.choice(paths), draw.choice(paths)
    if first[: len(second)] == second or second[: len(first)] == first:
        return _cut_off(data, draw)
    one, two = at(data, first), at(data, second)
    changed = put(put(data, first, copy.deepcopy(two)), second, copy.deepcopy(one))
    return Damage(json.dumps(changed), f"{place(first)} and {place(second)} swapped", None)


def _twice(data: Any, draw: random.Random) -> Damage:
    path = _some(data, draw, lambda value: isinstance(value, list) and len(value) > 0)
    rows = copy.deepcopy(at(data, path))
    return Damage(
        json.dumps(put(data, path, [*rows, draw.choice(rows)])), f"twice in {place(path)}", None
    )


def _other_number(data: Any, draw: random.Random) -> Damage:
    path = _some(data, draw, _number)
    number = draw.choice((0, 1, -1, 1e-300, 1e9, 1e29, -1e29, 0.3, 7, 1e15, 2**53))
    return Damage(json.dumps(put(data, path, number)), f"{number} at {place(path)}", None)


KINDS = (
    _without_key, _other_type, _no_number, _cut_off, _other_bytes, _wrong_name, _wrong_key,
    _nested, _swapped, _twice, _other_number, _other_number,
)  # fmt: skip
"""Every kind of damage; the last ones leave a plan whose claims are false."""
