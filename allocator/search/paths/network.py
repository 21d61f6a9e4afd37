"""A site's choices as the flat arrays that the path search works on, and its candidates by name.

What paths do not know (batteries behind bursts, lines, converters, least loads, emissions) is left
to the model, in which the candidates are fixed and repaired.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from allocator.cycles import worst_window
from allocator.model.index_sets import Group, IndexSets
from allocator.network.pressure_records import BoosterOption
from allocator.plans.records import FLAT
from allocator.search.paths.lists import listed_at, neighbours_of
from allocator.search.paths.loads import level_of, store_need, units_for
from allocator.search.paths.packed import packed, packed_state
from allocator.search.paths.potentials import path_pressures
from allocator.search.paths.records import (
    HOPS,
    LENGTH,
    PATHS,
    STORE,
    Arrays,
    Floats,
    PathState,
    steps_of,
)
from allocator.site.money import counted_share
from allocator.site.records import Place

WINDOWS = 40
SHARES = (1.0, 0.98, 0.93, 0.8, 0.5)
"""Shares of a source's mean that a path through a store may promise."""
NEAR = 100
DETOUR, HOPS_OF_A_PATH = 4, (64, 400)
"""Hops of a path as a multiple of the fewest from the farthest place, and within which limits."""
MANY = 10**6
AMOUNTLESS = 1e30


@dataclass(frozen=True)
class Names:
    """What the numbers of the arrays stand for. ``builds[e]``: by level."""

    pipes: tuple[tuple[str, str], ...]
    builds: tuple[tuple[str, ...], ...]
    sources: tuple[str, ...]
    stores: tuple[str, ...]
    sinks: tuple[str, ...]
    boosters: tuple[BoosterOption, ...] = ()


@dataclass(frozen=True)
class Candidate:
    """What a state builds, by name: the integers of a plan.

    ``pipes``: (route, fluid) -> build; ``taps``: sources; ``counts``: group -> new units;
    ``stores``: store sites that are used. ``value``: of the goal, as the path search counts it.
    ``flows``: route, fluid, whether it goes from the route's start to its end, whether it is
    collect flow. ``loads``: kg/s by pipe. ``boosters``: that stand. ``sizes``: kg by store.
    """

    value: float
    pipes: Mapping[tuple[str, str], str]
    taps: tuple[str, ...]
    counts: Mapping[str, int]
    stores: tuple[str, ...]
    flows: tuple[tuple[str, str, bool, bool], ...] = ()
    loads: Mapping[tuple[str, str], float] = field(default_factory=dict)
    boosters: tuple[BoosterOption, ...] = ()
    sizes: Mapping[str, float] = field(default_factory=dict)


def first_service(sets: IndexSets) -> str | None:
    """The site's first goal where it serves something that the search can work for."""
    name = sets.site.goals[0] if sets.site.goals else ""
    if name in ("clean_power", "served_power") and sets.power_demands():
        return name
    return name if name == "served_fluid" and sets.fluid_demands() else None


