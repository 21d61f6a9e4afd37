"""The pipes and flows by origin that a plan as good as a cutoff can have (``reducer.py``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from allocator.model.index_sets import PipeArc
from allocator.model.model import Key, Terms


@dataclass(frozen=True)
class Reduction:
    """What is left of pipes and flow by origin in plans as good as a cutoff.

    ``closed``: builds that are not laid; ``must``: builds of which one is. ``arcs``: by origin, the
    arcs that are kept and the most (kg/s) that it has there. ``beyond``: by origin and place, what
    flow beyond takes more in the carrying row, and how much of it there is at most. The row:
    ``distance`` by origin and place, ``taken`` and its right side ``shares``.
    """

    cutoff: float
    closed: frozenset[Key]
    must: tuple[tuple[Key, ...], ...]
    arcs: Mapping[str, Mapping[PipeArc, float]]
    beyond: Mapping[str, Mapping[str, tuple[float, float]]]
    distance: Mapping[str, Mapping[str, float]]
    taken: Terms
    shares: float

    @property
    def flows(self) -> int:
        """How many flows by origin are kept."""
        return sum(len(kept) for kept in self.arcs.values())
