"""What can be reached from where along one-way steps."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import networkx


class Reaching:
    """Places that can be reached along steps; places in a circle of steps share one answer."""

    def __init__(self, steps: Iterable[tuple[str, str]]) -> None:
        self._graph = networkx.DiGraph()
        self._graph.add_edges_from(steps)
        self._circle: dict[str, int] = {
            place: number
            for number, places in enumerate(networkx.strongly_connected_components(self._graph))
            for place in places
        }
        self._known: dict[int, Collection[str]] = {}

    def of(self, start: str) -> Collection[str]:
        """Every place that can be reached from one, itself included."""
        circle = self._circle.get(start)
        if circle is None:
            return {start}
        if circle not in self._known:
            self._known[circle] = {start, *networkx.descendants(self._graph, start)}
        return self._known[circle]
