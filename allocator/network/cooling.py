"""Coolers, and heat sinks at sources, as one-way routes from a level to one that is colder."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.quantities import format_quantity
from allocator.network.coolers import heat_between, unit_of
from allocator.network.draft import Draft, PlacedError, degrees
from allocator.network.levels import level_above
from allocator.network.records import Arc, Network, PipeBuild, Recovery, Sink, Stream
from allocator.network.sinks import busiest
from allocator.physics.faults import PhysicsError
from allocator.site.records import Cooler, Layer

UNITS = 4
"""Units of a cooler that may stand for one stream at a place where the site sets no number."""


def put_coolers(draft: Draft, fluid: str, sources: Mapping[str, str]) -> None:
    site, levels = draft.site, draft.levels[fluid]
    for cooler in site.coolers.values():
        if cooler.fluid != fluid:
            continue
        outlet = level_above(levels, cooler.set_point)
        for place, most in cooler.places.items():
            inlets = [(draft.node(place, fluid, t), t) for t in levels if t > outlet]
            for source in site.sources.values():
                mouth = sources.get(source.name, "")
                if source.fluid == fluid and source.place == place and "mouth of" in mouth:
                    limit = source.pump.max_inlet_temperature if source.pump is not None else None
                    if source.temperature is not None and (limit is None or outlet <= limit):
                        inlets.append((mouth, source.temperature))
            for start, inlet in inlets:
                here = [site.sources[name] for name, node in sources.items() if node == start]
                known = [s.temperature for s in here if s.temperature is not None]
                lowest = min(known, default=0.0)
                _cooler(draft, cooler, place, most, (start, inlet, lowest), outlet)


def put_sinks(draft: Draft, fluid: str, sources: Mapping[str, str]) -> None:
    """Heat sinks from the mouths of their sources: for each level the one that takes least.

    What leads to the same level serves alike, and less mass never takes more material or money.
    """
    site, levels = draft.site, draft.levels[fluid]
    for name, sinks in draft.sinks.usable.items():
        source = site.sources[name]
        if source.fluid != fluid or source.temperature is None:
            continue
        taken = set()
        for sink in sorted(sinks, key=lambda one: (one.mass, one.recovery)):
            outlet = level_above(levels, sink.outlet)
            if (sink.heat_sink, outlet) in taken or outlet >= level_above(
                levels, source.temperature
            ):
                continue
            taken.add((sink.heat_sink, outlet))
            _sink(draft, sink, sources[name], (source.temperature, outlet))


def _sink(draft: Draft, sink: Sink, mouth: str, span: tuple[float, float]) -> None:
    """``span``: K at the mouth, and the level at which its gas leaves."""
    site, heat_sink = draft.site, draft.site.heat_sinks[sink.heat_sink]
    source = site.sources[heat_sink.source]
    name = f"{sink.heat_sink} of {format_quantity(sink.mass, 'mass')}"
    name += " with recovery" if sink.recovery else ""
    while name in draft.builds or name in site.pipes:
        name += "'"
    layers = tuple(Layer(m, kg) for m, kg in heat_sink.materials_of(sink.mass).items())
    price = heat_sink.price * sink.mass + heat_sink.base_price
    flow = busiest(site, source.name).flow  # what it guarantees holds up to there
    draft.builds[name] = PipeBuild(name, flow, layers, price=price, life=heat_sink.life, sink=sink)
    inlet, outlet = span
    draft.lay(
        Arc(
            f"{sink.heat_sink} at {source.place}: {degrees(inlet)} to {degrees(outlet)}",
            mouth,
            draft.node(source.place, source.fluid, outlet),
            1.0,
            (name,),
            one_way=True,
            capacities={(name, source.fluid): flow},
            stream=Stream("sink", source.fluid, sink.heat_sink, inlet, outlet),
        )
    )


def _cooler(
    draft: Draft,
    cooler: Cooler,
    place: str,
    most: int | None,
    begin: tuple[str, float, float],
    outlet: float,
) -> None:
    """``begin``: the node, the hottest that comes there, and the coldest of its sources, K."""
    start, inlet, lowest = begin
    try:
        unit = unit_of(draft.site, cooler, inlet)
    except PhysicsError as error:
        raise PlacedError("fluids", cooler.fluid, "", error) from None
    if unit.rate <= 0:
        return
    names = []
    for count in range(1, (most or UNITS) + 1):
        name = f"{cooler.name} x {count}"
        while name in draft.site.pipes:
            name += "'"
        layers = tuple(Layer(m, kg * count) for m, kg in cooler.materials.items() if kg > 0)
        price = cooler.price * count
        draft.builds[name] = PipeBuild(name, unit.rate, layers, price=price, life=cooler.life)
        names.append(name)
    mouth = "" if "mouth of" not in start else f"{start.rpartition(': ')[2]}, "
    draft.lay(
        Arc(
            f"{cooler.name} at {place}: {mouth}{degrees(inlet)} to {degrees(outlet)}",
            start,
            draft.node(place, cooler.fluid, outlet),
            1.0,
            tuple(names),
            one_way=True,
            capacities={(n, cooler.fluid): unit.rate * (i + 1) for i, n in enumerate(names)},
            energy=unit.power,
            stream=Stream("cooler", cooler.fluid, cooler.name, inlet, outlet),
            recovery=_recovery(draft.site, cooler, inlet, lowest)
            or _warming(draft.site, cooler, place, inlet, lowest),
        )
    )


def _recovery(site: Network, cooler: Cooler, inlet: float, lowest: float) -> Recovery | None:
    """Power per kg: ``efficiency * integral of cp`` down to the set-point, of gas no colder than

    ``lowest`` for a promise and no hotter than ``inlet`` for a bound. Gas that a cooler brings
    below its set-point gives up more, so the promise stands.
    """
    if cooler.recovery <= 0 or inlet < cooler.threshold:
        return None

    def power(hot: float) -> float:
        if hot < cooler.threshold or hot <= cooler.set_point:
            return 0.0
        return cooler.recovery * heat_between(site, cooler.fluid, hot, cooler.set_point)

    return Recovery(power(lowest), power(inlet), lowest)


def _warming(
    site: Network, cooler: Cooler, place: str, inlet: float, lowest: float
) -> Recovery | None:
    """Heat per kg for a place that asks for it: only what gas gives up above its temperature.

    Gas from below it could warm nothing there, so that is not counted.
    """
    into = cooler.rejects_at or site.ground(place)
    asked = site.places[into]
    hot = cooler.heat_temperature
    if asked.heat_demand is None or hot is None or hot < asked.heat_temperature:
        return None
    cold = max(hot, cooler.set_point)

    def heat(kelvin: float) -> float:
        return heat_between(site, cooler.fluid, kelvin, cold) if kelvin > cold else 0.0

    if heat(inlet) <= 0.0:
        return None
    return Recovery(0.0, 0.0, lowest, heat=heat(lowest), most_heat=heat(inlet), into=into)
