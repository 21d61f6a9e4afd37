"""Numerical noise of a solution: amounts so small that they are only rounding."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.model.model import Key, Model

NOTHING = 1e-13
"""Amounts below this share of the largest of their kind are rounding, and are left out."""


def without_noise(model: Model, values: Mapping[Key, float]) -> dict[Key, float]:
    """The values with continuous amounts that are only rounding put to 0.

    Measured by the largest amount of its kind; of what is collected for a store or battery, or
    kept or given by it, by the largest there, which may itself be small.
    """
    largest: dict[Key, float] = {}
    for column in model.columns:
        if not column.integer:
            for kind in _kinds(column.key):
                largest[kind] = max(largest.get(kind, 0.0), abs(values[column.key]))
    found = {}
    for column in model.columns:
        value = values[column.key]
        if not column.integer:
            every, *mine = (largest[kind] for kind in _kinds(column.key))
            alike = [most for most in mine if most > NOTHING * every]
            if abs(value) <= NOTHING * min([every, *alike]):
                value = 0.0
        found[column.key] = value
    return found


OF_HOLDERS = ("draw", "inflow", "release", "level", "surplus", "size", "burst_part", "swing")
"""Amounts of stores and batteries."""


def _kinds(key: Key) -> tuple[Key, ...]:
    """The kinds of an amount: all of its word, and all of one holder's."""
    if not isinstance(key, tuple):
        return (key,)
    word = key[0]
    if word == "out":
        return tuple((word, *key[1:2], kind) for kind in _kinds(key[2]))
    if word == "collect":
        return word, (word, str(key[2]).rpartition(">")[2].removeprefix("store:"))
    return (word, (word, key[1])) if word in OF_HOLDERS else (word,)
