"""What a fluid is called: words of its name and substance that tell what it may hold."""

from __future__ import annotations

from collections.abc import Iterable

from allocator.site.records import Fluid

TARRY = ("charcoal", "wood", "biomass", "producer", "retort", "kiln", "coke", "gasifier",
         "pyrolysis", "town")  # fmt: skip
"""Words of gas that is made by heating solids, and holds water and tar unless it is cleaned."""


def words_in(*texts: str | None) -> set[str]:
    """The lower-case words of names."""
    text = " ".join(text or "" for text in texts).lower()
    for mark in "-_./&[]":
        text = text.replace(mark, " ")
    return set(text.split())


def words_of(fluid: Fluid) -> set[str]:
    """The lower-case words of a fluid's name and of its property-library name."""
    return words_in(fluid.name, fluid.substance)


def among(known: set[str], words: Iterable[str]) -> bool:
    """True when one of some words is known, or a long one is part of one that is."""
    return any(word == one or (len(word) > 3 and word in one) for word in words for one in known)


def is_named(fluid: Fluid, words: Iterable[str]) -> bool:
    """True when a fluid is called by one of the words, or a long one is part of what it is called.

    Examples
    --------
    >>> is_named(Fluid("wood_gas"), TARRY), is_named(Fluid("hydrogen"), TARRY)
    (True, False)
    """
    return among(words_of(fluid), words)


def is_pure(fluid: Fluid) -> bool:
    """True of one substance of the property library."""
    return fluid.substance is not None and "&" not in fluid.substance


def is_tarry(fluid: Fluid) -> bool:
    """True of raw gas of kilns, retorts and gasifiers by its name."""
    burns = fluid.phase == "gas" and fluid.heating_value is not None
    return burns and not is_pure(fluid) and is_named(fluid, TARRY)
