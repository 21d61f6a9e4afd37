"""Coolers as one-way routes from a level to that of their set-point."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.physics.faults import PhysicsError
from allocator.site.records import Build, Cooler, Layer, Route, Stream
from allocator.site.streams.coolers import unit_of
from allocator.site.streams.draft import Draft, PlacedError, degrees
from allocator.site.streams.levels import level_above

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
                    limit = source.pump.hottest_inlet if source.pump is not None else None
                    if source.temperature is not None and limit is not None and outlet <= limit:
                        inlets.append((mouth, source.temperature))
            for start, inlet in inlets:
                _cooler(draft, cooler, place, most, start, inlet, outlet)


def _cooler(
    draft: Draft,
    cooler: Cooler,
    place: str,
    most: int | None,
    start: str,
    inlet: float,
    outlet: float,
) -> None:
    try:
        unit = unit_of(draft.site, cooler, inlet)
    except PhysicsError as error:
        raise PlacedError("fluids", cooler.fluid, "", error) from None
    if unit.rate <= 0:
        return
    names = []
    for count in range(1, (most or UNITS) + 1):
        name = f"{cooler.name} x {count}"
        while name in draft.site.builds:
            name += "'"
        layers = tuple(Layer(m, kg * count) for m, kg in cooler.materials.items() if kg > 0)
        draft.builds[name] = Build(name, unit.rate, layers, price=cooler.price * count)
        names.append(name)
    mouth = "" if "mouth of" not in start else f", {start.rpartition(', ')[2]}"
    draft.lay(
        Route(
            f"{cooler.name} at {place}{mouth}, {degrees(inlet)} to {degrees(outlet)}",
            start,
            draft.node(place, cooler.fluid, outlet),
            1.0,
            tuple(names),
            one_way=True,
            capacities={(n, cooler.fluid): unit.rate * (i + 1) for i, n in enumerate(names)},
            energy=unit.power,
            stream=Stream("cooler", cooler.fluid, cooler.name, inlet, outlet),
        )
    )
