"""The lightest pipes from a source to a store and on to a generator, also under pressure.

A source reaches its store and its generator by three parts that meet at a fork, and of which any
may be empty: *inward*, from the source to the fork, with what the source gives; a *spur* between
fork and store, with that and what the store gives back; *onward*, from the fork to the generator.
Pipes are the lighter the smaller the shares of the stocks that they take.

Where pressures of the fluid are computed (:mod:`allocator.network.pressure_records`), a path knows
the potential that is left where it ends, or that it needs where it begins, and the boosters on it;
those paths between two places are kept of which no lighter one leaves or needs as much. A spur is
then as the program has it: from its fork on, routes do not branch before they come to a store.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from allocator.network.pressure_records import BoosterOption, FluidPressures, PipeLoss
from allocator.network.records import Network, Outflow
from allocator.site.graph import usable_routes
from allocator.site.records import StoreType
from allocator.studies.pipe_steps import (
    ROUNDING,
    Forks,
    PipeChoice,
    PipePath,
    added,
    after_pipe,
    at_end,
    at_flow,
    bears_before,
    before_pipe,
    by_place,
    carries,
    lightest,
    longer,
    shut_behind,
    spread,
)

_NO_LOSS = PipeLoss(0.0, 0.0, 0.0, 0.0, 0.0, math.inf)


@dataclass(frozen=True)
class PipePaths:
    """Lightest pipes on a network with stocks, kg; what was found is kept.

    ``short``: why ways of the source in hand fail: how many times too little, and of what;
    ``low``: the same of pressures.
    """

    site: Network
    stocks: Mapping[str, float]
    short: list[tuple[float, str]] = field(default_factory=list)
    low: list[tuple[float, str]] = field(default_factory=list)
    kept: dict[tuple[object, ...], Forks] = field(default_factory=dict)
    pipes: dict[tuple[object, ...], Mapping[str, tuple[PipeChoice, ...]]] = field(
        default_factory=dict
    )
    levels: dict[str, list[float]] = field(default_factory=dict)

    def share(self, materials: Mapping[str, float]) -> float:
        """Shares of all stocks that a mass by material takes, to choose the least by."""
        return math.fsum(shares_of(materials, self.stocks).values()) + 1e-12 * math.fsum(
            materials.values()
        )

    def inward(self, source: Outflow, flow: float) -> Iterator[PipePath]:
        """Paths from a source that carry a flow (kg/s), lightest first."""
        one = self.site.pressures.get(source.fluid)
        mouth, shut = math.inf, 0.0
        if one is not None:
            mouth = one.mouths.get(source.name, math.inf)
            shut = one.shut_in.get(("source", source.name), 0.0)
        first = PipePath(source.place, source.place, 0.0, mouth, shut)
        pipes = self._pipes(source.fluid, flow, "start")
        return spread([first], pipes, lambda path, pipe: after_pipe(one, path, pipe, flow), 1)

    def onward(self, machine: str, places: tuple[str, ...], fluid: str, flow: float) -> Forks:
        """Paths to machines at some places that carry a flow, by where they begin."""
        one = self.site.pressures.get(fluid)
        key = ("onward", machine if one else "", places, fluid, self.level(fluid, flow))
        if key not in self.kept:
            ends = self.generators(machine, places, fluid)
            pipes = self._pipes(fluid, flow, "end")
            self.kept[key] = by_place(
                spread(ends, pipes, lambda path, pipe: before_pipe(one, path, pipe, flow), -1)
            )
        return self.kept[key]

    def generators(self, machine: str, places: tuple[str, ...], fluid: str) -> list[PipePath]:
        """No pipes, at machines."""
        one = self.site.pressures.get(fluid)
        need, bears = 0.0, math.inf
        if one is not None:
            need = max(one.inlets.get(machine, 0.0), one.least)
            bears = one.ratings.get(("machine", machine), math.inf)
        return [PipePath(place, place, 0.0, need, bears) for place in places]

    def spurs(
        self, store: StoreType, places: tuple[str, ...], filling: float, giving: float
    ) -> Forks:
        """Spurs to a store at some places that carry what fills it and what it gives, by fork."""
        fluid, one = store.holds, self.site.pressures.get(store.holds)
        if one is not None:
            pressed = ("spur", store.name, places, filling, giving)
            if pressed not in self.kept:
                self.kept[pressed] = by_place(
                    path
                    for place in places
                    for path in self._pressed_spurs(one, store, place, filling, giving)
                )
            return self.kept[pressed]
        key = ("spur", places, fluid, self.level(fluid, filling + giving))
        if key not in self.kept:
            routes = self.site.routes
            pipes = {
                at: tuple(pipe for pipe in some if not routes[pipe.route].one_way)
                for at, some in self._pipes(fluid, filling + giving, "end").items()
            }
            ends = [PipePath(place, place, 0.0, 0.0, math.inf) for place in places]
            self.kept[key] = by_place(
                spread(ends, pipes, lambda path, pipe: before_pipe(None, path, pipe, 0.0), -1)
            )
        return self.kept[key]

    def lacks(self, path: PipePath, spur: PipePath, onward: PipePath) -> str:
        """What three parts that meet at a fork lack; nothing where they can be one way.

        Pressure for the "store" or the "generator", a "rating", a "route" or a "booster" for each.
        """
        if path.potential < spur.potential * (1 - ROUNDING):
            return "store"
        if given_at_fork(path, spur) < needed_at_fork(path, onward) * (1 - ROUNDING):
            return "generator"
        bears = min(path.rating, spur.shut, onward.shut)
        if max(path.shut, spur.back) > bears * (1 + ROUNDING):
            return "rating"
        routes = len(path.routes) + len(spur.routes) + len(onward.routes)
        if len(path.routes | spur.routes | onward.routes) < routes:
            return "route"
        units = path.boosters + spur.boosters + onward.boosters
        return "" if self._offered(units) else "booster"

    def _offered(self, boosters: tuple[tuple[str, str], ...]) -> bool:
        """Whether there may be as many boosters."""
        offers = self.site.boosters
        for (name, place), units in Counter(boosters).items():
            most = offers[name].places.get(place, units)
            if most is not None and units > most:
                return False
        for name, units in Counter(name for name, _ in boosters).items():
            limit = offers[name].max_units
            if limit is not None and units > limit:
                return False
        return True

    def level(self, fluid: str, flow: float) -> float:
        """Flows of one level use the same pipes; where pressure counts, each is its own."""
        if fluid in self.site.pressures:
            return flow
        levels = self.capacities(fluid)
        at = bisect_left(levels, flow * (1 - ROUNDING))
        return levels[at] if at < len(levels) else math.inf

    def capacities(self, fluid: str) -> list[float]:
        """kg/s that pipes may carry, rising."""
        if fluid not in self.levels:
            self.levels[fluid] = sorted({pipe.capacity for pipe in self._all(fluid)})
        return self.levels[fluid]

    def _all(self, fluid: str) -> tuple[PipeChoice, ...]:
        key = ("all", fluid)
        if key not in self.pipes:
            self.pipes[key] = {"": tuple(self._every_pipe(fluid))}
        return self.pipes[key][""]

    def _every(self, fluid: str, end: str) -> Mapping[str, tuple[PipeChoice, ...]]:
        """The same by the place of one end."""
        key = ("every", end, fluid)
        if key not in self.pipes:
            self.pipes[key] = at_end(end, self._all(fluid))
        return self.pipes[key]

    def _every_pipe(self, fluid: str) -> Iterator[PipeChoice]:
        """Every build on every route, each way; of a route with existing pipe that alone."""
        site, one = self.site, self.site.pressures.get(fluid)
        losses = {} if one is None else one.losses
        ratings = {} if one is None else one.ratings
        standing: dict[str, list[str]] = {}
        for run in site.built.pipes:
            if run.fluid == fluid:
                standing.setdefault(run.route, []).append(run.pipe)
        for route in usable_routes(site):
            existing = standing.get(route.name, [])
            able = [b for b in route.pipes if site.may_carry(route.name, b, fluid)]
            for build in existing or able:
                layers = [] if existing else site.pipes[build].layers
                materials = added(*({one.material: one.mass * route.length} for one in layers))
                ways = [(route.start, route.end), (route.end, route.start)]
                for start, end in ways[:1] if route.one_way else ways:
                    known = losses.get((route.name, start, build), _NO_LOSS)
                    yield PipeChoice(
                        *(route.name, start, end, build, self.share(materials), materials),
                        min(site.capacity(route.name, build, fluid), known.capacity),
                        known,
                        ratings.get(("pipe", build), math.inf),
                    )

    def _pipes(self, fluid: str, flow: float, end: str) -> Mapping[str, tuple[PipeChoice, ...]]:
        """Pipes that carry a flow, by the place of one end, without those that others outdo."""
        key = (end, fluid, self.level(fluid, flow))
        if key not in self.pipes:
            pipes = lightest(self._carrying(fluid, flow))
            self.pipes[key] = at_end(end, [*pipes, *self._boosted(fluid, pipes, flow)])
        return self.pipes[key]

    def _carrying(self, fluid: str, flow: float) -> list[PipeChoice]:
        """All pipes that carry a flow, with what they lose then."""
        pressed = fluid in self.site.pressures
        pipes = self._all(fluid)
        return at_flow(pipes, flow) if pressed else [p for p in pipes if carries(p, flow)]

    def _boosted(
        self, fluid: str, pipes: Iterable[PipeChoice], flow: float
    ) -> Iterator[PipeChoice]:
        """The pipes with each booster that may stand at their inlets."""
        one = self.site.pressures.get(fluid)
        at: dict[tuple[str, str], list[BoosterOption]] = {}
        for option in () if one is None else one.boosters:
            if option.route and option.max_flow >= flow:
                at.setdefault((option.route, option.start), []).append(option)
        for pipe in pipes:
            for option in at.get((pipe.route, pipe.start), ()):
                materials = added(pipe.materials, self._taken(option))
                share = self.share(materials)
                yield replace(pipe, share=share, materials=materials, booster=option)

    def _taken(self, option: BoosterOption) -> Mapping[str, float]:
        """kg by material for a booster; none for one that exists."""
        return {} if option.existing else self.site.boosters[option.booster].materials

    def _pressed_spurs(
        self, one: FluidPressures, store: StoreType, place: str, filling: float, giving: float
    ) -> Iterator[PipePath]:
        """Spurs that pressure allows, away from the store: filled one way, giving the other."""
        site, fluid = self.site, store.holds
        held = {p for each in site.storage.values() if each.holds == fluid for p in each.places}
        arriving, leaving = self._every(fluid, "end"), self._every(fluid, "start")
        waiting = self._stores(one, store, place, filling)
        while waiting:
            path = waiting.pop()
            yield path
            towards, away = arriving.get(path.place, ()), leaving.get(path.place, ())
            if path.routes and path.place not in held and len({p.route for p in away}) != 2:
                continue
            away = tuple(at_flow(away, giving))
            back = {(pipe.route, pipe.build): pipe for pipe in away}
            some = at_flow(towards, filling)
            for pipe in (*some, *self._boosted(fluid, some, filling)):
                giver = back.get((pipe.route, pipe.build))
                if giver is None or pipe.route in path.routes or path.given < pipe.least:
                    continue
                if site.capacity(pipe.route, pipe.build, fluid) < (filling + giving) * (
                    1 - ROUNDING
                ):
                    continue
                reached = before_pipe(one, path, pipe, filling)
                given = giver.known.after(path.given, giver.lost, giving)
                shut = shut_behind(one, giver, path.back)
                if reached is None or given < max(giver.least, one.least):
                    continue
                if shut > min(pipe.rating, reached[1]):
                    continue
                legs = (*path.legs, (pipe, filling, giver, giving))
                waiting.append(
                    replace(
                        longer(path, pipe.start, pipe, reached), given=given, legs=legs, back=shut
                    )
                )

    def _stores(
        self, one: FluidPressures, store: StoreType, place: str, filling: float
    ) -> list[PipePath]:
        """No pipes at a store, without and with a booster at its inlet."""
        at, kind = one.stores[store.name], ("storage", store.name)
        bears, back = one.ratings.get(kind, math.inf), one.shut_in.get(kind, 0.0)
        need = max(at.fill, one.least)
        found = [PipePath(place, place, 0.0, need, bears, given=at.release, back=back)]
        for option in one.boosters:
            if option.store == f"{store.name}@{place}" and option.max_flow >= filling:
                materials = self._taken(option)
                found.append(
                    replace(
                        found[0],
                        share=self.share(materials),
                        potential=max(at.fill - option.gain, option.inlet, one.least),
                        shut=bears_before(one, option, bears),
                        power=option.energy * filling,
                        materials=materials,
                        boosters=((option.booster, option.place),),
                    )
                )
        return found


def given_at_fork(path: PipePath, spur: PipePath) -> float:
    """Potential of what goes on from the fork at the end of a path, out of the store of a spur."""
    comes = path.potential
    for pipe, filling, _, _ in reversed(spur.legs):
        gain = 0.0 if pipe.booster is None else pipe.booster.gain
        comes = pipe.known.after(comes + gain, pipe.lost, filling)
    for _, _, giver, giving in spur.legs:
        comes = giver.known.after(comes, giver.lost, giving)
    return min(spur.given, path.potential, comes)


def needed_at_fork(path: PipePath, onward: PipePath) -> float:
    """Potential that what goes on from a fork must have.

    As much counts for the end of the pipe there: a store that has given most of its gas has no more
    pressure than that.
    """
    return max(path.least, onward.potential)


def shares_of(materials: Mapping[str, float], stocks: Mapping[str, float]) -> dict[str, float]:
    """The share that a mass by material takes of each stock that it needs."""
    return {
        name: kg / stocks[name] if stocks[name] > 0 else math.inf
        for name, kg in materials.items()
        if name in stocks and kg > 0
    }
