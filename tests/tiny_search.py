"""The best of every goal over every whole-number choice of a tiny site."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from tiny_bases import Basis
from tiny_firm import FirmBasis
from tiny_program import Whole, groups, material

from allocator.site.records import POWER, Site

HELD = 1e-6
"""A goal may fall by this share for the sake of the next one; so it may in the program."""


def choices(site: Site, basis: type[Basis]) -> Iterator[Whole]:
    """Every choice of whole numbers that the stock of steel allows."""
    firm = basis is FirmBasis
    # What costs nothing to have is had: tapping without steel hurts no goal.
    taps = [(0, 1) if s.connection_materials else (1,) for s in site.sources.values()]
    lays = [(None, *route.pipes) for route in site.routes.values()]
    spots = [(machine.name, place) for machine, place in groups(site)]
    cycles = firm and any(kind.holds == POWER for kind in site.storage.values())
    states = [
        [
            (count, running, cycling, batch_draw)
            for count in range((site.machines[name].places[place] or 0) + 1)
            for running in range(count + 1 if firm else 1)
            for cycling in range(2 if cycles and running < count else 1)
            for batch_draw in range(2 if cycles and running < count and _batched(site, name) else 1)
        ]
        for name, place in spots
    ]
    united = [
        (kind.name, place, int(kind.max_size / kind.unit))
        for kind in site.storage.values()
        if firm and kind.unit is not None
        for place in kind.places
    ]
    units = [range(most + 1) for _, _, most in united]
    for tap, lay, state, unit in itertools.product(
        itertools.product(*taps),
        itertools.product(*lays),
        itertools.product(*states),
        itertools.product(*units),
    ):
        whole = Whole(
            tap=dict(zip(site.sources, tap, strict=True)),
            lay=dict(zip(site.routes, lay, strict=True)),
            count={spot: s[0] for spot, s in zip(spots, state, strict=True)},
            running={spot: s[1] for spot, s in zip(spots, state, strict=True)},
            cycling={spot: s[2] for spot, s in zip(spots, state, strict=True)},
            batch_draw={spot: s[3] for spot, s in zip(spots, state, strict=True)},
            units={(n, p): u for (n, p, _), u in zip(united, unit, strict=True)},
        )
        if all(material(site, whole, n) <= (m.stock or 0.0) for n, m in site.materials.items()):
            yield whole


def _batched(site: Site, name: str) -> bool:
    return site.machines[name].no_load > 0 or site.machines[name].min_load > 0


def best_goals(site: Site, basis: type[Basis], held: float = HELD) -> list[float]:
    """The best of every goal in turn, over all choices, earlier goals held to a share."""
    tried = [basis(site, whole) for whole in choices(site, basis)]
    found: list[float] = []
    for number in range(3):
        values = []
        for stated in tried:
            value = stated.program.best(stated.goals()[number])
            if value is not None and number == 2:
                value += stated.scarce_fixed()
            values.append(value)
        best = min(value for value in values if value is not None)
        found.append(best)
        slack = max(held * abs(best), 1e-6)
        kept = []
        for stated, value in zip(tried, values, strict=True):
            if value is not None and value <= best + slack:
                stated.program.most(stated.goals()[number], best + slack)
                kept.append(stated)
        tried = kept
    return [-found[0], -found[1], found[2]]
