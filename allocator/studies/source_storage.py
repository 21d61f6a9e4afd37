"""The store that one source needs for a draw, and what it promises with a store."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from allocator.cycles import Curve, draw_for_store, store_for_draw
from allocator.site.records import StoreType
from allocator.studies.source_worth import Inflows, firm_draw
from allocator.studies.store_room import StoreRoom

_ROUNDING = 1e-9


@dataclass(frozen=True)
class SourceStorage:
    """What a source gives, as curves with kg/s while each is on; what was computed is kept."""

    inflows: Inflows
    sizes: dict[tuple[float, float | None, float], float] = field(default_factory=dict)
    draws: dict[tuple[float, float | None, float | None, float], tuple[float, float]] = field(
        default_factory=dict
    )

    @property
    def full(self) -> float:
        """kg/s with all on."""
        return math.fsum(rate for _, rate in self.inflows)

    @property
    def mean(self) -> float:
        """kg/s over time."""
        return math.fsum(rate * curve.duty for curve, rate in self.inflows)

    def least(self, store: StoreType, most: float, wanted: float) -> tuple[float, float]:
        """kg of a store, no more than ``most``, and kg/s that it promises, as near to ``wanted``.

        The long-run mean itself may ask for a store without end: a little less is promised.
        """
        draw = min(wanted, self.mean) * (1 - _ROUNDING)
        release = math.inf if store.release_rate is None else store.release_rate
        size = self._size(store, draw)
        if size > most or draw > self._passing + release:
            best, draw = self._best(store, most)
            draw = min(draw, wanted) * (1 - _ROUNDING)
            size = min(best, self._size(store, draw))
        return size, draw

    def built(self, store: StoreType, sizes: Iterable[float], wanted: float) -> tuple[float, float]:
        """Of some sizes of a store, kg, the one that promises most, and what, kg/s.

        All of a store loses, so more than is needed may promise less.
        """
        passing, stored = self._passing, self._stored(store)
        release = math.inf if store.release_rate is None else store.release_rate
        found = [(min(draw_for_store(stored, kg, loss=store.loss), release), kg) for kg in sizes]
        draw, size = max(found, key=lambda one: (min(one[0], wanted - passing), -one[1]))
        return size, min(wanted, passing + draw)

    @property
    def _passing(self) -> float:
        """kg/s that are always on and pass the store by."""
        return math.fsum(flow for curve, flow in self.inflows if curve.pattern.steady)

    def _best(self, store: StoreType, most: float) -> tuple[float, float]:
        key = (store.loss, store.fill_rate, store.release_rate, most)
        if key not in self.draws:
            room = StoreRoom(most, store.loss, store.fill_rate, store.release_rate)
            self.draws[key] = firm_draw(self.inflows, room)
        return self.draws[key]

    def _size(self, store: StoreType, wanted: float) -> float:
        """kg of store for a draw; infinite where none is enough."""
        passing, stored = self._passing, self._stored(store)
        if wanted <= passing or not stored:
            return 0.0
        key = (store.loss, store.fill_rate, wanted)
        if key not in self.sizes:
            self.sizes[key] = store_for_draw(stored, wanted - passing, loss=store.loss)
        return self.sizes[key]

    def _stored(self, store: StoreType) -> list[tuple[Curve, float]]:
        """What comes and goes, as far as a store takes it in."""
        stored = [(curve, flow) for curve, flow in self.inflows if not curve.pattern.steady]
        arriving = math.fsum(flow for _, flow in stored)
        if store.fill_rate is not None and arriving > store.fill_rate:
            return [(curve, flow * store.fill_rate / arriving) for curve, flow in stored]
        return stored
