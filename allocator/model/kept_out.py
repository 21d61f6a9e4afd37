"""Sources that can give no power whatever is built, and what keeps each of them out."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.model.index_sets import Group, IndexSets
from allocator.model.reaching import Reaching
from allocator.network.draft import degrees
from allocator.network.records import Network, undivided
from allocator.network.sinks import bears, sinks_of
from allocator.site.records import Source


def kept_out(sets: IndexSets) -> dict[str, str]:
    """Source -> what keeps it out whatever is built, for each that can give no power."""
    users = _users(sets)
    sources = {name: s for name, s in sets.site.sources.items() if not s.part_of}
    ways = {fluid: Reaching((a.start, a.end) for a in arcs) for fluid, arcs in sets.arcs.items()}
    told = {
        name: _why(sets, source, users, ways.get(source.fluid, Reaching(())))
        for name, source in sources.items()
    }
    return {name: why for name, why in told.items() if why}


def kept_out_lines(sets: IndexSets) -> list[str]:
    """The same as lines of text."""
    return [f"source '{name}': {why}" for name, why in kept_out(sets).items()]


def _users(sets: IndexSets) -> Mapping[str, tuple[Group, ...]]:
    """Fluid -> machines that may turn it into power, at once or by way of other fluids."""
    served = _served(sets)
    groups = [g for g in sets.groups.values() if g.existing or g.most_new != 0]
    groups = [g for g in groups if g.type.power_out <= 0 or sets.bus(g.place) in served]
    useful: set[str] = set()
    while True:
        more = {
            fluid
            for group in groups
            if group.type.power_out > 0 or useful & set(group.type.outputs)
            for fluid in group.type.inputs
        }
        if more <= useful:
            break
        useful |= more
    return {
        fluid: tuple(
            g
            for g in groups
            if fluid in g.type.inputs and (g.type.power_out > 0 or useful & set(g.type.outputs))
        )
        for fluid in useful
    }


def _served(sets: IndexSets) -> set[str]:
    """Power buses from which lines may lead to a demand."""
    lines = [sets.site.power_lines[name] for name in sets.lines]
    steps = [(sets.bus(line.start), sets.bus(line.end)) for line in lines]
    steps += [(end, start) for start, end in steps]
    ways = Reaching(steps)
    return {bus for demand in sets.power_demands() for bus in ways.of(sets.bus(demand.place))}


def _why(
    sets: IndexSets, source: Source, users: Mapping[str, tuple[Group, ...]], ways: Reaching
) -> str:
    site = sets.site
    ground = site.ground(source.place)
    if source.place in site.limits.excluded_places:
        return f"'{ground}' is excluded"
    mine = users.get(source.fluid, ())
    if not mine:
        lines = ", from where a line may lead to a demand," if site.power_lines else ""
        return f"no machine that may be built{lines} turns '{source.fluid}' into power"
    reached = ways.of(source.place)
    if not bears(source) and len(reached) == 1:
        return _too_hot_for_pump(site, source)
    if not any(group.place in reached for group in mine):
        return _not_reached(site, source, mine)
    yields = [_yield(group, source.fluid) for group in mine]
    known = [watts for watts in yields if watts is not None]
    energy = 0.0 if source.pump is None else source.pump.energy
    if len(known) == len(yields) and energy >= max(known):
        return (
            f"its pump takes {energy / 1e6:.4g} MJ for each kg, and no machine gives more than "
            f"{max(known) / 1e6:.4g} MJ of power for it"
        )
    return ""


def _too_hot_for_pump(site: Network, source: Source) -> str:
    assert source.pump is not None
    assert source.pump.max_inlet_temperature is not None
    assert source.temperature is not None
    most = source.pump.max_inlet_temperature
    said = f"{degrees(source.temperature, most)} at the pump, which bears "
    said += degrees(most, source.temperature)
    refused = sinks_of(undivided(site.site)).refused
    sinks = [
        b.name for b in site.heat_sinks.values() if b.source == source.name and b.name in refused
    ]
    here = [
        cooler.name
        for cooler in site.coolers.values()
        if cooler.fluid == source.fluid and site.ground(source.place) in cooler.places
    ]
    if not sinks and not here:
        return f"{said}; no cooler is offered"
    why = [f"heat sink '{name}' does not cool it so far: {refused[name]}" for name in sinks]
    why += [f"cooler '{name}' does not cool it so far" for name in here]
    return f"{said}; {'; '.join(why)}"


def _not_reached(site: Network, source: Source, mine: tuple[Group, ...]) -> str:
    """No way, or none that is cool enough."""
    plain = site.site
    ground = site.ground(source.place)
    steps = []
    for route in plain.routes.values():
        if any(plain.may_carry(route.name, build, source.fluid) for build in route.pipes):
            steps.append((route.start, route.end))
            if not route.one_way:
                steps.append((route.end, route.start))
    reached = Reaching(steps).of(ground)
    near = [group for group in mine if site.ground(group.place) in reached]
    if not near or source.temperature is None:
        return f"no route that may carry '{source.fluid}' leads from '{ground}' to what takes it"
    limits, borne = [], list[float]()
    for group in near:
        limit = group.type.max_inlet_temperature
        bearing = ""
        if limit is not None:
            borne.append(limit)
            bearing = f", which bears {degrees(limit, source.temperature)}"
        limits.append(f"'{group.type.name}' at '{site.ground(group.place)}'{bearing}")
    return (
        f"{degrees(source.temperature, *borne)}, and nothing that is offered brings it cool enough "
        f"to {' or '.join(dict.fromkeys(limits))}"
    )


def _yield(group: Group, fluid: str) -> float | None:
    """W for each kg/s of a fluid at full load; None where other fluids are made of it first."""
    if group.type.power_out <= 0:
        return None
    return group.type.power_out / group.type.inputs[fluid]
