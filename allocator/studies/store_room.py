"""How much store a site could build for one fluid, if its materials went to nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from allocator.site.graph import reachable, usable_places
from allocator.site.records import Site, StoreType

_TRY_ALL = 8
"""Up to this many store sites every choice of them is tried; above it, the larger choices."""


@dataclass(frozen=True, slots=True)
class StoreRoom:
    """The most store of a fluid. ``size``: kg. ``loss``: share of the size lost a second.

    ``fill_rate``, ``release_rate``: kg/s of all of them together, None for no limit. ``steps``:
    the smaller sizes that one of them alone may have: from, to, and step, kg (0: any between them);
    none where any size may be built.
    """

    size: float = 0.0
    loss: float = 0.0
    fill_rate: float | None = None
    release_rate: float | None = None
    steps: tuple[tuple[float, float, float], ...] = ()

    def share(self, part: float) -> StoreRoom:
        """A part of the store, of any size, with as large a part of what all may take and give."""
        rates = (self.fill_rate, self.release_rate)
        fill, release = (None if rate is None else rate * part for rate in rates)
        return StoreRoom(self.size * part, self.loss, fill, release)

    def sizes_near(self, size: float) -> list[float]:
        """Sizes that may be built next to one: all of it, or the next below and above of one."""
        if not self.steps:
            return [size]
        found = [self.size]
        for least, most, step in self.steps:
            within = min(max(size, least), most)
            below = least + math.floor((within - least) / step) * step if step else within
            found += [below, min(below + step, most)]
        return found


@dataclass(frozen=True, slots=True)
class _Spot:
    """A store type at a place, with the kg that exist there already."""

    type: StoreType
    existing: float


def store_room(site: Site, fluid: str, start: str | None = None) -> StoreRoom:
    """The largest total store of a fluid that size limits and material stocks allow.

    ``start``: only stores that the fluid can get to from this place. Sites are filled one after
    the other, those that take least of the scarce materials first; where several stocks bind at
    once, that can fall short of the true most, so the answer is always one that could be built.
    """
    spots = list(_spots(site, fluid, start))
    best: list[tuple[_Spot, float]] = [(spot, spot.existing) for spot in spots if spot.existing]
    for chosen in _choices(spots):
        for order in _orders(site, chosen):
            built = _filled(site, spots, order)
            if _total(built) > _total(best) * (1 + 1e-12):
                best = built
    size = _total(best)
    if size <= 0:
        return StoreRoom()
    loss = math.fsum(spot.type.loss * kg for spot, kg in best) / size
    return StoreRoom(
        size,
        loss,
        _together(spot.type.fill_rate for spot, _ in best),
        _together(spot.type.release_rate for spot, _ in best),
        _steps(best),
    )


def _steps(built: Sequence[tuple[_Spot, float]]) -> tuple[tuple[float, float, float], ...]:
    """Smaller sizes of each store alone; none where every one may have any size."""
    if not any(spot.type.unit or spot.type.min_size or spot.existing for spot, _ in built):
        return ()
    found = []
    for spot, most in built:
        unit, least = spot.type.unit or 0.0, max(spot.existing, spot.type.min_size)
        if unit:
            units = math.ceil((least - spot.existing) / unit * (1 - 1e-12))
            least = spot.existing + units * unit
        found.append((min(least, most), most, unit))
    return tuple(found)


def _spots(site: Site, fluid: str, start: str | None) -> Iterator[_Spot]:
    within = frozenset(usable_places(site))
    if start is not None:
        within &= reachable(site, start, fluid)
    for store in site.storage.values():
        if store.holds == fluid:
            for place in store.places:
                if place in within:
                    yield _Spot(store, site.built.storage.get((store.name, place), 0.0))


def _choices(spots: Sequence[_Spot]) -> Iterator[tuple[_Spot, ...]]:
    fewest = 1 if len(spots) <= _TRY_ALL else len(spots) - 1
    for count in range(len(spots), fewest - 1, -1):
        yield from combinations(spots, count)


def _orders(site: Site, chosen: Sequence[_Spot]) -> Iterator[list[_Spot]]:
    """Orders of filling: by the scarcest material, and by each material that has a stock."""
    stocks = {m.name: m.stock for m in site.materials.values() if m.stock is not None}

    def share(spot: _Spot, material: str) -> float:
        stock = stocks[material]
        used = spot.type.materials.get(material, 0.0)
        return used / stock if stock > 0 else math.inf if used > 0 else 0.0

    yield sorted(chosen, key=lambda spot: max((share(spot, m) for m in stocks), default=0.0))
    for material in stocks:
        if any(share(spot, material) > 0 for spot in chosen):
            yield sorted(chosen, key=lambda spot, m=material: share(spot, m))  # type: ignore[misc]


def _filled(
    site: Site, spots: Sequence[_Spot], order: Sequence[_Spot]
) -> list[tuple[_Spot, float]]:
    """Sizes when the spots of an order are filled one after the other; existing storage stays."""
    left = {m.name: m.stock for m in site.materials.values() if m.stock is not None}
    sizes = {id(spot): spot.existing for spot in spots}
    for spot in order:
        base = spot.type.base_materials if spot.existing == 0 else {}
        after = {name: stock - base.get(name, 0.0) for name, stock in left.items()}
        if any(stock < 0 for stock in after.values()):
            continue
        new = _room(spot, after)
        if new <= 0:
            continue
        sizes[id(spot)] += new
        left = {n: kg - new * spot.type.materials.get(n, 0.0) for n, kg in after.items()}
    return [(spot, sizes[id(spot)]) for spot in spots if sizes[id(spot)] > 0]


def _room(spot: _Spot, stocks: Mapping[str, float]) -> float:
    """kg that can be added at a spot; 0 when that is less than the least size."""
    new = spot.type.max_size - spot.existing
    for name, mass in spot.type.materials.items():
        if name in stocks and mass > 0:
            new = min(new, max(0.0, stocks[name]) / mass)
    if spot.type.unit is not None:
        new = math.floor(new / spot.type.unit * (1 + 1e-12)) * spot.type.unit
    return new if spot.existing + new >= spot.type.min_size else 0.0


def _total(built: Iterable[tuple[_Spot, float]]) -> float:
    return math.fsum(kg for _, kg in built)


def _together(rates: Iterable[float | None]) -> float | None:
    known = list(rates)
    return None if any(rate is None for rate in known) else math.fsum(r for r in known if r)
