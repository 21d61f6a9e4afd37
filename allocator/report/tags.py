"""Tags of valves, level switches and boosters: the same in every list, on the map, on the plate.

A tag is letters, the number of the place and the number of the thing there, such as ``HV-0302``.
Letters follow the identification letters of ANSI/ISA-5.1: ``HV`` hand valve at a source's
connection, ``FCV`` flow control valve, ``LS`` level switch of a store, above which surplus may be
used, ``PSL`` low-pressure switch of a chamber. That standard has no letters for what is no
instrument: ``NRV`` for a non-return valve, ``B`` for a blower, ``C`` for a compressor and ``P`` for
a pump are the usual ones of piping drawings (from memory). Places count in the order of the site
file; at a place first its sources, then the kinds of store and the kinds of booster that may stand
there, whether built or not, so that another plan of the same file has the same tags. A letter
follows where a thing has several of one kind.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.things import booster_key
from allocator.report.passing import built_stores
from allocator.report.pressures import valves_of as needed_valves
from allocator.report.ways import Way, ways_of
from allocator.site.records import POWER

SCHEME = (
    "Tags: HV hand valve at a source's connection, FCV flow control valve, LS level switch, "
    "PSL low-pressure switch; then the number of the place and of the thing there, in the order of "
    "the site file; a letter where a thing has several"
)
MORE = "NRV non-return valve, B blower, C compressor, P pump; numbered as the others"
"""Added to the scheme where pressures along lines are planned."""
_LETTERS = {"blower": "B", "compressor": "C", "pump": "P"}


@dataclass(frozen=True, slots=True)
class ValveTag:
    """A tagged valve, switch or booster. ``place``: of the site file.

    ``thing``: a source, a store ``type@place``, or ``>`` with the name of a booster.
    """

    tag: str
    what: str
    thing: str
    place: str
    fluid: str


def valve_tags(site: Network, plan: Plan) -> dict[str, ValveTag]:
    """Tags of all valves that a plan sets, by what each is for.

    ``tap:SOURCE``; ``send:SOURCE>DESTINATION`` and ``supply:SOURCE``, flow while on and steady;
    ``release:STORE``, ``fill:STORE`` and ``reserve:STORE`` of ``type@place``; ``chamber:SOURCE``;
    ``back:SOURCE`` and ``back:STORE``, non-return; boosters by :func:`booster_key`.
    """
    numbers = _numbers(site)
    found = dict(_valves(site, plan))
    alike: dict[str, list[str]] = {}
    for key, valve in found.items():
        name, store, _ = valve.thing.partition("@")
        number = numbers.get((valve.place, f"{name}{store}"), "00")
        alike.setdefault(f"{valve.tag}-{number}", []).append(key)
    for tag, keys in alike.items():
        for letter, key in zip(_letters(), keys, strict=False):
            found[key] = replace(found[key], tag=f"{tag}{letter if len(keys) > 1 else ''}")
    return found


def valves_of_runs(
    site: Network, plan: Plan, tags: Mapping[str, ValveTag]
) -> dict[tuple[str, str], tuple[str, ...]]:
    """Tags of the valves at the ends of each run whose flow goes along it, by route and fluid."""
    found: dict[tuple[str, str], list[str]] = {}
    for way in ways_of(site, plan):
        valves = [tags[key] for key in _keys(way) if key in tags]
        for name in way.routes:
            route = site.routes[name]
            ends = (site.ground(route.start), site.ground(route.end))
            mine = found.setdefault((name, way.fluid), [])
            mine += [valve.tag for valve in valves if valve.place in ends]
    return {run: tuple(sorted(set(mine), key=_in_order)) for run, mine in found.items()}


def _keys(way: Way) -> Iterator[str]:
    """Keys of the valves at the two ends of a way."""
    giver, _, name = way.giver.partition(":")
    if giver == "source":
        yield f"tap:{name.partition(':')[0]}"
        yield f"send:{name}>{way.taker}" if way.layer == "collect" else f"supply:{name}"
    elif giver == "store":
        yield f"release:{name}"
    if way.layer == "supply" and way.taker.startswith("store:"):
        yield f"fill:{way.taker.partition(':')[2]}"


def _in_order(tag: str) -> tuple[str, str]:
    letters, _, number = tag.partition("-")
    return number, letters


def valves_of(tags: Mapping[str, ValveTag], thing: str) -> tuple[str, ...]:
    """Tags of a source, or of a store by its name ``type@place``."""
    return tuple(valve.tag for valve in tags.values() if valve.thing == thing)


def _letters() -> Iterator[str]:
    """A, B, ... Z, AA, AB and on."""
    before = [""]
    while True:
        before = [f"{one}{chr(65 + n)}" for one in before for n in range(26)]
        yield from before


def _numbers(site: Network) -> dict[tuple[str, str], str]:
    """(place, source, kind of store with ``@`` or of booster with ``>``) -> digits, as ``0302``."""
    here: dict[str, list[str]] = {name: [] for name in site.places if site.ground(name) == name}
    for source in site.own_sources.values():
        here[site.ground(source.place)].append(source.name)
    for store in site.storage.values():
        if store.holds != POWER:
            for place in {site.ground(one): None for one in store.places}:
                here[place].append(f"{store.name}@")
    for booster in site.boosters.values():
        for place in {site.ground(one): None for one in booster.places}:
            here[place].append(f">{booster.name}")
    wide = max(2, len(str(len(here))))
    return {
        (place, name): f"{number:0{wide}d}{own:02d}"
        for number, (place, names) in enumerate(here.items(), 1)
        for own, name in enumerate(names, 1)
    }


def _valves(site: Network, plan: Plan) -> Iterator[tuple[str, ValveTag]]:
    """Valves by key, with letters alone for a tag."""
    for use in plan.sources:
        if not use.tapped:
            continue
        source = site.sources[use.name]
        own, place = use.name.partition(":")[0], site.ground(source.place)
        if not use.from_chamber:
            yield f"tap:{own}", ValveTag("HV", "hand valve", own, place, source.fluid)
            if source.pump is not None and source.pump.chamber is not None:
                what = "low-pressure switch"
                yield f"chamber:{own}", ValveTag("PSL", what, own, place, source.fluid)
        flow = ValveTag("FCV", "flow control valve", own, place, source.fluid)
        for to in use.collect:
            yield f"send:{use.name}>{to}", flow
        if use.direct:
            yield f"supply:{use.name}", flow
    for store in built_stores(plan):
        place = site.ground(store.place)
        flow = ValveTag("FCV", "flow control valve", store.name, place, store.holds)
        if any(rate > 0 for rate in store.draw.values()):
            yield f"release:{store.name}", flow
            yield f"reserve:{store.name}", replace(flow, tag="LS", what="level switch")
        if store.inflow > 0:
            yield f"fill:{store.name}", flow
    for valve in needed_valves(site, plan):  # nobody sets them, but crews fit and name them
        if valve.thing:
            what = valve.item.partition(" for ")[0]
            yield (
                f"back:{valve.thing}",
                ValveTag("NRV", what, valve.thing, valve.place, valve.fluid),
            )
    for one in plan.boosters:
        kind, place = site.boosters[one.booster].kind, site.ground(one.start)
        booster = ValveTag(_LETTERS[kind], kind, f">{one.booster}", place, one.fluid)
        yield booster_key(one), booster


def scheme_of(plan: Plan) -> str:
    """How the tags of a plan are formed, in a sentence."""
    return f"{SCHEME}; {MORE}" if plan.pressures or plan.boosters else SCHEME
