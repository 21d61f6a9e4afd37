"""The plan as GeoJSON (RFC 7946): one feature a thing, in true coordinates or flagged as local."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.coordinates import point_in, position_in, reference_of
from allocator.report.handover.things import booster_key
from allocator.report.loads import corridor_of, run_ends, run_peak, runs_of_kind
from allocator.report.passing import built_stores
from allocator.report.pressures import booster_into
from allocator.report.tags import ValveTag, valve_tags, valves_of, valves_of_runs
from allocator.site.records import POWER

Feature = dict[str, Any]
Position = Callable[[str], list[float]]


def plan_geojson(site: Network, plan: Plan) -> str:
    """A feature collection: places, sources, storage, machines, coolers, boosters, pipes and so on.

    Properties are SI with the unit in the name; ``valves`` are tags. The foreign member
    ``coordinate_reference`` (section 6.1) says what coordinates refer to.

    Raises:
        CoordinatesError: see :func:`allocator.report.handover.coordinates.position_in`.
    """
    position, tags = position_in(site), valve_tags(site, plan)
    features = [
        *_places(site, position),
        *_sources(site, plan, position, tags),
        *_stores(site, plan, position, tags),
        *_machines(site, plan, position),
        *_coolers(site, plan, position),
        *_boosters(site, plan, position, tags),
        *_demands(site, plan, position),
        *_runs(site, plan, position, tags),
        *_lines(site, plan, position),
    ]
    found = {
        "type": "FeatureCollection",
        "coordinate_reference": reference_of(site),
        "site": {"name": site.name, "sha256": plan.site_sha256},
        "basis": plan.basis,
        "verified": plan.verified,
        "features": features,
    }
    return json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _feature(kind: str, name: str, coordinates: list[Any], **facts: object) -> Feature:
    """A feature at a point, or along a line where there are several positions."""
    properties = {"kind": kind, "name": name, **facts}
    line = isinstance(coordinates[0], list)
    return {
        "type": "Feature",
        "id": f"{kind}:{name}",
        "geometry": {"type": "LineString" if line else "Point", "coordinates": coordinates},
        "properties": {key: value for key, value in properties.items() if value is not None},
    }


def _places(site: Network, position: Position) -> Iterator[Feature]:
    for name, place in site.places.items():
        if site.ground(name) == name:
            yield _feature("place", name, position(name), elevation_m=place.elevation)


def _sources(
    site: Network, plan: Plan, position: Position, tags: dict[str, ValveTag]
) -> Iterator[Feature]:
    tapped = {use.name: use for use in plan.sources if use.tapped}
    for source in site.own_sources.values():
        place, use = site.ground(source.place), tapped.get(source.name)
        taken = sum(
            sum(tapped[name].collect.values())
            for name in (source.name, *site.parts_of(source.name))
            if name in tapped
        )
        yield _feature(
            "source",
            source.name,
            position(place),
            place=place,
            fluid=source.fluid,
            flow_kg_per_s=source.flow,
            tapped=use is not None,
            new=None if use is None else use.new,
            taken_while_on_kg_per_s=taken,
            valves=list(valves_of(tags, source.name)),
        )


def _stores(
    site: Network, plan: Plan, position: Position, tags: dict[str, ValveTag]
) -> Iterator[Feature]:
    for use in built_stores(plan):
        place = site.ground(use.place)
        yield _feature(
            "store",
            use.name,
            position(place),
            type=use.type,
            place=place,
            holds=use.holds,
            size_kg=use.size,
            new_kg=use.new_size,
            valves=list(valves_of(tags, use.name)),
        )
    for battery in plan.batteries:
        place = site.ground(battery.place)
        yield _feature(
            "store",
            battery.name,
            position(place),
            type=battery.type,
            place=place,
            holds=POWER,
            size_j=battery.size,
            new_j=battery.new_size,
        )


def _machines(site: Network, plan: Plan, position: Position) -> Iterator[Feature]:
    for use in plan.machines:
        place = site.ground(use.place)
        count = {"count": use.count, "new": use.new}
        yield _feature("machine", use.name, position(place), type=use.type, place=place, **count)


def _coolers(site: Network, plan: Plan, position: Position) -> Iterator[Feature]:
    for kind, word in (("cooler", "cooler"), ("sink", "heat sink")):
        for run in runs_of_kind(site, plan, kind):
            place = site.ground(site.routes[run.route].start)
            facts = {"build": run.build, "fluid": run.fluid, "new": run.new, "place": place}
            yield _feature(word, run.route, position(place), **facts)


def _boosters(
    site: Network, plan: Plan, position: Position, tags: dict[str, ValveTag]
) -> Iterator[Feature]:
    for use in plan.boosters:
        place, into = site.ground(use.start), booster_into(site, use)
        feature = _feature(
            "booster",
            use.booster,
            position(place),
            place=place,
            fluid=use.fluid,
            into=into,
            new=use.new,
            flow_kg_per_s=use.flow,
            power_w=use.power,
            tag=tags[booster_key(use)].tag,
        )
        yield {**feature, "id": booster_key(use)}


def _demands(site: Network, plan: Plan, position: Position) -> Iterator[Feature]:
    for use in plan.demands:
        place = site.demands[use.name].place
        if place is not None:
            ground = site.ground(place)
            facts = {"place": ground, "wants": use.wants}
            yield _feature("demand", use.name, position(ground), **facts)


def _runs(
    site: Network, plan: Plan, position: Position, tags: dict[str, ValveTag]
) -> Iterator[Feature]:
    valves = valves_of_runs(site, plan, tags)
    for number, run in enumerate(runs_of_kind(site, plan, "pipe"), 1):
        start, end = (site.ground(place) for place in run_ends(site, run))
        feature = _feature(
            "run",
            corridor_of(site.routes[run.route]),
            _bent(site, position, corridor_of(site.routes[run.route]), start, end),
            start=start,
            end=end,
            build=run.build,
            fluid=run.fluid,
            new=run.new,
            length_m=site.routes[run.route].length,
            peak_kg_per_s=run_peak(site, run),
            valves=list(valves.get((run.route, run.fluid), ())),
        )
        yield {**feature, "id": f"run:{number}"}


def _bent(
    site: Network, position: Position, corridor: str, start: str, end: str
) -> list[list[float]]:
    """Positions from a place to another along the bends of a route."""
    route, spot = (site.corridors or site.routes)[corridor], point_in(site)
    bends = [spot(point) for point in route.via]
    inner = bends if start == route.start else bends[::-1]
    return [position(start), *inner, position(end)]


def _lines(site: Network, plan: Plan, position: Position) -> Iterator[Feature]:
    for use in plan.lines:
        line = site.power_lines[use.name]
        yield _feature(
            "line",
            use.name,
            [position(line.start), position(line.end)],
            start=line.start,
            end=line.end,
            new=use.new,
            length_m=line.length,
            sent_w=sum(flow[4] for flow in use.flows),
        )
