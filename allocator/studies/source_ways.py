"""What could be laid for one source alone: pipes to a store and on to generators.

Of all ways with the same kind of store, the same kind of generator and the same flow from store to
generator the lightest one counts (:mod:`allocator.studies.pipe_paths`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from allocator.base.dimensions import format_apart
from allocator.network.records import Outflow
from allocator.site.records import MachineType, StoreType
from allocator.studies.pipe_paths import PipePaths, given_at_fork, needed_at_fork
from allocator.studies.pipe_steps import Forks, PipePath, added

_LEVELS = 8
"""Up to this many pipe capacities are tried for one fluid; of more, an even choice of them."""

_SPARED = (0.7, 0.5)
"""Shares of a full flow that are tried besides: a spur then carries more of what goes on."""

_GRID, _PARTS = 1.15, 10
"""Where each flow has its own pressures, flows are rounded up to a power of it, kg/s; so many of
these are tried, from the full flow down."""

StoreKind = tuple[str, float]
"""Store type, "" where there is none; kg that exist at its place."""

MachineKind = tuple[str, int | None, int]
"""Machine type; most units at its place; units that exist there."""


@dataclass(frozen=True, slots=True)
class SourceWay:
    """Pipes of a source and what they lead to.

    ``store``: None where none is needed. ``stored``: kg that exist. ``most``: units at most;
    ``existing``: units that exist. ``limit``: kg/s that go on to them at most. ``share``: of all
    stocks, and ``materials``, kg, of pipes and boosters. ``power``: W that boosters take.
    """

    store: StoreType | None
    stored: float
    machine: MachineType
    place: str
    most: int | None
    existing: int
    limit: float
    share: float
    materials: Mapping[str, float]
    power: float


@dataclass(frozen=True, slots=True)
class Ends:
    """Places where a fluid may be kept and burnt, by what may be there."""

    fluid: str
    stores: Mapping[StoreKind, tuple[str, ...]]
    machines: Mapping[MachineKind, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class _Flow:
    """What may follow the pipes inward, for a flow that goes on. ``limit``: kg/s."""

    limit: float
    spurs: Mapping[StoreKind, Forks]
    onward: Mapping[MachineKind, Forks]


@dataclass(frozen=True)
class SourceWays:
    """Finds the ways of one source after the other."""

    paths: PipePaths

    def entries(self, fluid: str, full: float) -> list[tuple[float, float]]:
        """kg/s that a source of a full flow may give at most, and that its pipes carry for that.

        The full flow comes first.
        """
        if fluid in self.paths.site.pressures:
            return [(min(full, flow), flow) for flow in _rounded(full)]
        levels = self.paths.capacities(fluid)
        last = len(levels) - 1
        if last >= _LEVELS:
            levels = [levels[round(k * last / (_LEVELS - 1))] for k in range(_LEVELS)]
        levels = sorted({*levels, *(full * part for part in _SPARED)}, reverse=True)
        return [(full, full), *((level, level) for level in levels if level < full)]

    def ways(
        self, source: Outflow, ends: Ends, entry: float, mean: float, steady: bool
    ) -> Iterator[SourceWay]:
        """Ways of a source that gives ``entry`` kg/s at most and ``mean`` of it over time."""
        flows = list(self._stored(ends, entry, mean))
        if steady:
            flows.append(self._straight(ends))
        wanted = [
            (number, kind, group)
            for number, flow in enumerate(flows)
            for kind in flow.spurs
            for group in flow.onward
        ]
        best: dict[tuple[int, StoreKind, MachineKind], SourceWay] = {}
        for path in self.paths.inward(source, entry):
            open_ = [key for key in wanted if key not in best or best[key].share > path.share]
            if not open_:
                break
            for key in open_:
                number, kind, group = key
                flow = flows[number]
                known = best[key].share if key in best else math.inf
                way = self._joined(ends.fluid, path, flow, kind, group, known)
                if way is not None:
                    best[key] = way
        yield from best.values()

    def connection(self, source: Outflow, ends: Ends, entry: float) -> Mapping[str, float] | None:
        """kg of the lightest pipes from a source to a store or generator; None where none leads."""
        straight = self._straight(ends)
        tables = [(self._spurs(ends, kind, entry, 0.0), True) for kind in ends.stores]
        tables += [(table, False) for table in straight.onward.values()]
        least, found = math.inf, None
        for path in self.paths.inward(source, entry):
            if path.share >= least:
                break
            none = _no_pipes(path.place)
            for table, stored in tables:
                for more in table.get(path.place, ()):
                    parts = (path, more, none) if stored else (path, none, more)
                    share = path.share + more.share
                    if share < least and not self.paths.lacks(*parts):
                        least = share
                        found = added(path.materials, more.materials)
        return found

    def _joined(
        self,
        fluid: str,
        path: PipePath,
        flow: _Flow,
        kind: StoreKind,
        group: MachineKind,
        known: float,
    ) -> SourceWay | None:
        """The lightest way by the fork at the end of a path that is lighter than what is known."""
        site, place = self.paths.site, path.place
        found = None
        for spur in flow.spurs[kind].get(place, ()):
            if path.share + spur.share >= known:
                break
            for onward in flow.onward[group].get(place, ()):
                share = path.share + spur.share + onward.share
                if share >= known:
                    break
                lacks = self.paths.lacks(path, spur, onward)
                if lacks:
                    self._note(fluid, lacks, path, spur, onward)
                    continue
                known = share
                name, stored = kind
                machine, most, existing = group
                found = SourceWay(
                    store=site.storage[name] if name else None,
                    stored=stored,
                    machine=site.machines[machine],
                    place=onward.end,
                    most=most,
                    existing=existing,
                    limit=flow.limit if spur.routes or onward.routes else math.inf,
                    share=share,
                    materials=added(path.materials, spur.materials, onward.materials),
                    power=path.power + spur.power + onward.power,
                )
        return found

    def _note(
        self, fluid: str, lacks: str, path: PipePath, spur: PipePath, onward: PipePath
    ) -> None:
        """Keep by how much pressures at a fork fail, to tell where no way is found."""
        one = self.paths.site.pressures.get(fluid)
        if one is None:
            return
        has, wants = path.potential, spur.potential
        if lacks == "generator":
            has, wants = given_at_fork(path, spur), needed_at_fork(path, onward)
        elif lacks == "rating":
            wants, has = max(path.shut, spur.back), min(path.rating, spur.shut, onward.shut)
        elif lacks != "store":
            return
        ambient = self.paths.site.ambient.pressure
        left, needed = one.pressure(max(has, 0.0)), one.pressure(wants)
        short = needed / max(left, 1.0)
        if self.paths.low and short >= min(self.paths.low)[0]:
            return
        place = self.paths.site.ground(path.place)
        texts = format_apart(left - ambient, needed - ambient, "pressure")
        text = f"pressure at {place}: {texts[0]}(g), {texts[1]}(g) needed"
        if lacks == "rating":
            text = f"pressure at {place}, shut in: {texts[1]}(g), {texts[0]}(g) borne"
        self.paths.low.append((short, text))

    def _stored(self, ends: Ends, entry: float, mean: float) -> Iterator[_Flow]:
        """Flows that go on from a store; no more than the mean can."""
        paths, fluid = self.paths, ends.fluid
        if fluid in paths.site.pressures:
            rounded = _rounded(mean)
            limits = [min(mean, flow) for flow in rounded]
        else:
            levels = paths.capacities(fluid)
            within = set(levels) | {level - entry for level in levels}
            limits = rounded = [mean, *sorted((x for x in within if 0 < x < mean), reverse=True)]
        for limit, flow in list(zip(limits, rounded, strict=True))[:_PARTS]:
            spurs = {kind: self._spurs(ends, kind, entry, flow) for kind in ends.stores}
            yield _Flow(
                limit, spurs, {group: self._onward(ends, group, flow) for group in ends.machines}
            )

    def _straight(self, ends: Ends) -> _Flow:
        """From the source to generators at the end of its pipes, without a store."""
        onward = {
            group: {
                one.place: (one,) for one in self.paths.generators(group[0], places, ends.fluid)
            }
            for group, places in ends.machines.items()
        }
        places = {place for some in ends.machines.values() for place in some}
        empty = {place: (_no_pipes(place),) for place in places}
        return _Flow(math.inf, {("", 0.0): empty}, onward)

    def _spurs(self, ends: Ends, kind: StoreKind, filling: float, giving: float) -> Forks:
        store = self.paths.site.storage[kind[0]]
        return self.paths.spurs(store, ends.stores[kind], filling, giving)

    def _onward(self, ends: Ends, group: MachineKind, flow: float) -> Forks:
        return self.paths.onward(group[0], ends.machines[group], ends.fluid, flow)


def _no_pipes(place: str) -> PipePath:
    return PipePath(place, place, 0.0, 0.0, math.inf)


def _rounded(full: float) -> list[float]:
    """kg/s from a flow, rounded up, down; none where there is no flow."""
    if full <= 0.0:
        return []
    top = math.ceil(math.log(full, _GRID) - 1e-9)
    return [_GRID ** (top - part) for part in range(_PARTS)]
