"""Grids: values that a sweep gives to numbers of a site, such as ``stock.steel=4t,6t,8t``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from allocator.base.quantities import shown
from allocator.network.facts import Fact, FactError, fact_named
from allocator.site.addresses import AddressError


@dataclass(frozen=True, slots=True)
class Grid:
    """One number of the site and the values, SI, that it takes in turn."""

    fact: Fact
    values: tuple[float, ...]


def grid_of(facts: Mapping[str, Fact], text: str) -> Grid:
    """One grid. Raises :class:`~allocator.network.facts.FactError` for names and values."""
    name, equals, listed = text.partition("=")
    try:
        fact = fact_named(facts, name.strip())
        if not equals or not listed.strip():
            raise FactError(f"has no values; write '{name.strip()}=4t,6t'")
        values = tuple(fact.read(part.strip()) for part in listed.split(","))
        if len(set(values)) < len(values):
            raise FactError("holds a value twice; keep it once")
    except AddressError as error:
        raise FactError(f"--grid {shown(text)}: {error}") from None
    return Grid(fact, values)


def grids_of(facts: Mapping[str, Fact], texts: Sequence[str], existing: bool) -> tuple[Grid, ...]:
    """All grids. ``existing``: for an existing plan, which does not depend on what is new.

    Raises :class:`~allocator.network.facts.FactError`, besides, for a number given twice.
    """
    found: dict[str, Grid] = {}
    for text in texts:
        grid = grid_of(facts, text)
        if grid.fact.address in found:
            raise FactError(f"--grid {shown(text)}: {grid.fact.address} has a grid already")
        if existing and grid.fact.to_build:
            raise FactError(
                f"--grid {shown(text)}: an existing plan does not depend on it; leave --plan out"
            )
        found[grid.fact.address] = grid
    return tuple(found.values())


def points(grids: Sequence[Grid]) -> list[dict[str, float]]:
    """Every combination of the grids' values, by address; one empty point where there are none."""
    names = [grid.fact.address for grid in grids]
    return [dict(zip(names, values, strict=True)) for values in product(*(g.values for g in grids))]
