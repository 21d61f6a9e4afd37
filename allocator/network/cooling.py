"""Coolers, and heat sinks at sources, as one-way routes from a level to one that is colder."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.quantities import format_quantity
from allocator.network.coolers import heat_between, unit_of
from allocator.network.draft import Draft, PlacedError, is_mouth
from allocator.network.levels import level_above, level_of_existing
from allocator.network.records import Arc, Network, Outflow, PipeBuild, Recovery, Sink, Stream
from allocator.network.sinks import busiest
from allocator.network.wet_gas import condensed_heat
from allocator.physics.faults import PhysicsError
from allocator.site.records import BuiltPipe, Cooler, Layer


def put_coolers(draft: Draft, fluid: str, sources: Mapping[str, str]) -> None:
    site, levels = draft.site, draft.levels[fluid]
    for cooler in site.coolers.values():
        if cooler.fluid != fluid:
            continue
        outlet = level_above(levels, cooler.set_point)
        for place in cooler.places:
            inlets = [(draft.node(place, fluid, t), t) for t in levels if t > outlet]
            for source in site.sources.values():
                mouth = sources.get(source.name, "")
                if source.fluid == fluid and source.place == place and is_mouth(mouth):
                    limit = source.pump.max_inlet_temperature if source.pump is not None else None
                    if source.temperature is not None and (limit is None or outlet <= limit):
                        inlets.append((mouth, source.temperature))
            for start, inlet in inlets:
                here = [site.sources[name] for name, node in sources.items() if node == start]
                known = [s.temperature for s in here if s.temperature is not None]
                lowest = min(known, default=0.0)
                existing = _existing(draft, cooler, place, start, sources)
                mine = here if is_mouth(start) else site.sources.values()
                wet = [s for s in mine if s.fluid == fluid]
                _cooler(draft, cooler, place, existing, (start, inlet, lowest, wet), outlet)


def _existing(
    draft: Draft, cooler: Cooler, place: str, start: str, sources: Mapping[str, str]
) -> int | None:
    """Which of ``built.coolers`` cools a stream: at a source's mouth, or at a temperature."""
    levels = draft.levels[cooler.fluid]
    for number, one in enumerate(draft.site.built.coolers):
        if (one.cooler, one.place) != (cooler.name, place):
            continue
        enters = level_of_existing(draft.site, cooler.fluid, levels, one.temperature)
        node = draft.node(place, cooler.fluid, enters)
        if start == (node if one.source is None else sources.get(one.source)):
            return number
    return None


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
        # one that exists first: another that leads to the same level would serve no better
        for sink in sorted(sinks, key=lambda one: (not exists(site, one), one.mass, one.recovery)):
            outlet = level_above(levels, sink.outlet)
            if (sink.heat_sink, outlet) in taken or outlet >= level_above(
                levels, source.temperature
            ):
                continue
            taken.add((sink.heat_sink, outlet))
            _sink(draft, sink, sources[name], (source.temperature, outlet))


def _sink(draft: Draft, sink: Sink, mouth: str, ends: tuple[float, float]) -> None:
    """``ends``: K at the mouth, and the level at which its gas leaves."""
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
    inlet, outlet = ends
    span = " to ".join(draft.degrees(source.fluid, kelvin) for kelvin in ends)
    listed = draft.lay(
        Arc(
            f"{sink.heat_sink} at {source.place}: {span}",
            mouth,
            draft.node(source.place, source.fluid, outlet),
            1.0,
            (name,),
            one_way=True,
            capacities={(name, source.fluid): flow},
            stream=Stream("sink", source.fluid, sink.heat_sink, inlet, outlet),
        )
    )
    if exists(site, sink):
        draft.existing.append(BuiltPipe(listed, name, source.fluid))


def exists(site: Network, sink: Sink) -> bool:
    """Whether a heat sink stands already, of that mass and with its recovery or not."""
    made = sink.heat_sink, sink.mass, sink.recovery
    return any(one.is_of(*made) for one in site.built.heat_sinks)


def _cooler(
    draft: Draft,
    cooler: Cooler,
    place: str,
    existing: int | None,
    begin: tuple[str, float, float, list[Outflow]],
    outlet: float,
) -> None:
    """``existing``: which of ``built.coolers`` stands there.

    ``begin``: the node, the hottest that comes there, the coldest of its sources, K, and all
    sources whose gas may come there.
    """
    start, inlet, lowest, wet = begin
    try:
        condensed = condensed_heat(draft.site, cooler.fluid, wet, inlet, cooler.set_point)
        unit = unit_of(draft.site, cooler, inlet, condensed)
    except PhysicsError as error:
        raise PlacedError("fluids", cooler.fluid, "", error) from None
    if unit.rate <= 0:
        return
    standing = 0 if existing is None else draft.site.built.coolers[existing].units
    rates = {}
    for count in range(max(1, standing), cooler.most_units(place) + 1):
        new = count - standing or count  # what exists costs nothing, whatever its build says
        beside = f" ({standing} exist)" if 0 < standing < count else ""
        name = f"{cooler.name}{beside} x {count}"
        while name in draft.site.pipes:
            name += "'"
        layers = tuple(Layer(m, kg * new) for m, kg in cooler.materials.items() if kg > 0)
        price = cooler.price * new
        draft.builds[name] = PipeBuild(name, unit.rate, layers, price=price, life=cooler.life)
        rates[name] = unit.rate * count
    mouth = "" if not is_mouth(start) else f"{start.rpartition(': ')[2]}, "
    span = " to ".join(draft.degrees(cooler.fluid, kelvin) for kelvin in (inlet, outlet))
    listed = draft.lay(
        Arc(
            f"{cooler.name} at {place}: {mouth}{span}",
            start,
            draft.node(place, cooler.fluid, outlet),
            1.0,
            tuple(rates),
            one_way=True,
            capacities={(name, cooler.fluid): rate for name, rate in rates.items()},
            energy=unit.power,
            stream=Stream("cooler", cooler.fluid, cooler.name, inlet, outlet),
            recovery=_recovery(draft.site, cooler, inlet, lowest)
            or _warming(draft.site, cooler, place, inlet, lowest),
            existing=existing,
        )
    )
    if standing:
        draft.existing.append(BuiltPipe(listed, next(iter(rates)), cooler.fluid))


def _recovery(site: Network, cooler: Cooler, inlet: float, lowest: float) -> Recovery | None:
    """Power per kg: ``efficiency * integral of cp`` down to the set-point, of gas no colder than

    ``lowest`` for a promise and no hotter than ``inlet`` for a bound. Vapour counts for the bound
    alone: other gas may bring less. Gas that a cooler brings
    below its set-point gives up more, so the promise stands.
    """
    if cooler.recovery <= 0 or inlet < cooler.threshold:
        return None

    def power(hot: float, dry: bool = False) -> float:
        if hot < cooler.threshold or hot <= cooler.set_point:
            return 0.0
        return cooler.recovery * heat_between(site, cooler.fluid, hot, cooler.set_point, dry=dry)

    return Recovery(power(lowest, dry=True), power(inlet), lowest)


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

    def heat(kelvin: float, dry: bool = False) -> float:
        return heat_between(site, cooler.fluid, kelvin, cold, dry=dry) if kelvin > cold else 0.0

    if heat(inlet) <= 0.0:
        return None
    return Recovery(0.0, 0.0, lowest, heat=heat(lowest, dry=True), most_heat=heat(inlet), into=into)
