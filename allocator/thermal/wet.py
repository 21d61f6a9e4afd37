"""Wet gas that cools below its dew point: what drains, and where."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from allocator.base.quantities import format_quantity
from allocator.network.properties import substance_of
from allocator.network.records import Network
from allocator.network.wet_gas import vapour
from allocator.physics.humidity import dew_point, drained
from allocator.physics.substances import molar_mass
from allocator.plans.records import Plan
from allocator.site.records import Source
from allocator.thermal.temperatures import FoundTemperatures

NOTHING = 0.01
"""K below a dew point that are not worth telling, and beyond what its equations are good for."""


def wet_notes(
    site: Network, plan: Plan, states: Mapping[str, Sequence[FoundTemperatures]]
) -> tuple[str, ...]:
    """A note for each run whose end may be colder than the dew point of the wet gas that it may

    carry, and for each source that says more vapour than its gas can hold at its mouth.

    A run may carry what any tapped source sends that leads to it, through stores as well. The
    wettest of them counts, at the highest of their pressures, at which most drips; of a source
    that drips at its mouth no more vapour goes on than its gas can hold there.
    """
    notes: list[str] = []
    tapped = {use.name for use in plan.sources if use.tapped}
    for fluid, founds in states.items():
        mine = {s.name: s for s in site.sources.values() if s.fluid == fluid and s.name in tapped}
        if not any(source.water for source in mine.values()):
            continue
        mass = molar_mass(substance_of(site, fluid))
        notes += [_at_mouth(site, s) for s in mine.values() if vapour(site, s) < (s.water or 0.0)]
        come = _comes_to(founds, mine.values())
        worst: dict[str, tuple[float, float, float]] = {}
        for found in founds:
            for carried in found.carried:
                stream = site.routes[carried.flow.run.route].stream
                if stream is not None and stream.kind == "passage":
                    continue
                sources = [mine[name] for name in sorted(come.get(carried.flow.start, ()))]
                share = max((vapour(site, source) for source in sources), default=0.0)
                if share <= 0.0:
                    continue
                pressure = max(source.pressure or site.ambient.pressure for source in sources)
                dew = dew_point(share, pressure)
                if carried.outlet < dew - NOTHING:
                    rate = carried.flow.rate
                    if mass is not None:
                        rate *= drained(share, pressure, carried.outlet, mass)
                    name = carried.flow.run.route
                    if rate >= worst.get(name, (0.0,))[0]:
                        worst[name] = (rate, carried.outlet, dew)
        for name, (water, kelvin, dew) in worst.items():
            named = name.partition(": ")[0]
            amount = (
                f": up to {format_quantity(water, 'mass_rate')} of water to drain"
                if mass is not None
                else ""
            )
            notes.append(
                f"{named}: {fluid} may cool to {format_quantity(kelvin, 'temperature')}, below its "
                f"dew point of {format_quantity(dew, 'temperature')}{amount}"
            )
    return tuple(notes)


def _at_mouth(site: Network, source: Source) -> str:
    assert source.water is not None
    assert source.temperature is not None
    return (
        f"{source.name}: water drips at its mouth, for at "
        f"{format_quantity(source.temperature, 'temperature')} its gas holds no more than "
        f"{format_quantity(vapour(site, source), 'share')} of vapour, not "
        f"{format_quantity(source.water, 'share')}"
    )


def _comes_to(
    founds: Sequence[FoundTemperatures], sources: Collection[Source]
) -> dict[str, set[str]]:
    """Place -> the sources whose gas may come there along the flows of any state."""
    come: dict[str, set[str]] = {}
    for source in sources:
        come.setdefault(source.place, set()).add(source.name)
    arcs = {(c.flow.start, c.flow.end) for found in founds for c in found.carried}
    changed = True
    while changed:
        changed = False
        for start, end in arcs:
            missing = come.get(start, set()) - come.get(end, set())
            if missing:
                come.setdefault(end, set()).update(missing)
                changed = True
    return come