def path_network_of(
    sets: IndexSets, goal: str, weight: Floats | None = None
) -> tuple[Arrays, Names] | None:
    """The arrays of a site for a goal that serves power or a fluid.

    ``weight``: price of each limited stock (1 each). None where the search
    has nothing to decide: no limited stock, no source, or a goal that serves nothing.
    """
    stocks = _Stocks(sets)
    count = len(stocks.limits)
    weight = np.ones(count) if weight is None else weight
    sinks = _sinks(sets, goal)
    # What is drawn out of chambers is left to the model, in which candidates are repaired.
    sources = [s for s, r in sets.site.own_sources.items() if s in sets.curves and r.flow > 0]
    fluids = {fluid for _, fluid in sets.pipes}
    sinks = [sink for sink in sinks if sink.fluid in fluids]
    if not count or not sinks or not sources:
        return None
    stores = [] if sets.lossless else list(sets.fluid_stores.values())
    nodes: dict[tuple[str, str], int] = {}

    def node(place: str, fluid: str) -> int:
        return nodes.setdefault((place, fluid), len(nodes))

    site = sets.site
    pipes = list(sets.pipes)
    tail = [node(site.routes[r].start, f) for r, f in pipes]
    head = [node(site.routes[r].end, f) for r, f in pipes]
    one_way = [site.routes[r].one_way for r, _ in pipes]
    builds, capacity, mass = _builds(sets, stocks, weight)
    build_counts = np.array([len(b) for b in builds], dtype=np.int64)
    source_node = [node(site.sources[s].place, site.sources[s].fluid) for s in sources]
    store_node = [node(s.place, s.type.holds) for s in stores]
    sink_node = [node(s.place, s.fluid) for s in sinks]
    first, edge, other = neighbours_of(len(nodes), tail, head, one_way)
    mode_first, mode_store, mode_share, windows = _modes(sets, sources)
    into = neighbours_of(len(nodes), head, tail, one_way)
    peak, level_mass, generation = _shape(sets, stocks, goal)
    value = np.array([s.value / generation for s in sinks])
    demands = sets.power_demands() if goal != "served_fluid" else sets.fluid_demands()
    arrays = Arrays(
        np.array(tail, dtype=np.int64),
        np.array(head, dtype=np.int64),
        np.array(one_way, dtype=np.bool_),
        build_counts,
        capacity,
        mass,
        steps_of(capacity, build_counts, mass @ weight),
        first,
        edge,
        other,
        np.array(source_node, dtype=np.int64),
        np.array([_most(sets, s) for s in sources]),
        np.array(
            [
                np.zeros(count)
                if s in site.built.sources
                else stocks.of(
                    site.sources[s].connection_materials,
                    site.sources[s].connection_price,
                    site.sources[s].connection_life,
                )
                for s in sources
            ]
        ),
        mode_first,
        mode_store,
        mode_share,
        np.array(store_node, dtype=np.int64),
        np.array([stocks.of(s.type.materials, s.type.price, s.type.life) for s in stores]).reshape(
            -1, count
        ),
        np.array(
            [stocks.of(s.type.base_materials, s.type.base_price, s.type.life) for s in stores]
        ).reshape(-1, count),
        np.array([s.type.max_size for s in stores]),
        np.array([s.existing for s in stores]),
        np.array([s.type.fill_rate or AMOUNTLESS for s in stores]),
        np.array([s.type.release_rate or AMOUNTLESS for s in stores]),
        windows,
        np.array([sets.curves[s].guaranteed(windows) for s in sources]).reshape(len(sources), -1),
        np.array(sink_node, dtype=np.int64),
        np.array([s.unit for s in sinks]),
        np.array([s.mass(stocks) for s in sinks]),
        np.array([s.existing for s in sinks], dtype=np.int64),
        np.array([s.most for s in sinks], dtype=np.int64),
        value,
        value[:, None] * level_mass[None, :],
        peak,
        math.fsum(d.mean for d in demands),
        weight,
        _nearest([site.places[site.sources[s].place] for s in sources]),
        *listed_at(len(nodes), sink_node),
        *listed_at(len(nodes), store_node),
        *into,
        _longest(sink_node, into),
        **path_pressures(
            sets,
            nodes,
            builds,
            sources,
            [(None if s.group is None else s.group.type.name, s.name, s.fluid) for s in sinks],
            count,
            stocks.of_booster,
        ),
    )
    names = Names(
        tuple(pipes),
        tuple(builds),
        tuple(sources),
        tuple(s.name for s in stores),
        tuple(s.name for s in sinks),
        () if sets.pressures is None else sets.pressures.boosters,
    )
    return arrays, names


