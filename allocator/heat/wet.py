"""Wet gas that cools below its dew point: what drains, and where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from allocator.heat.temperatures import Found
from allocator.physics.humidity import dew_point, drained
from allocator.physics.substances import molar_mass
from allocator.plan import Plan
from allocator.quantities import format_quantity
from allocator.site.records import Site
from allocator.site.streams.properties import substance_of


def wet_notes(site: Site, plan: Plan, states: Mapping[str, Sequence[Found]]) -> tuple[str, ...]:
    """A note for each run whose end may be colder than the dew point of the wettest source.

    The pressure is the highest of the fluid's sources, at which most drips.
    """
    notes = []
    for fluid, founds in states.items():
        wet = [s for s in site.sources.values() if s.fluid == fluid and s.water is not None]
        tapped = {use.name for use in plan.sources if use.tapped}
        shares = [s.water for s in wet if s.name in tapped and s.water is not None]
        if not shares:
            continue
        pressure = max([s.pressure or site.ambient.pressure for s in wet])
        dew = dew_point(max(shares), pressure)
        mass = molar_mass(substance_of(site, fluid))
        worst: dict[str, tuple[float, float]] = {}
        for found in founds:
            for carried in found.carried:
                stream = site.routes[carried.flow.run.route].stream
                if carried.outlet < dew and (stream is None or stream.kind != "passage"):
                    rate = carried.flow.rate
                    if mass is not None:
                        rate *= drained(max(shares), pressure, carried.outlet, mass)
                    name = carried.flow.run.route
                    water, _ = worst.get(name, (0.0, 0.0))
                    if rate >= water:
                        worst[name] = (rate, carried.outlet)
        for name, (water, kelvin) in worst.items():
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
