"""What each source adds to the other sources of its fluid: the firm power that is lost without it.

The sources of a fluid share the largest store that could be built. The flow that is firm with all
of them, less the flow that is firm without one, is what that one adds; it counts as power of the
clean generator with the most power for its fuel, at full load. To have it, a source needs its
connection and the lightest pipes to the nearest place where a store or such a generator may be;
pipes that several sources could share count for each. Not counted: limits of units and of pipes
that are shared.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from allocator.network.records import Network, Outflow
from allocator.studies.pipe_paths import PipePaths, shares_of
from allocator.studies.pipe_steps import added
from allocator.studies.source_rank import clean_generators, ends_of, places_of
from allocator.studies.source_ways import SourceWays
from allocator.studies.source_worth import Inflows, firm_draw, inflows_of, usable_sources
from allocator.studies.store_room import StoreRoom, store_room


@dataclass(frozen=True, slots=True)
class SourceAddition:
    """What a source adds to the others of its fluid. ``flow``: kg/s, ``power``: W, both firm.

    ``stock``: of which its connection takes the largest share, ``mass``: kg of it, ``share``: of
    the stock; "" and 0 where it takes none. ``power`` is 0 where no pipe leads it on.
    """

    flow: float
    power: float
    stock: str = ""
    mass: float = 0.0
    share: float = 0.0

    @property
    def worth(self) -> tuple[float, float]:
        """To sort by: power for the share of the stock, then power."""
        if self.power <= 0:
            return 0.0, 0.0
        return (self.power / self.share if self.share > 0 else math.inf, self.power)


def additions(site: Network) -> dict[str, SourceAddition]:
    """What each source adds to the others of its fluid, by name."""
    stocks = {m.name: m.stock for m in site.materials.values() if m.stock is not None}
    ways = SourceWays(PipePaths(site, stocks))
    groups: dict[str, list[Outflow]] = {}
    for source in usable_sources(site):
        groups.setdefault(source.fluid, []).append(source)
    found = {}
    for fluid, members in groups.items():
        room = store_room(site, fluid)
        flows = {one.name: inflows_of(site, one, room) for one in members}
        firm = _added(flows, room)
        for source in members:
            found[source.name] = _addition(ways, source, firm[source.name])
    return found


def _added(flows: Mapping[str, Inflows], room: StoreRoom) -> dict[str, float]:
    """kg/s that each source adds to what all give at all times with one shared store.

    Where the whole of all means is firm, so is that of all but one: a guaranteed on-time is no
    more than the mean, hence what one source adds is no more than its mean, and no less, as the
    others give no more than theirs.
    """
    means = {name: math.fsum(rate * c.duty for c, rate in mine) for name, mine in flows.items()}
    whole = _firm(flows.values(), room)
    free = room.fill_rate is None and room.release_rate is None and room.loss == 0.0
    if free and whole >= math.fsum(means.values()) * (1 - 1e-12):
        return means
    return {
        name: max(0.0, whole - _firm((mine for n, mine in flows.items() if n != name), room))
        for name in flows
    }


def _firm(flows: Iterable[Inflows], room: StoreRoom) -> float:
    """kg/s that sources give at all times with one shared store."""
    return firm_draw([inflow for mine in flows for inflow in mine], room)[1]


def _addition(ways: SourceWays, source: Outflow, flow: float) -> SourceAddition:
    materials = _to_connect(ways, source)
    if materials is None:
        return SourceAddition(flow, 0.0)
    power = flow * _power_of_fuel(ways.paths.site, source)
    shares = shares_of(materials, ways.paths.stocks)
    if not shares:
        return SourceAddition(flow, power)
    stock = max(shares, key=shares.__getitem__)
    return SourceAddition(flow, power, stock, materials[stock], shares[stock])


def _power_of_fuel(site: Network, source: Outflow) -> float:
    """W for a kg/s in the clean generator that makes most of the fluid; 0 where there is none."""
    machines = [m for m in clean_generators(site, source)[0] if places_of(site, m)]
    return max((m.power_out / m.inputs[source.fluid] for m in machines), default=0.0)


def _to_connect(ways: SourceWays, source: Outflow) -> Mapping[str, float] | None:
    """kg by material for a connection and the lightest pipes to a store or a generator.

    Pipes carry the whole flow where there are such, else as much as they can. None where no pipe
    leads to either.
    """
    site = ways.paths.site
    ends = ends_of(site, source.fluid, clean_generators(site, source)[0])
    full = math.fsum(rate for _, rate in inflows_of(site, source, StoreRoom()))
    tap = {} if source.name in site.built.sources else source.connection_materials
    for _, flow in ways.entries(source.fluid, full):
        pipes = ways.connection(source, ends, flow)
        if pipes is not None:
            return added(tap, pipes)
    return None
