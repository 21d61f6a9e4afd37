"""Neighbourhoods of a plan: which integer decisions are held while the others are decided again.

A model too large to solve whole is improved piece by piece: the pipes outside a part of the
site are held as the plan has them, and the solver decides everything else. Parts are taken in
turn: around a place, of one fluid, and the pipes near what the plan has laid.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from allocator.model.index_sets import IndexSets
from allocator.model.model import Model

DISPATCH = (
    "running",
    "cycling",
    "lumps",
    "promises",
    "directed",
    "spur",
    "drawn",
    "takes",
    "holds",
    "stands",
    "out",
)
"""Integers that say how assets are dispatched."""


@dataclass(frozen=True)
class Layout:
    """Where the pipe columns lie: ``columns`` with their middle ``x``, ``y`` and ``fluid``.

    ``built``: all integer columns of what is built, pipes and others; the rest of the integers
    say how assets are dispatched.
    """

    columns: np.ndarray
    built: np.ndarray
    x: np.ndarray
    y: np.ndarray
    fluid: np.ndarray
    fluids: tuple[str, ...]
    places: tuple[tuple[float, float], ...]


def layout_of(model: Model, sets: IndexSets) -> Layout:
    """The pipe columns of a model."""
    site = sets.site
    columns, x, y, fluid = [], [], [], []
    fluids = tuple(dict.fromkeys(f for _, f in sets.pipes))
    for (route_name, f), pipe in sets.pipes.items():
        route = site.routes[route_name]
        start, end = site.places[route.start], site.places[route.end]
        for build in pipe.builds:
            columns.append(model.index(("lay", route_name, build, f)))
            x.append(0.5 * (start.x + end.x))
            y.append(0.5 * (start.y + end.y))
            fluid.append(fluids.index(f))
    places = tuple((site.places[p].x, site.places[p].y) for p in sets.places)
    return Layout(
        np.array(columns, dtype=np.int64),
        np.array(
            [
                number
                for number, column in enumerate(model.columns)
                if column.integer
                and isinstance(column.key, tuple)
                and column.key[0] not in DISPATCH
            ],
            dtype=np.int64,
        ),
        np.array(x),
        np.array(y),
        np.array(fluid, dtype=np.int64),
        fluids,
        places,
    )


def neighbourhoods_of(layout: Layout, seed: int) -> Iterator[np.ndarray]:
    """Columns to hold, one neighbourhood after the other, without end; none without pipes."""
    count = len(layout.columns)
    if count == 0:
        return
    chance = random.Random(seed)
    # First everything but the pipes: machines, stores and taps on the pipes that are laid.
    yield layout.columns
    turn = 0
    while True:
        turn += 1
        if len(layout.fluids) > 1 and turn % 3 == 0:
            yield layout.columns[layout.fluid != chance.randrange(len(layout.fluids))]
            continue
        x, y = layout.places[chance.randrange(len(layout.places))]
        distance = np.hypot(layout.x - x, layout.y - y)
        share = chance.choice((0.1, 0.18, 0.3))
        order = np.argsort(distance, kind="stable")
        yield layout.columns[np.sort(order[int(count * share) :])]
