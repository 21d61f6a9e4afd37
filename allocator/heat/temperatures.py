"""Temperatures at every place and flange of one fluid in one state.

At a place what arrives mixes: ``sum rate h(T) = h(T_mix) sum rate``. Along a pipe it cools by the
march of :mod:`allocator.physics.runs`; a cooler brings it to its set-point, a heat sink to what it
guarantees; a passage changes nothing. The places are gone through again until nothing changes,
since flows may run in circles.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from allocator.heat.enthalpy import Enthalpy
from allocator.heat.states import Flow, Given
from allocator.physics.faults import PhysicsError
from allocator.site.records import Site
from allocator.site.streams.laggings import pipe_of
from allocator.site.streams.offers import Ask, march

SETTLED = 1e-7
"""K between two rounds at which all places are settled."""

MOST_ROUNDS = 1000
"""Flows that run in circles settle by the share that is new in each round."""


class Carried(NamedTuple):
    """A flow with its temperatures: ``inlet``, ``outlet`` K, ``surface`` K or None, ``loss`` W."""

    flow: Flow
    inlet: float
    outlet: float
    surface: float | None
    loss: float


class Found(NamedTuple):
    """``at``: place -> K of what is there; ``carried``: every flow."""

    at: Mapping[str, float]
    carried: tuple[Carried, ...]


def temperatures(
    site: Site,
    fluid: str,
    enthalpy: Enthalpy,
    flows: Sequence[Flow],
    given: Sequence[Given],
) -> Found:
    """The settled state.

    Raises:
        PhysicsError: it does not settle, or a property is not known.
    """
    at: dict[str, float] = {}
    coldest = float(enthalpy.kelvin[0])
    carried: tuple[Carried, ...] = ()
    for _ in range(MOST_ROUNDS):
        inlets = [at.get(flow.start, coldest) for flow in flows]
        carried = _carry(site, fluid, enthalpy, flows, inlets)
        following = _mixed(enthalpy, carried, given)
        change = max(
            (abs(following.get(p, coldest) - at.get(p, coldest)) for p in {*at, *following}),
            default=0.0,
        )
        at = following
        if change <= SETTLED:
            return Found(at, carried)
    raise PhysicsError("has temperatures that do not settle", "check its flows")


def _mixed(
    enthalpy: Enthalpy, carried: Sequence[Carried], given: Sequence[Given]
) -> dict[str, float]:
    rates: dict[str, float] = {}
    heats: dict[str, float] = {}
    arriving = [(c.flow.end, c.flow.rate, c.outlet) for c in carried]
    arriving += [(g.place, g.rate, g.temperature) for g in given]
    for place, rate, kelvin in arriving:
        rates[place] = rates.get(place, 0.0) + rate
        heats[place] = heats.get(place, 0.0) + rate * float(enthalpy.of(kelvin))
    return {p: float(enthalpy.temperature(heats[p] / rates[p])) for p in rates if rates[p] > 0}


def _carry(
    site: Site, fluid: str, enthalpy: Enthalpy, flows: Sequence[Flow], inlets: Sequence[float]
) -> tuple[Carried, ...]:
    outlets = list(inlets)
    found: list[float | None] = [None] * len(flows)
    marched = []
    for i, flow in enumerate(flows):
        stream = site.routes[flow.run.route].stream
        if stream is not None and stream.kind == "cooler":
            outlets[i] = min(inlets[i], site.coolers[stream.corridor].set_point)
        elif (sink := site.builds[flow.run.build].sink) is not None:
            outlets[i] = min(inlets[i], sink.outlet)
        elif stream is None or stream.kind == "pipe":
            found[i] = inlets[i]  # a build that is not known in full counts as bare
            if pipe_of(site, site.builds[flow.run.build]) is not None:
                marched.append(i)
    if marched:
        asks = [
            Ask(
                site.routes[flows[i].run.route],
                site.builds[flows[i].run.build],
                fluid,
                inlets[i],
            )
            for i in marched
        ]
        runs = march(site, fluid, asks, np.array([flows[i].rate for i in marched]))
        for k, i in enumerate(marched):
            outlets[i], found[i] = float(runs.end[k]), float(runs.surface[k])
    lost = enthalpy.of(np.array(inlets)) - enthalpy.of(np.array(outlets))
    return tuple(
        Carried(flow, inlets[i], outlets[i], found[i], flow.rate * float(lost[i]))
        for i, flow in enumerate(flows)
    )
