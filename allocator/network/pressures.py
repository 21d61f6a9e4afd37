"""Pressures along the lines of a network: what every pipe loses, and what holds at the ends.

They are computed for a fluid where a pressure at which it is given is known, and a pipe that may
carry it has a bore. A place without a pressure has no limit, and nowhere is it below the ambient
pressure. Everything is on the safe side: gas is at its hottest, a liquid at its coldest for its
viscosity and its rises, at its hottest for friction and its falls.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from allocator.network.pressure_ranges import (
    GAS_VELOCITY,
    LIQUID_VELOCITY,
    PressureRange,
    at_rest,
    gain_of,
    heads,
    inlet_of,
    range_of,
    rise_of,
)
from allocator.network.pressure_records import (
    IN_SERIES,
    AtRest,
    BoosterOption,
    FluidPressures,
    PipeKey,
    PipeLoss,
    StorePotentials,
)
from allocator.network.records import Arc, Network
from allocator.physics.arrays import Floats, floats
from allocator.physics.pressure_loss import (
    FASTEST,
    GRAVITY,
    area_of,
    end_factor,
    energy_of_compression,
    gas_factor,
    greatest_flow,
    liquid_factor,
    reynolds_of_unit,
)
from allocator.physics.substances import value
from allocator.site.records import BoosterType, PipeType

SAME = 1e-6
"""K between temperatures that are one."""


class PipeAsk(NamedTuple):
    """A pipe type of a length (m) that falls by a height (m), with gas as hot as ``kelvin``."""

    pipe: PipeType
    length: float
    fall: float
    kelvin: float


def losses_of(found: PressureRange, asked: Sequence[PipeAsk]) -> list[PipeLoss]:
    """What each pipe loses; those without a bore are not checked.

    Raises:
        PhysicsError: a property is not known at a temperature that is asked for.
    """
    if not asked:
        return []
    lost, gained = heads(found, np.array([abs(ask.fall) for ask in asked]))
    head = floats(np.where([ask.fall > 0 for ask in asked], -gained, lost))
    by_height = {fall: rise_of(found, -fall) for fall in {ask.fall for ask in asked} if fall < 0}
    rises = [by_height.get(ask.fall) if found.gas else None for ask in asked]
    losses = [PipeLoss(0.0, 0.0, 0.0, float(one), 0.0, math.inf) for one in head]
    bored = [i for i, ask in enumerate(asked) if ask.pipe.bore is not None]
    if bored:
        most = [replace(losses[i], rise=rises[i]).head_at(found.most)[0] for i in bored]
        known = _bored(found, [asked[i] for i in bored], head[bored], np.array(most))
        for i, loss in zip(bored, known, strict=True):
            losses[i] = loss
    own = [math.inf if ask.pipe.by_bore else ask.pipe.capacity for ask in asked]
    return [
        replace(loss, capacity=min(loss.capacity, most), fall=ask.fall, rise=rise)
        for loss, most, ask, rise in zip(losses, own, asked, rises, strict=True)
    ]


def _bored(
    found: PressureRange, asked: Sequence[PipeAsk], head: Floats, of_most: Floats
) -> list[PipeLoss]:
    """``of_most``: the head of the highest potential: no flow is greater than that drives."""
    bore = np.array([ask.pipe.bore or 0.0 for ask in asked])
    length = np.array([ask.length for ask in asked])
    rough = np.array([ask.pipe.roughness for ask in asked]) / bore
    usual = GAS_VELOCITY if found.gas else LIQUID_VELOCITY
    speed = np.array([ask.pipe.max_velocity or usual for ask in asked])
    speed *= 1.0 + found.substance.vapour[0]
    if found.gas:
        kelvin = np.array([ask.kelvin for ask in asked])
        law = found.gas_law(kelvin)
        sound = value(found.substance, "sound_speed", kelvin, found.ambient)
        mach = np.array([ask.pipe.max_mach for ask in asked])
        wanted = np.minimum(speed, mach * sound)
        slow = np.where(mach * sound < speed, "max_mach", "max_velocity")
        slow = np.where(wanted <= FASTEST * np.sqrt(law), slow, "")
        others = np.minimum(np.maximum(speed, mach * sound), FASTEST * np.sqrt(law))
        speed = floats(np.minimum(wanted, FASTEST * np.sqrt(law)))
        swift, room, fastest = (
            law / area_of(bore) ** 2,
            others / speed - 1.0,
            np.full_like(bore, math.inf),
        )
        factor = gas_factor(length, bore, law)
        unit = reynolds_of_unit(bore, value(found.substance, "viscosity", kelvin, found.ambient))
        end = end_factor(bore, law, speed)
    else:
        factor = liquid_factor(length, bore, found.light)
        unit = reynolds_of_unit(bore, found.viscosity)
        end, swift, room = np.zeros_like(bore), np.zeros_like(bore), np.full_like(bore, math.inf)
        slow = np.full(len(bore), "max_velocity")
        fastest = area_of(bore) * found.light * speed
    rates = greatest_flow(
        factor, unit, rough, end, found.most - found.least - of_most, found.most - of_most
    )
    if not found.gas:
        rates = floats(np.minimum(rates, fastest))
    known = np.array([factor, unit, rough, head, end, rates, swift, room, fastest]).T.tolist()
    return [
        PipeLoss(k, re, rel, lift, e, q, slow=str(key), swift=swift, room=room, fastest=fastest)
        for (k, re, rel, lift, e, q, swift, room, fastest), key in zip(known, slow, strict=True)
    ]


def with_pressures(site: Network) -> Network:
    """The network with the pressures of its fluids, where they are computed.

    Raises:
        PhysicsError: a property is not known at a temperature that is asked for.
    """
    ranges = {fluid: range_of(site, fluid) for fluid in site.fluids}
    found = {fluid: _of_fluid(site, fluid, one) for fluid, one in ranges.items() if one is not None}
    return replace(site, pressures=found) if found else site


def _of_fluid(site: Network, fluid: str, found: PressureRange) -> FluidPressures:
    def potential(pressure: float | None) -> float:
        return math.inf if pressure is None else pressure**2 if found.gas else pressure

    arcs = [arc for arc in site.routes.values() if _is_pipe(arc, fluid)]
    machines, storage = site.machines.values(), site.storage.values()
    takers = {m.name: m.min_inlet_pressure for m in machines if fluid in m.inputs}
    givers = {m.name: m.outlet_pressure for m in machines if fluid in m.outputs}
    mouths = {s.name: s.pressure for s in site.sources.values() if s.fluid == fluid}
    wants = {d.name: d.min_inlet_pressure for d in site.demands.values() if d.wants == fluid}
    stores = {
        s.name: StorePotentials(
            potential(s.pressure or s.max_pressure or 0.0),
            potential(s.pressure or s.min_pressure),
        )
        for s in storage
        if s.holds == fluid
    }
    fullest = {s.name: s.pressure or s.max_pressure for s in storage if s.holds == fluid}
    ratings = [
        *(("pipe", p.name, p.pressure_rating) for p in site.pipes.values()),
        *(("storage", s.name, s.pressure_rating) for s in storage if s.holds == fluid),
        *(("machine", m.name, m.pressure_rating) for m in machines if fluid in m.inputs),
        *(("machine", m.name, m.pressure_rating) for m in machines if fluid in m.outputs),
    ]
    given = {"source": mouths, "storage": fullest, "machine": givers}
    heights = [place.elevation for place in site.places.values()]
    boosters = tuple(_boosters(site, fluid, found, arcs))
    ratio = math.prod(sorted(one.boost for one in boosters)[-IN_SERIES:])
    return FluidPressures(
        fluid=fluid,
        gas=found.gas,
        least=found.least,
        most=found.most,
        shares=_shares(site, fluid),
        losses=_losses(site, fluid, found, arcs),
        links=tuple(
            (arc.name, arc.start)
            for arc in site.routes.values()
            if _joins(arc, fluid) and arc.one_way
        ),
        mouths={name: potential(p or found.unsaid) for name, p in mouths.items()},
        inlets={name: potential(p) for name, p in takers.items() if p is not None},
        outlets={name: potential(p or found.unsaid) for name, p in givers.items()},
        demands={name: potential(p) for name, p in wants.items() if p is not None},
        stores=stores,
        boosters=boosters,
        ratings={(kind, name): potential(p) for kind, name, p in ratings if p is not None},
        shut_in={
            (kind, name): potential(p)
            for kind, pressures in given.items()
            for name, p in pressures.items()
            if p is not None
        },
        at_rest=at_rest(found, ratio) if max(heights) > min(heights) else (AtRest(),),
        heights=max(heights) - min(heights),
    )


def _is_pipe(arc: Arc, fluid: str) -> bool:
    stream = arc.stream
    return stream is None or (stream.kind == "pipe" and stream.fluid == fluid)


def _joins(arc: Arc, fluid: str) -> bool:
    """Whether an arc without loss carries a fluid: a passage, a cooler, a heat sink."""
    stream = arc.stream
    carried = {one for _, one in arc.capacities or {}}
    return stream is not None and stream.kind != "pipe" and fluid in carried


def _shares(site: Network, fluid: str) -> dict[str, str]:
    """Node -> the first of those that it is joined to by passages both ways."""
    joined: dict[str, str] = {}

    def first(node: str) -> str:
        while (other := joined.get(node, node)) != node:
            node = other
        return node

    for arc in site.routes.values():
        if _joins(arc, fluid) and not arc.one_way:
            one, other = sorted((first(arc.start), first(arc.end)))
            if one != other:
                joined[other] = one
    return {node: first(node) for node in joined}


def _ways(arc: Arc) -> tuple[tuple[str, str], ...]:
    """(start, end) of each way that an arc may be used."""
    both = (arc.start, arc.end), (arc.end, arc.start)
    return both[:1] if arc.one_way else both


def _losses(
    site: Network, fluid: str, found: PressureRange, arcs: Iterable[Arc]
) -> dict[PipeKey, PipeLoss]:
    standing: dict[str, list[str]] = {}
    for run in site.built.pipes:
        if run.fluid == fluid:
            standing.setdefault(run.route, []).append(run.pipe)
    asks: dict[PipeKey, PipeAsk] = {}
    for arc in arcs:
        hot = found.hot if arc.stream is None else max(arc.stream.inlet, site.ambient.temperature)
        for pipe in dict.fromkeys((*arc.pipes, *standing.get(arc.name, ()))):
            if site.may_carry(arc.name, pipe, fluid):
                for start, end in _ways(arc):
                    fall = site.places[start].elevation - site.places[end].elevation
                    asks[arc.name, start, pipe] = PipeAsk(site.pipes[pipe], arc.length, fall, hot)
    return dict(zip(asks, losses_of(found, list(asks.values())), strict=True))


def _boosters(
    site: Network, fluid: str, found: PressureRange, arcs: Sequence[Arc]
) -> Iterator[BoosterOption]:
    """Every inlet at which a booster may stand or stands, of pipes and of stores."""
    inlets = [
        (arc.name, start, "", arc.stream.corridor if arc.stream else arc.name)
        for arc in arcs
        for start, _ in _ways(arc)
    ]
    inlets += [
        ("", node, f"{store.name}@{node}", store.name)
        for store in site.storage.values()
        if store.holds == fluid
        for node in store.places
    ]
    standing = {
        (one.booster, one.place, one.route or one.store)
        for one in site.built.boosters
        if one.fluid == fluid
    }
    for booster in site.boosters.values():
        if fluid not in booster.fluids:
            continue
        gain, inlet = gain_of(site, found, booster), inlet_of(site, booster)
        for route, start, store, thing in inlets:
            stream = site.routes[route].stream if route else None
            kelvin = found.hot if stream is None else max(stream.inlet, site.ambient.temperature)
            place = site.ground(start)
            stands = (booster.name, place, thing) in standing
            offered = place in booster.places and start not in site.limits.excluded_places
            if (offered or stands) and _bears(site, booster, route, store):
                yield BoosterOption(
                    booster.name,
                    fluid,
                    place,
                    route,
                    start,
                    store,
                    gain,
                    inlet**2 if found.gas else inlet,
                    booster.ratio or 1.0,
                    0.0 if found.gas else found.heavy * GRAVITY * (booster.head or 0.0),
                    energy_of(found, booster, kelvin),
                    math.inf if booster.max_flow is None else booster.max_flow,
                    stands,
                )


def _bears(site: Network, booster: BoosterType, route: str, store: str) -> bool:
    """Whether a stream or a store is for gas as hot as it leaves a booster."""
    hot = booster.discharge_temperature
    if store:
        limit = site.storage[store.partition("@")[0]].max_inlet_temperature
    else:
        stream = site.routes[route].stream
        limit = None if stream is None else stream.inlet
    return hot is None or limit is None or hot <= limit + SAME


def energy_of(found: PressureRange, booster: BoosterType, kelvin: float) -> float:
    """J/kg that a booster takes at its full ratio or head, of gas that is so hot at its inlet."""
    if not found.gas:
        return GRAVITY * (booster.head or 0.0) / booster.efficiency
    law = found.gas_law(floats(kelvin)) / (1.0 + found.substance.vapour[0])
    heat = value(found.substance, "specific_heat", kelvin, found.ambient) * kelvin
    return float(energy_of_compression(booster.ratio or 1.0, law, heat, booster.efficiency))
