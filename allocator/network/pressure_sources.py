"""Sources of which nothing can be had, as their pressure reaches nothing that takes their fluid."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from allocator.base.dimensions import format_apart, format_quantity
from allocator.base.quantities import shown
from allocator.network.faults import Remark
from allocator.network.pressure_arrivals import (
    OpenWay,
    Taker,
    added,
    highest_from,
    takers_of,
    ways_of,
)
from allocator.network.pressure_records import FluidPressures
from allocator.network.records import Network, Outflow

HAIR = 1e-9
"""Share by which a pressure may miss another that it equals."""


@dataclass(frozen=True, slots=True)
class _Reached:
    """A taker, the highest potential that comes to its inlet, and the least that it meets shut in.

    ``behind``: the booster behind which that is, or "".
    """

    taker: Taker
    arrives: float
    met: float
    behind: str

    @property
    def low(self) -> bool:
        return self.arrives < self.taker.needs * (1 - HAIR)

    @property
    def weak(self) -> bool:
        return self.met > self.taker.rating * (1 + HAIR)


def remarks_on_sources(
    site: Network, one: FluidPressures, in_bursts: bool = True
) -> Iterator[Remark]:
    """Sources whose fluid certainly reaches nothing, with every booster that may stand.

    ``in_bursts``: those as well that have pauses and fill no store.
    """
    ways, takers, more = ways_of(site, one), list(takers_of(site, one)), _added_at_most(site, one)
    known: dict[tuple[str, float], list[_Reached]] = {}
    for name, source in site.own_sources.items():
        if source.fluid != one.fluid or not source.pressure:
            continue
        mouth = one.mouths[name]
        if mouth < one.least * (1 - HAIR):
            yield _drawn(site, name, source)
            continue
        at = (one.node(source.place), mouth)
        if at not in known:
            known[at] = _reached(site, one, ways, takers, at, more)
        found = known[at]
        if found and all(end.low or end.weak for end in found):
            yield _nothing(one, name, source, found)
        elif in_bursts and not source.steady and not site.parts_of(name):
            stores = [end for end in found if end.taker.section == "store"]
            if stores and all(end.low or end.weak for end in stores) and not _batteries(site):
                yield _unstored(one, name, source, stores)


def _batteries(site: Network) -> bool:
    return any(store.holds not in site.fluids for store in site.storage.values())


def _added_at_most(site: Network, one: FluidPressures) -> float:
    """Potential that all boosters can add, each as often as it may stand."""
    total = 0.0
    for name in {option.booster for option in one.boosters}:
        booster = site.boosters[name]
        mine = [option for option in one.boosters if option.booster == name]
        standing = sum(option.existing for option in mine)
        units = 0.0
        for place in {option.place for option in mine}:
            most = booster.places.get(place)
            here = sum(option.place == place for option in mine)
            units += here if most is None else min(most, here)
        if booster.max_units is not None:
            units = min(units, booster.max_units)
        total += max(units, standing) * max(option.gain for option in mine)
    return total


def _reached(
    site: Network,
    one: FluidPressures,
    ways: Sequence[OpenWay],
    takers: Sequence[Taker],
    at: tuple[str, float],
    more: float,
) -> list[_Reached]:
    node, mouth = at
    plain = highest_from(one, [way._replace(boosters=()) for way in ways], {node: mouth})
    top = highest_from(one, ways, {node: mouth}, more)
    used = [option for way in ways if way.start in top for option in way.boosters]
    found = []
    for taker in takers:
        if taker.node not in top:
            continue
        arrives = top[taker.node] + added(taker.boosters, top[taker.node])
        arrives = min(arrives, plain[taker.node] + more)
        met, behind = mouth, ""
        fall = site.places[node].elevation - site.places[taker.node].elevation
        met = max(rest.after(mouth, fall) for rest in one.at_rest)
        if plain[taker.node] < taker.needs * (1 - HAIR):  # it takes a booster at the least
            before = min(mouth, met) if one.gas else met
            shut = [(before * option.boost**2 + option.rise, option.booster) for option in used]
            if one.gas:
                met = max(min(mouth, met), taker.own)
            into = [
                (met * option.boost**2 + option.rise, option.booster) for option in taker.boosters
            ]
            met, behind = min([*shut, *into], default=(met, ""))
        found.append(_Reached(taker, arrives, met, behind))
    return found


def _drawn(site: Network, name: str, source: Outflow) -> Remark:
    ambient = site.ambient.pressure
    mouth, least = format_apart(source.pressure or 0.0, ambient, "pressure")
    return Remark(
        "sources",
        name,
        f"its mouth is at {mouth}, below the ambient {least}, and no line is planned below that: "
        "nothing can be had of it",
        "check the pressures ('5 kPa(g)' counts from the ambient one); where a blower of its own "
        "draws it out, state the pressure behind that",
    )


def _nothing(one: FluidPressures, name: str, source: Outflow, found: Sequence[_Reached]) -> Remark:
    problem, remedy = _why(one, source, found)
    return Remark("sources", name, f"{problem}: nothing can be had of it", remedy)


def _unstored(one: FluidPressures, name: str, source: Outflow, found: Sequence[_Reached]) -> Remark:
    problem, remedy = _why(one, source, found)
    return Remark("sources", name, f"{problem}: it fills no store, and it has pauses", remedy)


def _why(one: FluidPressures, source: Outflow, found: Sequence[_Reached]) -> tuple[str, str]:
    """What is in the way at what lacks least, and what to do."""
    mouth = source.pressure or 0.0
    if weak := [end for end in found if not end.low]:
        end = min(weak, key=lambda end: end.met / end.taker.rating)
        bears, met = format_apart(one.pressure(end.taker.rating), one.pressure(end.met), "pressure")
        behind = f"behind {shown(end.behind)} " if end.behind else ""
        return (
            f"its mouth is at {format_quantity(mouth, 'pressure')}, {behind}at least {met} reach "
            f"{_named(end)}, shut in, and that bears {bears}",
            "check its 'pressure_rating', or offer a booster that gives less",
        )
    end = max(found, key=lambda end: end.arrives - end.taker.needs)
    comes, needed = format_apart(
        one.pressure(max(0.0, end.arrives)), one.pressure(end.taker.needs), "pressure"
    )
    remedy = "check the pressures, or offer a booster"
    if all(other.arrives == one.potential(mouth) for other in found):
        what = f"whatever takes {shown(one.fluid)} needs at least {needed}"
        return f"its mouth is at {comes}, and {what}", remedy
    words = " with all boosters" if one.boosters else ""
    return (
        f"its mouth is at {format_quantity(mouth, 'pressure')},{words} at most {comes} reach "
        f"{_named(end)}, and that needs {needed}",
        f"{remedy} that adds more" if one.boosters else remedy,
    )


def _named(end: _Reached) -> str:
    return f"{end.taker.section} {shown(end.taker.name)}"