def candidate_of(arrays: Arrays, names: Names, state: PathState, value: float) -> Candidate:
    """What a state builds, by name."""
    pipes = {}
    behind, placed = packed(arrays), packed_state(state)
    for number, pipe in enumerate(names.pipes):
        least = int(state.floor[number]) if arrays.pressed else 0
        level = level_of(behind, number, least, float(state.load[number]))
        if level >= 0:
            pipes[pipe] = names.builds[number][min(level, len(names.builds[number]) - 1)]
    used = {
        int(state.ways[p, STORE]) for p in np.nonzero(state.active)[0] if state.ways[p, STORE] >= 0
    }
    taps = sorted({int(p) // PATHS for p in np.nonzero(state.active)[0]})
    return Candidate(
        value,
        pipes,
        tuple(names.sources[s] for s in taps),
        {
            name: units
            for g, name in enumerate(names.sinks)
            if (units := units_for(behind, g, float(state.park[g]))) > 0
        },
        tuple(names.stores[k] for k in sorted(used)),
        tuple(sorted(_flows(arrays, names, state))),
        {pipe: float(state.load[number]) for number, pipe in enumerate(names.pipes)},
        tuple(one for one, there in zip(names.boosters, state.boost, strict=True) if there > 0.5),
        {names.stores[k]: store_need(behind, placed, k, 0, 0.0, 0.0) for k in sorted(used)},
    )


def _flows(arrays: Arrays, names: Names, state: PathState) -> set[tuple[str, str, bool, bool]]:
    """Which way the paths of a state use each pipe, and in which layer."""
    found = set()
    for slot in np.nonzero(state.active)[0].tolist():
        node = int(arrays.source_node[slot // PATHS])
        for hop in state.ways[slot, HOPS : HOPS + int(state.ways[slot, LENGTH])].tolist():
            pipe, forth = hop // 2, int(arrays.tail[hop // 2]) == node
            node = int(arrays.head[pipe] if forth else arrays.tail[pipe])
            found.add((*names.pipes[pipe], forth, hop % 2 == 0))
    return found


class _Stocks:
    """What limits a plan: material stocks, and money for what is built."""

    def __init__(self, sets: IndexSets) -> None:
        self._site = sets.site
        materials = sets.site.materials
        self.limits = {m.name: m.stock for m in materials.values() if m.stock is not None}
        self._money = sets.site.limits.money
        self._prices = {m.name: m.price for m in materials.values()}
        if self._money is not None:
            self.limits["\0money"] = self._money

    def of(self, masses: Mapping[str, float], price: float, life: float | None) -> Floats:
        """Shares of the stocks that some masses and money take."""
        money = price + sum(mass * self._prices[m] for m, mass in masses.items())
        money *= counted_share(self._site, life)
        return np.array(
            [
                (money if m == "\0money" else masses.get(m, 0.0)) / max(limit, 1e-9)
                for m, limit in self.limits.items()
            ]
        )

    def of_booster(self, option: BoosterOption) -> Floats:
        """Shares of the stocks that a booster takes; nothing where it stands."""
        if option.existing:
            return np.zeros(len(self.limits))
        kind = self._site.boosters[option.booster]
        return self.of(kind.materials, kind.price, kind.life)


@dataclass(frozen=True)
class _Sink:
    """Machines of a group, or a demand for a fluid (``group`` None)."""

    name: str
    place: str
    fluid: str
    unit: float
    value: float
    existing: int
    most: int
    group: Group | None

    def mass(self, stocks: _Stocks) -> Floats:
        if self.group is None:
            return np.zeros(len(stocks.limits))
        kind = self.group.type
        return stocks.of(kind.materials, kind.price, kind.life)


def _sinks(sets: IndexSets, goal: str) -> list[_Sink]:
    found = []
    if goal != "served_fluid":
        for name, group in sets.groups.items():
            machine = group.type
            if len(machine.inputs) != 1 or machine.power_out <= 0:
                continue
            if goal == "clean_power" and not group.clean:
                continue
            ((fluid, rate),) = machine.inputs.items()
            new = MANY if group.most_new is None else group.most_new
            if machine.max_units is not None:
                new = min(new, machine.max_units)
            found.append(
                _Sink(
                    name,
                    group.place,
                    fluid,
                    rate,
                    machine.power_out / rate,
                    group.existing,
                    group.existing + new,
                    group,
                )
            )
    else:
        for demand in sets.fluid_demands():
            assert demand.place is not None
            found.append(_Sink(demand.name, demand.place, demand.wants, 0.0, 1.0, 0, 0, None))
    return found


def _most(sets: IndexSets, name: str) -> float:
    source = sets.site.sources[name]
    if source.pump is None or source.pump.rate is None:
        return source.flow
    return min(source.flow, source.pump.rate)


def _builds(
    sets: IndexSets, stocks: _Stocks, weight: Floats
) -> tuple[list[tuple[str, ...]], Floats, Floats]:
    """Builds a pipe, by rising capacity, none dearer than a larger one."""
    site = sets.site
    listed = []
    for (route, fluid), pipe in sets.pipes.items():
        offers = []
        for build in pipe.builds:
            record = site.pipes[build]
            length, ground = site.routes[route].length, site.routes[route].ground_factor
            if build == pipe.existing:
                mass = np.zeros(len(stocks.limits))
            else:
                mass = stocks.of(record.masses(length), record.price * length * ground, record.life)
            rate = site.capacity(route, build, fluid) * (1.0 - 1e-6)
            offers.append((rate, float(mass @ weight), build, mass))
        kept: list[tuple[float, float, str, Floats]] = []
        for offer in sorted(offers, key=lambda o: (-o[0], o[1], o[2])):
            if not kept or offer[1] < kept[-1][1]:
                kept.append(offer)
        listed.append(kept[::-1])
    most = max(map(len, listed), default=1)
    capacity = np.zeros((len(listed), most))
    mass = np.zeros((len(listed), most, len(stocks.limits)))
    for e, offers in enumerate(listed):
        for k, (rate, _, _, taken) in enumerate(offers):
            capacity[e, k], mass[e, k] = rate, taken
    return [tuple(o[2] for o in offers) for offers in listed], capacity, mass


def _longest(sink_node: list[int], into: tuple[np.ndarray, np.ndarray, np.ndarray]) -> int:
    """Hops for a path: some times as many as the farthest node needs at the least."""
    first, _, other = into
    ahead, known, hops = set(sink_node), set(sink_node), 0
    while ahead:
        hops += 1
        ahead = {int(b) for a in ahead for b in other[first[a] : first[a + 1]]} - known
        known |= ahead
    return int(np.clip(DETOUR * hops, *HOPS_OF_A_PATH))


def _nearest(places: list[Place]) -> np.ndarray:
    """The nearest sources of each, itself first."""
    x, y = np.array([p.x for p in places]), np.array([p.y for p in places])
    far = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    np.fill_diagonal(far, -1.0)
    return np.argsort(far, axis=1, kind="stable")[:, :NEAR].astype(np.int64)


def _modes(sets: IndexSets, sources: list[str]) -> tuple[np.ndarray, np.ndarray, Floats, Floats]:
    """Ways of each source, and the windows at which stores are judged."""
    first, store, share, windows = [0], [], [], set()
    held = {s.type.holds for s in sets.fluid_stores.values()}
    for name in sources:
        source, curve = sets.site.sources[name], sets.curves[name]
        if sets.lossless or source.steady:
            store.append(False)
            share.append(1.0)
        elif source.fluid in held:
            for part in SHARES:
                draw = curve.duty * part
                worst = worst_window([(curve, 1.0)], draw, [], 0.0)
                if not math.isfinite(worst.length):
                    continue
                store.append(True)
                share.append(draw)
                windows.add(worst.length)
        first.append(len(store))
    return (
        np.array(first, dtype=np.int64),
        np.array(store, dtype=np.bool_),
        np.array(share),
        _spread(sorted(windows)),
    )


def _spread(lengths: list[float]) -> Floats:
    """At most so many of some window lengths, spread evenly in proportion."""
    if len(lengths) <= WINDOWS:
        return np.array(lengths)
    logs = np.log(lengths)
    wanted = np.linspace(logs[0], logs[-1], WINDOWS)
    picked = sorted({int(np.argmin(np.abs(logs - at))) for at in wanted})
    return np.array(lengths)[picked]


def _shape(sets: IndexSets, stocks: _Stocks, goal: str) -> tuple[float, Floats, float]:
    """(peak of pipes and machines, stock a unit of value, generation a unit of value)."""
    none = np.zeros(len(stocks.limits))
    if sets.lossless:
        return 1.0, none, 1.0
    demands = sets.power_demands() if goal != "served_fluid" else sets.fluid_demands()
    largest = max(demands, key=lambda d: d.mean)
    if goal != "served_fluid" and sets.batteries:
        offers = [
            (
                stocks.of(b.type.materials, b.type.price, b.type.life) * constants.size,
                constants.generation,
            )
            for (name, demand), constants in sets.levellings.items()
            if demand == largest.name
            for b in [sets.batteries[name]]
        ]
        return (1.0, *min(offers, key=lambda o: float(o[0].sum()))) if offers else (1.0, none, 1.0)
    shape = sets.shape_of[largest.name]
    return (1.0 if shape == FLAT else sets.peak(shape)), none, 1.0
