"""Pressures along lines as the flat arrays that the path search judges its states by.

Potentials count from the least of their fluid, in widths (the widest difference of potentials of
that fluid), so that 0 and 1 bound them all; see :mod:`allocator.model.pressures`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from allocator.model.index_sets import IndexSets
from allocator.model.pressures import NO_LOSS
from allocator.network.pressure_records import BoosterOption, FluidPressures, PipeLoss
from allocator.search.paths.lists import listed_at
from allocator.search.paths.records import FRICTION

NOWHERE = -1
UNLIMITED = 1e30


def path_pressures(
    sets: IndexSets,
    nodes: Mapping[tuple[str, str], int],
    builds: Sequence[tuple[str, ...]],
    sources: Sequence[str],
    sinks: Sequence[tuple[str | None, str, str]],
    stocks: int,
    masses: Callable[[BoosterOption], np.ndarray],
) -> dict[str, Any]:
    """The arrays of a site's pressures, by their names in :class:`.records.Arrays`.

    ``nodes``: (place, fluid) by number; ``builds``: of each pipe, by level; ``sinks``: machine
    type (None: a demand), its name and the fluid; ``masses``: shares of so many ``stocks`` that a
    booster takes.
    """
    pressures = sets.pressures
    fluids = {} if pressures is None else pressures.fluids
    potentials: dict[tuple[str, str], int] = {}
    at_node = np.full(len(nodes), NOWHERE, dtype=np.int64)
    for (place, fluid), number in nodes.items():
        if fluid in fluids:
            key = (fluids[fluid].node(place), fluid)
            at_node[number] = potentials.setdefault(key, len(potentials))
    options = () if pressures is None else pressures.boosters
    stores = list(sets.fluid_stores.items()) if not sets.lossless else []
    pipes = list(sets.pipes)
    groups, limits = _limits(sets, options)
    fills, caps = [], []
    for _, store in stores:
        fill, cap = _store(fluids.get(store.type.holds), store.type.name)
        fills.append(fill)
        caps.append(cap)
    names = [name for name, _ in stores]
    at = [_place_of(sets, pipes, names, option) for option in options]
    first, following = listed_at(2 * len(pipes) + len(stores), at)
    return {
        "pressed": bool(potentials),
        "potential": at_node,
        "friction": _friction(sets, builds),
        "spur": _spurs(sets),
        "mouth": np.array([_mouth(sets, name) for name in sources]),
        "filled": np.array(fills),
        "released": np.array(caps),
        "inlet": np.array([_inlet(fluids.get(f), kind, name) for kind, name, f in sinks]),
        "booster_first": first,
        "booster_next": following,
        "booster_at": np.array(at, dtype=np.int64),
        "booster_gain": np.array([o.gain / _width(fluids[o.fluid]) for o in options]),
        "booster_inlet": np.array([max(0.0, _above(fluids[o.fluid], o.inlet)) for o in options]),
        "booster_most": np.array([min(o.max_flow, UNLIMITED) for o in options]),
        "booster_mass": np.array([masses(o) for o in options]).reshape(len(options), stocks),
        "booster_group": groups,
        "group_most": limits,
    }


def _width(one: FluidPressures) -> float:
    return one.most - one.least


def _above(one: FluidPressures, potential: float) -> float:
    return (potential - one.least) / _width(one)


def _mouth(sets: IndexSets, source: str) -> float:
    record = sets.site.sources[source]
    one = None if sets.pressures is None else sets.pressures.fluids.get(record.fluid)
    if one is None:
        return UNLIMITED
    name = record.part_of or source
    return min(1.0, _above(one, one.mouths[name])) if name in one.mouths else 1.0


def _store(one: FluidPressures | None, kind: str) -> tuple[float, float]:
    at = None if one is None else one.stores.get(kind)
    if one is None or at is None:
        return 0.0, UNLIMITED
    release = _above(one, at.release) if math.isfinite(at.release) else UNLIMITED
    return max(0.0, _above(one, at.fill)), release


def _inlet(one: FluidPressures | None, kind: str | None, name: str) -> float:
    if one is None:
        return 0.0
    needed = one.demands.get(name) if kind is None else one.inlets.get(kind)
    return 0.0 if needed is None else max(0.0, _above(one, needed))


def _friction(sets: IndexSets, builds: Sequence[tuple[str, ...]]) -> np.ndarray:
    """Of each pipe, way and build what :func:`.pressing.loss_of` reads."""
    most = max(map(len, builds), default=1)
    found = np.zeros((len(builds), 2, most, FRICTION))
    for number, (route, fluid) in enumerate(sets.pipes):
        one = None if sets.pressures is None else sets.pressures.fluids.get(fluid)
        if one is None:
            continue
        for arc in sets.arcs_along(route, fluid):
            back = int(arc.start != sets.site.routes[route].start)
            for level, build in enumerate(builds[number]):
                loss = one.losses.get((route, arc.start, build), NO_LOSS)
                found[number, back, level] = _numbers(one, loss)
    return found


def _numbers(one: FluidPressures, loss: PipeLoss) -> tuple[float, ...]:
    width = _width(one)
    laminar = 64.0 * loss.factor / loss.reynolds if loss.checked else 0.0
    rough = loss.roughness / 3.7
    return (
        loss.factor / width,
        laminar / width,
        loss.reynolds,
        rough,
        rough**1.11,
        loss.head / width,
        loss.end / width,
        one.least / width,
        *_rise(loss, one.least, width),
        loss.swift / width,
    )


def _rise(loss: PipeLoss, least: float, width: float) -> tuple[float, float, float]:
    """The same of a column of gas that rises, with ``more`` counted from 0 and not the least."""
    if loss.rise is None:
        return 0.0, 0.0, 0.0
    rise = loss.rise
    return rise.growth, rise.air / math.sqrt(width), (least + rise.more) / width


def _spurs(sets: IndexSets) -> np.ndarray:
    """Whether each pipe may be a spur that is filled along each way."""
    pipes = {pipe: number for number, pipe in enumerate(sets.pipes)}
    found = np.zeros((len(pipes), 2), dtype=np.int64)
    for spur in () if sets.pressures is None else sets.pressures.spurs:
        back = int(spur.inner != sets.site.routes[spur.route].start)
        found[pipes[spur.route, spur.fluid], back] = 1
    return found


def _place_of(
    sets: IndexSets, pipes: list[tuple[str, str]], stores: list[str], option: BoosterOption
) -> int:
    """The inlet of a booster: pipe times 2, plus 1 against its route; then stores."""
    if option.store:
        return 2 * len(pipes) + stores.index(option.store)
    back = int(option.start != sets.site.routes[option.route].start)
    return 2 * pipes.index((option.route, option.fluid)) + back


def _limits(sets: IndexSets, options: Sequence[BoosterOption]) -> tuple[np.ndarray, np.ndarray]:
    """(The two groups of each booster: its kind, and its kind at its place; most of a group)."""
    groups = np.zeros((len(options), 2), dtype=np.int64)
    known: dict[tuple[str, str], int] = {}
    most: list[float] = []
    for number, option in enumerate(options):
        kind = sets.site.boosters[option.booster]
        limits = (("", kind.max_units), (option.place, kind.places.get(option.place)))
        built = [b for b in sets.site.built.boosters if b.booster == option.booster]
        for turn, (place, limit) in enumerate(limits):
            standing = sum(not place or b.place == place for b in built)
            key = (option.booster, place)
            if key not in known:
                known[key] = len(most)
                most.append(UNLIMITED if limit is None else float(max(limit, standing)))
            groups[number, turn] = known[key]
    return groups, np.array(most)
