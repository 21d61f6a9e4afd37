"""Flows along ways that are drawn, and prices of cuts that they break: for tests of bounds."""

import numpy as np

from allocator.search.bounds.arrays import Floats, NetworkArrays
from allocator.search.bounds.carrying import CarryingBound
from allocator.search.bounds.cover_cuts import CoverFinder
from allocator.search.bounds.path_program import Prices
from allocator.search.bounds.regions import Regions

Ways = dict[int, list[int]]


def _way(
    net: NetworkArrays, regions: Regions, origin: int, chance: np.random.Generator
) -> list[int]:
    """Slots of a way that is drawn from the home of an origin and comes to no node twice."""
    slots = range(int(regions.slot_first[origin]), int(regions.slot_first[origin + 1]))
    slot_of = {int(regions.slot_link[slot]): slot for slot in slots}
    node = int(net.home[origin])
    seen, way = {node}, list[int]()
    for _ in range(int(chance.integers(1, 7))):
        arcs = [
            arc
            for arc in range(int(net.first[node]), int(net.first[node + 1]))
            if int(net.end[arc]) not in seen and int(net.link[arc]) in slot_of
        ]
        if not arcs:
            break
        arc = int(chance.choice(arcs))
        way.append(slot_of[int(net.link[arc])])
        node = int(net.end[arc])
        seen.add(node)
    return way


def drawn_flows(
    net: NetworkArrays, regions: Regions, chance: np.random.Generator
) -> tuple[Floats, Floats, Ways]:
    """A point of no plan: flow by slot, builds laid in part, and the main way of each slot."""
    flow = np.zeros(len(regions.slot_link))
    best: dict[int, float] = {}
    main: Ways = {}
    for origin, most in enumerate(regions.most.tolist()):
        for _ in range(3):
            way = _way(net, regions, origin, chance)
            sent = float(chance.uniform(0.0, most))
            for slot in way:
                flow[slot] += sent
                if sent > best.get(slot, 0.0):
                    best[slot], main[slot] = sent, way
    laid = chance.uniform(0.0, 1.0, len(regions.capacity)) ** 3
    return flow, laid, main


def plain(made: CarryingBound, weight: Floats, single: Floats | None = None) -> Prices:
    """Prices of some weights alone, and of what pipes may collect beyond their cost."""
    single = np.zeros(made.pipes) if single is None else single
    return made._plain(np.zeros(len(made._ends.node)), weight, single)


def with_cuts(made: CarryingBound, prices: Prices, chance: np.random.Generator) -> Prices:
    """The same with cover cuts at prices that are drawn."""
    extra, spent = prices.extra.copy(), prices.spent.copy()
    flow, laid, main = drawn_flows(made._net, made._regions, chance)
    for cut in CoverFinder(made._net, made._regions).broken(flow, laid, main, 0.0):
        cost = made.limit.cost[cut.builds]
        most = float(np.min(cost / np.maximum(cut.shares, 1e-12)))
        price = most * chance.exponential(0.5)
        extra[cut.slots] += price
        spent[cut.builds] += price * cut.shares
    return prices._replace(extra=extra, spent=spent)
