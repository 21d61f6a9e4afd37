"""Wet gas that cools below its dew point: what drains, and where."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from allocator.base.quantities import format_quantity
from allocator.network.properties import dry_mass, vapour
from allocator.network.records import Network
from allocator.physics.humidity import dew_point, drained
from allocator.plans.records import Drain, Plan
from allocator.site.records import Source
from allocator.thermal.states import STATES, drawn_from_stores, sent_by_sources
from allocator.thermal.temperatures import CarriedHeat, FoundTemperatures

NOTHING = 0.01
"""K below a dew point that are not worth telling, and beyond what its equations are good for."""

DAY = 86400.0
LEAST = 1e-9
"""kg/s of water that are not worth telling."""


class Part(NamedTuple):
    """A source whose gas comes to a run, K that it certainly has had, kg/s that it sends."""

    source: Source
    kelvin: float
    rate: float


class Told(NamedTuple):
    """kg/s of water that drain in a run, K at its end, and the dew point of its wettest gas.

    ``end``: the node at its cold end.
    """

    water: float
    outlet: float
    dew: float
    end: str


def wet_notes(
    site: Network,
    plan: Plan,
    hottest: Mapping[str, Sequence[FoundTemperatures]],
    coldest: Mapping[str, Sequence[FoundTemperatures]],
) -> tuple[tuple[str, ...], tuple[Drain, ...]]:
    """A note and a drain for each run whose end may be colder than the dew point of the wet gas

    that it may carry; a note for each source that says more vapour than its mouth can hold.

    A run may carry what any tapped source sends that leads to it, through stores as well; it drips
    at the coldest end that it may have, the one without the film inside (``coldest``), at the
    highest pressure of these sources. Of each source no more drips than it sends in that state,
    and nothing that has dripped already where all its ways have led, at their hottest. What stores
    give may be the wettest gas that comes to them.
    """
    notes: list[str] = []
    drains: list[Drain] = []
    tapped = {use.name for use in plan.sources if use.tapped}
    for fluid, founds in coldest.items():
        mine = {s.name: s for s in site.sources.values() if s.fluid == fluid and s.name in tapped}
        if not any(source.water for source in mine.values()):
            continue
        notes += [_at_mouth(site, s) for s in mine.values() if vapour(site, s) < (s.water or 0.0)]
        came = _came_through(hottest[fluid], mine)
        worst: dict[str, Told] = {}
        for state, found in zip(STATES, founds, strict=True):
            sends = sent_by_sources(site, plan, fluid, state)
            stored = math.fsum(rate for *_, rate in drawn_from_stores(site, plan, fluid, state))
            for carried in found.carried:
                stream = site.routes[carried.flow.run.route].stream
                here = came.get(carried.flow.start, {})
                if (stream is not None and stream.kind == "passage") or not here:
                    continue
                parts = [Part(mine[n], kelvin, sends.get(n, 0.0)) for n, kelvin in here.items()]
                told = _in_run(site, fluid, carried, parts, stored)
                name = carried.flow.run.route
                if told is not None and (name not in worst or told.water >= worst[name].water):
                    worst[name] = told
        known = dry_mass(site, fluid) is not None
        for name, told in worst.items():
            drains.append(Drain(name, fluid, told.end, told.water if known else None))
            rate = format_quantity(told.water, "mass_rate")
            daily = format_quantity(told.water * DAY, "mass", 1)
            amount = f": up to {rate} of water to drain, {daily} a day" if known else ""
            notes.append(
                f"{name.partition(': ')[0]}: {fluid} may cool to "
                f"{format_quantity(told.outlet, 'temperature')}, below its dew point of "
                f"{format_quantity(told.dew, 'temperature')}{amount}; fit a drain at its low points"
            )
    return tuple(notes), tuple(drains)


def _in_run(
    site: Network, fluid: str, carried: CarriedHeat, parts: Sequence[Part], stored: float
) -> Told | None:
    """What drips in a run of gas of some sources; ``stored``: kg/s that stores give in all.

    Vapour of mixed gas drips no more than that of each part alone, as dry gas carries vapour on.
    """
    wettest = max(vapour(site, part.source) for part in parts)
    if wettest <= 0.0:
        return None
    pressures = [part.source.pressure or site.ambient.pressure for part in parts]
    low, high = min(*pressures, site.ambient.pressure), max(pressures)
    dew, outlet = dew_point(wettest, high), carried.outlet
    if outlet >= dew - NOTHING:
        return None
    mass = dry_mass(site, fluid)

    def drips(part: Part) -> float:
        share, dry = vapour(site, part.source), mass or 1.0
        had = drained(share, low, part.kelvin, dry)
        return max(0.0, drained(share, high, outlet, dry) - had)

    each = sorted(((drips(part), part.rate) for part in parts), reverse=True)
    water, left = 0.0, carried.flow.rate
    for drip, rate in [(each[0][0], stored), *each]:  # of stores, whose gas may be the wettest
        water += min(left, rate) * drip
        left -= min(left, rate)
    return Told(water, outlet, dew, carried.flow.end) if water > LEAST else None


def _at_mouth(site: Network, source: Source) -> str:
    assert source.water is not None
    assert source.temperature is not None
    return (
        f"{source.name}: water drips at its mouth, for at "
        f"{format_quantity(source.temperature, 'temperature')} its gas holds no more than "
        f"{format_quantity(vapour(site, source), 'share')} of vapour, not "
        f"{format_quantity(source.water, 'share')}"
    )


def _came_through(
    founds: Sequence[FoundTemperatures], sources: Mapping[str, Source]
) -> dict[str, dict[str, float]]:
    """Place -> source whose gas may come there -> K: on each of its ways it was no hotter once.

    Along flows of any state, each at its hottest: what comes by an arc was as cold as its end, or
    as the coldest before it; of several ways, and of several states, the hottest counts.
    """
    came: dict[str, dict[str, float]] = {}
    for name, source in sources.items():
        came.setdefault(source.place, {})[name] = source.temperature or math.inf
    arcs: dict[tuple[str, str], float] = {}
    for found in founds:
        for carried in found.carried:
            ends = carried.flow.start, carried.flow.end
            arcs[ends] = max(carried.outlet, arcs.get(ends, 0.0))
    changed = True
    while changed:
        changed = False
        for (start, end), outlet in arcs.items():
            for name, kelvin in came.get(start, {}).items():
                now, there = min(kelvin, outlet), came.setdefault(end, {})
                if now > there.get(name, 0.0):
                    there[name] = now
                    changed = True
    return came
