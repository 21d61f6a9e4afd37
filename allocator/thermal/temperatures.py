"""Temperatures at every place and flange of one fluid in one state.

At a place what arrives mixes: ``sum rate h(T) = h(T_mix) sum rate``. Along a pipe it cools by the
march of :mod:`allocator.physics.runs` with the film inside, an upper bound for all lesser flows;
where asked for the coldest (what condenses), without it. The heat that a pipe loses is always that
without the film, an upper bound as well. A cooler brings it to its set-point, a heat sink to what
it guarantees; a passage changes nothing, but one up to what a booster gives makes gas as hot as its
level. Flows may run in circles, and then little that is new comes in each round: so each flow is
taken to keep the share of its warmth above the surroundings that it kept in the last round, the
mixing of all places is solved at once, and this again until nothing changes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from allocator.network.insulation import pipe_of
from allocator.network.offers import Ask, ends_at_most, march
from allocator.network.records import Network
from allocator.network.wet_gas import heat_of_route
from allocator.physics.faults import PhysicsError
from allocator.site.enclosures import DULL, EMISSIVITY
from allocator.thermal.enthalpy import Enthalpy
from allocator.thermal.states import Flow, Given

SETTLED = 1e-7
"""K between two rounds at which all places are settled."""

MOST_ROUNDS = 1000
CLOSED = 1.0 - 1e-12
"""Of what runs in a closed circle, with nothing new in it, so much is kept a turn: it is as warm as
its surroundings."""


class CarriedHeat(NamedTuple):
    """A flow with its temperatures: ``inlet``, ``outlet`` K, ``surface`` K or None, ``loss`` W.

    The loss of a pipe is the most there may be, without the film inside: more than what the fluid
    has less at its hottest outlet. That of a cooler is with the most that may condense in it.
    """

    flow: Flow
    inlet: float
    outlet: float
    surface: float | None
    loss: float


class FoundTemperatures(NamedTuple):
    """``at``: place -> K of what is there; ``carried``: every flow."""

    at: Mapping[str, float]
    carried: tuple[CarriedHeat, ...]


def temperatures(
    site: Network,
    fluid: str,
    enthalpy: Enthalpy,
    flows: Sequence[Flow],
    given: Sequence[Given],
    *,
    coldest: bool = False,
) -> FoundTemperatures:
    """The settled state; ``coldest``: without the film inside pipes.

    Raises:
        PhysicsError: it does not settle, or a property is not known.
    """
    at: dict[str, float] = {}
    first = float(enthalpy.kelvin[0])
    carried: tuple[CarriedHeat, ...] = ()
    for _ in range(MOST_ROUNDS):
        inlets = [at.get(flow.start, first) for flow in flows]
        carried = _carry(site, fluid, enthalpy, flows, inlets, coldest)
        following = _mixed(site, enthalpy, carried, given)
        change = max(
            (abs(following.get(p, first) - at.get(p, first)) for p in {*at, *following}),
            default=0.0,
        )
        at = following
        if change <= SETTLED:
            return FoundTemperatures(at, carried)
    raise PhysicsError("has temperatures that do not settle", "check its flows")


def _mixed(
    site: Network, enthalpy: Enthalpy, carried: Sequence[CarriedHeat], given: Sequence[Given]
) -> dict[str, float]:
    """K by place: ``sum rate (h - kept h_start) = heat that is given``, above the surroundings.

    ``h_start``: at the place where a flow starts; ``kept``: the share of it at the flow's end. What
    a cooler or heat sink has brought to what it keeps is given, whatever it was before.
    """
    number = {p: i for i, p in enumerate(dict.fromkeys(_places(carried, given)))}
    rates, heats = np.zeros(len(number)), np.zeros(len(number))
    kept = np.zeros((len(number), len(number)))
    base = float(enthalpy.of(site.ambient.temperature))
    for source in given:
        place = number[source.place]
        rates[place] += source.rate
        heats[place] += source.rate * (float(enthalpy.of(source.temperature)) - base)
    for one in carried:
        rates[number[one.flow.end]] += one.flow.rate
    fed = rates > 0
    for flow, inlet, outlet, *_ in carried:
        start, place = number[flow.start], number[flow.end]
        inner, outer = (float(enthalpy.of(kelvin)) - base for kelvin in (inlet, outlet))
        stream = site.routes[flow.run.route].stream
        cooler = stream is not None and stream.kind == "cooler"
        cooled = cooler or site.pipes[flow.run.build].sink is not None
        if (cooled and outlet < inlet) or not fed[start]:
            heats[place] += flow.rate * outer
        elif 0.0 <= outer * np.sign(inner) <= abs(inner) and inner != 0.0:
            kept[place, start] += flow.rate * min(outer / inner, CLOSED)
        else:  # it comes nearer to something other than the surroundings
            kept[place, start] += flow.rate * CLOSED
            heats[place] += flow.rate * (outer - inner)
    above = np.zeros(len(number))
    above[fed] = np.linalg.solve(np.diag(rates[fed]) - kept[np.ix_(fed, fed)], heats[fed])
    return {p: float(enthalpy.temperature(base + above[i])) for p, i in number.items() if fed[i]}


def _places(carried: Sequence[CarriedHeat], given: Sequence[Given]) -> Iterator[str]:
    yield from (source.place for source in given)
    for one in carried:
        yield from (one.flow.start, one.flow.end)


def _carry(
    site: Network,
    fluid: str,
    enthalpy: Enthalpy,
    flows: Sequence[Flow],
    inlets: Sequence[float],
    coldest: bool,
) -> tuple[CarriedHeat, ...]:
    outlets = list(inlets)
    found: list[float | None] = [None] * len(flows)
    marched = []
    for i, flow in enumerate(flows):
        stream = site.routes[flow.run.route].stream
        if stream is not None and stream.kind == "cooler":
            outlets[i] = min(inlets[i], site.coolers[stream.corridor].set_point)
        elif (sink := site.pipes[flow.run.build].sink) is not None:
            outlets[i] = min(inlets[i], sink.outlet)
        elif stream is not None and stream.kind == "passage":
            rises = stream.outlet > stream.inlet
            outlets[i] = max(inlets[i], stream.outlet) if rises else inlets[i]
        else:
            found[i] = inlets[i]  # a build that is not known in full counts as bare
            if pipe_of(site, site.pipes[flow.run.build]) is not None:
                marched.append(i)
    losing = list(outlets)  # K at the end by which the loss counts
    if marched:
        asks = [
            Ask(
                site.routes[flows[i].run.route],
                site.pipes[flows[i].run.build],
                fluid,
                inlets[i],
            )
            for i in marched
        ]
        rates = np.array([flows[i].rate for i in marched])
        runs, dull = (march(site, fluid, asks, rates, grey) for grey in (EMISSIVITY, DULL))
        ends = dull.end if coldest else ends_at_most(site, fluid, asks, rates, runs.end)
        for k, i in enumerate(marched):
            outlets[i], found[i] = float(ends[k]), float(runs.surface[k])
            losing[i] = float(dull.end[k])
    lost = enthalpy.of(np.array(inlets)) - enthalpy.of(np.array(losing))
    for i, flow in enumerate(flows):
        route = site.routes[flow.run.route]
        if route.stream is not None and route.stream.kind == "cooler" and outlets[i] < inlets[i]:
            lost[i] += heat_of_route(site, route, inlets[i])
    return tuple(
        CarriedHeat(flow, inlets[i], outlets[i], found[i], flow.rate * float(lost[i]))
        for i, flow in enumerate(flows)
    )
