"""Equipment at a place by what it bears: all that may share one inlet stands in one bay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from allocator.base.quantities import format_quantity
from allocator.network.levels import SAME, level_below
from allocator.network.records import Network
from allocator.site.records import POWER

Port = tuple[str, str, float | None]
"""Fluid, ``in`` or ``out``, and the highest temperature there, K (None: no limit)."""

Thing = tuple[str, str, str]
"""``machine``, ``store`` or ``demand``, its name, and the place of the site file."""


@dataclass(frozen=True)
class InletNode:
    """``name``: empty for the place itself. ``ports``: of planned fluids. ``stores``: fluids that

    are stored there. ``fluids``: all that its equipment takes and gives.
    """

    name: str
    ports: frozenset[Port]
    stores: frozenset[str]
    fluids: tuple[str, ...]
    things: tuple[Thing, ...]

    def takes(self, fluid: str, level: float) -> bool:
        """Whether a fluid may enter at a level."""
        return any(
            f == fluid and way == "in" and (limit is None or level <= limit + SAME)
            for f, way, limit in self.ports
        )

    def leaves(self, fluid: str, levels: tuple[float, ...]) -> float | None:
        """The level at which a fluid leaves: as machines give it, or as stores took it in."""
        found = [
            level_below(levels, limit)
            for f, way, limit in self.ports
            if f == fluid and (way == "out" or fluid in self.stores)
        ]
        return max(found, default=None)


def inlet_nodes_of(
    site: Network, levels: Mapping[str, tuple[float, ...]]
) -> dict[str, tuple[InletNode, ...]]:
    """Inlet nodes of each place with equipment for a planned fluid.

    The one with the most equipment is the place itself.
    """
    grouped: dict[str, dict[frozenset[Port], list[tuple[Thing, set[str], str]]]] = {}
    for thing, ports, fluids, held in _equipment(site, levels):
        if ports:
            at = grouped.setdefault(thing[2], {})
            at.setdefault(ports, []).append((thing, fluids, held))
    found = {}
    for place, groups in grouped.items():
        order = sorted(groups, key=lambda ports: -len(groups[ports]))  # stable: by file order
        inlet_nodes: list[InletNode] = []
        for number, ports in enumerate(order):
            members = groups[ports]
            name = "" if number == 0 else _name(ports, inlet_nodes)
            together = dict.fromkeys(f for _, mine, _ in members for f in sorted(mine))
            stored = frozenset(held for _, _, held in members if held)
            things = tuple(thing for thing, _, _ in members)
            inlet_nodes.append(InletNode(name, ports, stored, tuple(together), things))
        found[place] = tuple(inlet_nodes)
    return found


def moved(inlet_nodes: Mapping[str, tuple[InletNode, ...]]) -> dict[Thing, tuple[str, str]]:
    """Thing -> its place and bay."""
    return {
        thing: (place, inlet_node.name)
        for place, listed in inlet_nodes.items()
        for inlet_node in listed
        for thing in inlet_node.things
    }


def _equipment(
    site: Network, levels: Mapping[str, tuple[float, ...]]
) -> list[tuple[Thing, frozenset[Port], set[str], str]]:
    found: list[tuple[Thing, frozenset[Port], set[str], str]] = []
    for machine in site.machines.values():
        ports: set[Port] = {
            (f, "in", machine.max_inlet_temperature) for f in machine.inputs if f in levels
        }
        ports |= {(f, "out", machine.outlet_temperature) for f in machine.outputs if f in levels}
        fluids = {*machine.inputs, *machine.outputs}
        for place in machine.places:
            found.append((("machine", machine.name, place), frozenset(ports), fluids, ""))
    for store in site.storage.values():
        if store.holds == POWER or store.holds not in levels:
            continue
        for place in store.places:
            ports = {(store.holds, "in", store.max_inlet_temperature)}
            found.append(
                (("store", store.name, place), frozenset(ports), {store.holds}, store.holds)
            )
    for demand in site.demands.values():
        if demand.wants in levels and demand.place is not None:
            ports = {(demand.wants, "in", demand.max_inlet_temperature)}
            thing = ("demand", demand.name, demand.place)
            found.append((thing, frozenset(ports), {demand.wants}, ""))
    return found


def _name(ports: frozenset[Port], others: list[InletNode]) -> str:
    parts = []
    for fluid, way, limit in sorted(ports, key=lambda p: (p[0], p[1], p[2] or 0.0)):
        word = "inlets" if way == "in" else "outlets"
        hot = "" if limit is None else f" to {format_quantity(limit, 'temperature')}"
        parts.append(f"{fluid} {word}{hot}")
    name = " and ".join(parts)
    while any(inlet_node.name == name for inlet_node in others):
        name += "'"
    return name
