"""Records of a network: those of a site with what follows from it.

Each is a record of the site file with a few more facts, so that whatever reads the file's keys
reads a network as well.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, TypeVar

from allocator.network.pressure_records import FluidPressures
from allocator.site.clocks import exact_cycle
from allocator.site.records import PipeType, Place, Route, Site, Source

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Node(Place):
    """A place, or the part of one at which a fluid is at one temperature.

    ``part_of``: the place of the site file that it is part of; empty for the place itself.
    """

    part_of: str = ""


@dataclass(frozen=True, slots=True)
class Outflow(Source):
    """A source, or what is drawn out of the chamber at one.

    ``part_of``: the source out of whose chamber this one is drawn (:meth:`through_chamber`); empty
    for a source of the file itself.
    """

    part_of: str = ""

    def through_chamber(self) -> dict[str, Outflow]:
        """What the pump may draw on through pauses, out of the chamber: by name.

        One for each stage but the innermost, on throughout that stage's on-time, and one always
        on. They share the source's tap, its pump and its chamber, and its clock.
        """
        if self.pump is None or self.pump.chamber is None or self.pressure is None:
            return {}
        if self.delivered:  # it comes when it is sent for, and need not be kept
            return {}
        rate = self.flow if self.pump.rate is None else min(self.flow, self.pump.rate)
        found = {}
        for number in range(1, len(self.stages) + 1):
            stages = self.stages[number:]
            if stages and stages[0].on >= stages[0].every:
                continue  # the stage around it says the same
            name = f"{self.name}: chamber, " + (f"stage {number + 1}" if stages else "always")
            found[name] = replace(
                self,
                name=name,
                flow=rate,
                stages=stages,
                next_start=self.next_start if stages else None,
                connection_materials={},
                connection_price=0.0,
                pump=replace(self.pump, chamber=None),
                part_of=self.name,
            )
        return found


@dataclass(frozen=True, slots=True)
class Sink:
    """A heat sink of ``mass`` kg, with its recovery or not, for the gas of its source.

    ``outlet``: K, hotter than which no gas leaves it. ``heat``: W, the most that it lets into its
    place.
    """

    heat_sink: str
    mass: float
    recovery: bool
    outlet: float
    heat: float


@dataclass(frozen=True, slots=True)
class PipeBuild(PipeType):
    """A pipe build, or a heat sink that stands for one: ``sink``.

    ``capacity`` of a build ``by_bore`` is the largest of those that it has on any route.
    """

    sink: Sink | None = None


@dataclass(frozen=True, slots=True)
class Stream:
    """Gas at one temperature on an arc.

    ``kind``: ``pipe`` along ``corridor``; ``cooler``, which stands at a place (``corridor`` is its
    type); ``sink``, a heat sink at its source (``corridor`` is the bath); ``passage``, which costs
    nothing: up to a hotter level it counts gas as hot as a booster gives it. ``inlet`` and
    ``outlet``: K, upper bounds.
    """

    kind: Literal["pipe", "cooler", "sink", "passage"]
    fluid: str
    corridor: str
    inlet: float
    outlet: float


@dataclass(frozen=True, slots=True)
class Recovery:
    """Power out of the heat that a cooler's arc takes away, J for each kg that passes it.

    ``power``: what may be promised of gas that comes from nowhere but the sources at its start,
    the coldest of which gives it at ``lowest`` K. ``most``: what no gas there passes. ``always``:
    ``most`` is counted for whatever passes, as bounds on any control do. ``heat``, ``most_heat``:
    the same of heat for the place ``into``, in place of power.
    """

    power: float
    most: float
    lowest: float
    always: bool = False
    heat: float = 0.0
    most_heat: float = 0.0
    into: str = ""


@dataclass(frozen=True, slots=True)
class Arc(Route):
    """A route, or what carries gas at one temperature along one, through a cooler or a heat sink.

    ``capacities``: (build, fluid) -> kg/s of all that may be laid, where the route decides it.
    ``stream``: what it stands for; None for the route itself. ``recovery``: of a cooler's arc,
    where its heat may give power. ``existing``: of a cooler's arc, which of ``built.coolers``
    cools there already, from 0.
    """

    capacities: Mapping[tuple[str, str], float] | None = None
    stream: Stream | None = None
    recovery: Recovery | None = None
    existing: int | None = None


@dataclass(frozen=True, slots=True)
class Handover:
    """A time, s from that of the site file, and what each store must hold then, kg.

    ``batteries``: what batteries do in the operation that follows, and so must do before it, in J,
    W, kg/s and units: by ``burst_part``, battery, class; ``swing``, battery; ``release``, battery,
    class, shape; ``level`` and ``surplus``, battery, demand, class; ``collect``, source,
    destination of bursts; ``cycled``, group. What is not named is 0.
    """

    at: float
    kept: Mapping[str, float]
    batteries: Mapping[tuple[str, ...], float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Network(Site):
    """What is planned on: a site with all that follows from it.

    ``site``: the site that it is derived from. ``corridors``: the routes as the file gives them,
    where ``routes`` are those of streams. ``sources``: after each one with a chamber stands what is
    drawn out of it (:meth:`Outflow.through_chamber`), made anew whenever a network is. ``studied``:
    a study has changed it, so that no file says the same. ``pressures``: of each fluid whose
    pressures along lines are computed; of others capacities alone count. ``handover``: where it is
    operated so only until another operation follows.
    """

    places: Mapping[str, Node]
    sources: Mapping[str, Outflow]
    pipes: Mapping[str, PipeBuild]
    routes: Mapping[str, Arc]
    site: Site = field(repr=False, compare=False)
    corridors: Mapping[str, Arc] = field(default_factory=dict)
    studied: bool = field(default=False, repr=False, compare=False)
    pressures: Mapping[str, FluidPressures] = field(default_factory=dict)
    handover: Handover | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        sources: dict[str, Outflow] = {}
        for name, source in self.sources.items():
            if not source.part_of:
                sources[name] = source
                sources.update(self._through_chamber(source))
        if sources != self.sources:
            object.__setattr__(self, "sources", sources)

    @property
    def own_sources(self) -> dict[str, Outflow]:
        """The sources of the site file, without what is drawn out of chambers."""
        return {name: source for name, source in self.sources.items() if not source.part_of}

    def parts_of(self, source: str) -> tuple[str, ...]:
        """Names of what is drawn out of a source's chamber."""
        return tuple(self._through_chamber(self.sources[source]))

    def _through_chamber(self, source: Outflow) -> dict[str, Outflow]:
        return source.through_chamber() if exact_cycle(source, self.spreads) else {}

    def capacity(self, route: str, build: str, fluid: str) -> float:
        """kg/s of a fluid that a build carries on a route."""
        listed = self.routes[route].capacities or {}
        return listed.get((build, fluid), self.pipes[build].capacity)

    def may_carry(self, route: str, build: str, fluid: str) -> bool:
        """Whether a build may carry a fluid on a route."""
        listed = self.routes[route].capacities
        return (
            Site.may_carry(self, route, build, fluid)
            if listed is None
            else (build, fluid) in listed
        )

    def ground(self, place: str) -> str:
        """The place of the site file that a place is, or is part of."""
        return self.places[place].part_of or place


def undivided(site: Site) -> Network:
    """The network of a site of whose temperatures and bores nothing is asked."""
    given = {name: getattr(site, name) for name in _names(Site)}
    given |= {
        "places": _all(Node, Place, site.places),
        "sources": _all(Outflow, Source, site.sources),
        "pipes": _all(PipeBuild, PipeType, site.pipes),
        "routes": _all(Arc, Route, site.routes),
    }
    return Network(**given, site=site)


def _all(kind: Callable[..., R], filed: type, records: Mapping[str, Any]) -> dict[str, R]:
    """Records of the file as those of the network."""
    names = _names(filed)
    values = operator.attrgetter(*names)
    return {
        key: kind(**dict(zip(names, values(record), strict=True)))
        for key, record in records.items()
    }


def _names(record: Any) -> tuple[str, ...]:
    """The fields of a record that its class takes."""
    return tuple(f.name for f in fields(record) if f.init)
