"""Runs of a fluid: one for each level at which it enters and each in which it may end."""

from __future__ import annotations

from dataclasses import replace

from allocator.network.draft import Draft, PlacedError, degrees
from allocator.network.faults import Remark
from allocator.network.levels import discharges_of, level_above, level_of_existing
from allocator.network.offers import Ask, Offer, offers_of
from allocator.network.properties import film_fluid
from allocator.network.records import Network, Stream
from allocator.network.wet_gas import condensate_told, highest_dew
from allocator.physics.faults import PhysicsError
from allocator.site.records import BuiltPipe


def lay_pipes(draft: Draft, fluid: str) -> None:
    """Runs of a fluid: one for each level at which it enters and each in which it may end."""
    site, levels = draft.site, draft.levels[fluid]
    existing = {(r.route, r.pipe): r for r in site.built.pipes if r.fluid == fluid}
    span_of = {key: _span(site, run, levels) for key, run in existing.items()}
    asks = [
        Ask(route, site.pipes[build], fluid, level)
        for route in site.routes.values()
        for level in levels
        for build in dict.fromkeys((*route.pipes, *(b for r, b in existing if r == route.name)))
        if site.may_carry(route.name, build, fluid)
    ]
    try:
        asked = offers_of(site, asks)
    except PhysicsError as error:
        raise PlacedError("fluids", fluid, "", error) from None
    offers = [offer for offer in asked if not offer.broken]
    _remark(draft, fluid, asked)
    _remark_film(draft, fluid, offers)
    _remark_wet(draft, fluid, offers)
    grouped: dict[tuple[str, float, float], list[Offer]] = {}
    for offer in offers:
        # gas colder than its surroundings warms, to their temperature where little flows
        warmed = site.ambient.temperature if offer.ask.inlet < site.ambient.temperature else 0.0
        ends = level_above(levels, max(offer.end, warmed))
        grouped.setdefault((offer.ask.route.name, offer.ask.inlet, ends), []).append(offer)
    stands: dict[tuple[str, str], str] = {}
    for (name, inlet, outlet), held in grouped.items():
        route = site.routes[name]
        ways = [(route.start, route.end, "")]
        if not route.one_way and outlet != inlet:
            ways.append((route.end, route.start, " back"))
        for start, end, back in ways:
            span = " to ".join(draft.degrees(fluid, t) for t in dict.fromkeys((inlet, outlet)))
            listed = draft.lay(
                replace(
                    route,
                    name=f"{name}: {fluid} {span}{back}",
                    start=draft.node(start, fluid, inlet),
                    end=draft.node(end, fluid, outlet),
                    pipes=tuple(o.ask.build.name for o in held if o.ask.build.name in route.pipes),
                    one_way=route.one_way or inlet != outlet,
                    capacities={(o.ask.build.name, fluid): o.capacity for o in held},
                    stream=Stream("pipe", fluid, name, inlet, outlet),
                )
            )
            for offer in held:
                key = name, offer.ask.build.name
                if key in existing and span_of[key][0] <= inlet <= span_of[key][1]:
                    both = inlet == outlet and not route.one_way
                    if both or start == (existing[key].start or route.start):
                        stands[key] = listed  # levels rise: the hottest stays
    draft.existing += [BuiltPipe(run, build, fluid) for (_, build), run in stands.items()]
    for name, build in sorted(existing.keys() - stands.keys()):
        draft.remarks.append(
            Remark(
                "routes",
                name,
                f"the existing '{build}' bears no stream of '{fluid}', so it is not used",
                "cool it further, or change the limit",
            )
        )


def _span(site: Network, run: BuiltPipe, levels: tuple[float, ...]) -> tuple[float, float]:
    """K at which gas may enter an existing pipe: as it states, or as hot as the pipe bears.

    Gas behind boosters that do not stand at it counts for no pipe that states nothing.
    """
    level = level_of_existing(site, run.fluid, levels, run.temperature)
    if run.temperature is not None:
        return level, level
    given = discharges_of(site, run.fluid)
    here = [b.booster for b in site.built.boosters if (b.route, b.fluid) == (run.route, run.fluid)]
    blown = [level_above(levels, given[name]) for name in here if name in given]
    return levels[0], max([level, *blown])


def _remark_film(draft: Draft, fluid: str, offers: list[Offer]) -> None:
    """Tell of a fluid that reaches a colder level in pipes, but whose conductivity is not known."""
    site, levels = draft.site, draft.levels[fluid]
    cools = any(level_above(levels, offer.end) < offer.ask.inlet for offer in offers)
    if cools and film_fluid(site, fluid, levels[-1]) is None:
        draft.remarks.append(
            Remark(
                "fluids",
                fluid,
                "has no known conductivity, so where pipes cool it they count without the film "
                "inside, and it may end hotter than calculated",
                "add 'constants: {conductivity: 0.03 W/(m*K)}', or a 'substance' that has one",
            )
        )


def _remark_wet(draft: Draft, fluid: str, offers: list[Offer]) -> None:
    """Tell of wet gas that pipes cool below its dew point, where what condenses warms it."""
    site, levels = draft.site, draft.levels[fluid]
    dew = highest_dew(site, fluid)
    colder = [
        level_above(levels, o.end) for o in offers if level_above(levels, o.end) < o.ask.inlet
    ]
    if dew is not None and min(colder, default=dew) < dew:
        draft.remarks.append(
            Remark(
                "fluids",
                fluid,
                f"may cool in pipes below its dew point of {degrees(dew)}, and what condenses "
                "there gives up heat that is not calculated: it may end hotter"
                f"{condensate_told(site, fluid, min(colder))}",
                "cool it below its dew point by a cooler, which counts that heat, or fit drains at "
                "the low points of its pipes",
            )
        )


def _remark(draft: Draft, fluid: str, asked: list[Offer]) -> None:
    """Tell routes on which no build holds at any level, and why; and standing pipes of no use."""
    for name in dict.fromkeys(offer.ask.route.name for offer in asked):
        mine = [offer for offer in asked if offer.ask.route.name == name]
        if all(offer.broken for offer in mine):
            coldest = min(offer.ask.inlet for offer in mine)
            why = "; ".join(
                f"{offer.ask.build.name}: {', '.join(offer.broken)}"
                for offer in mine
                if offer.ask.inlet == coldest
            )
            draft.remarks.append(
                Remark(
                    "routes",
                    name,
                    f"no build holds for '{fluid}', not even at {degrees(coldest)} ({why})",
                    "cool it further, insulate more, or change the limit",
                )
            )
