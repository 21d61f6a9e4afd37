"""The plan as GeoJSON (RFC 7946), with the site's own coordinates, which it says aloud."""

from __future__ import annotations

import json
from typing import Any

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.loads import corridor_of, run_ends, run_peak, runs_of_kind
from allocator.site.records import POWER

FLAG = "local: metres east and north of the site's own origin, elevation in metres; not WGS 84"
"""RFC 7946 section 4 wants WGS 84 unless all involved agree on something else: here is the word."""


def plan_geojson(site: Network, plan: Plan) -> str:
    """A feature collection: places with what stands there, pipe runs, power lines.

    Properties are SI with the unit in the name. The foreign member ``coordinate_reference``
    (section 6.1) flags that coordinates are local.
    """
    features = [
        *(_place(site, plan, name) for name in site.places if site.ground(name) == name),
        *_runs(site, plan),
        *_lines(site, plan),
    ]
    found = {
        "type": "FeatureCollection",
        "coordinate_reference": FLAG,
        "site": {"name": site.name, "sha256": plan.site_sha256},
        "basis": plan.basis,
        "verified": plan.verified,
        "features": features,
    }
    return json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _position(site: Network, name: str) -> list[float]:
    place = site.places[name]
    return [place.x, place.y, place.elevation]


def _feature(kind: str, name: str, geometry: dict[str, Any], **facts: object) -> dict[str, Any]:
    properties = {"kind": kind, "name": name, **facts}
    return {
        "type": "Feature",
        "id": f"{kind}:{name}",
        "geometry": geometry,
        "properties": {key: value for key, value in properties.items() if value is not None},
    }


def _place(site: Network, plan: Plan, name: str) -> dict[str, Any]:
    def here(place: str) -> bool:
        return site.ground(place) == name

    tapped = {use.name: use for use in plan.sources if use.tapped}
    sources = [
        {
            "name": source.name,
            "fluid": source.fluid,
            "flow_kg_per_s": source.flow,
            "tapped": source.name in tapped,
            "taken_while_on_kg_per_s": sum(
                sum(tapped[name].collect.values())
                for name in (source.name, *site.parts_of(source.name))
                if name in tapped
            ),
        }
        for source in site.own_sources.values()
        if here(source.place)
    ]
    stores: list[dict[str, Any]] = [
        {"type": use.type, "holds": use.holds, "size_kg": use.size}
        for use in plan.stores
        if here(use.place)
    ]
    stores += [
        {"type": use.type, "holds": POWER, "size_j": use.size}
        for use in plan.batteries
        if here(use.place)
    ]
    machines = [
        {"type": use.type, "count": use.count, "new": use.new}
        for use in plan.machines
        if here(use.place)
    ]
    point = {"type": "Point", "coordinates": _position(site, name)}
    return _feature("place", name, point, sources=sources, stores=stores, machines=machines)


def _runs(site: Network, plan: Plan) -> list[dict[str, Any]]:
    found = []
    for number, run in enumerate(runs_of_kind(site, plan, "pipe"), 1):
        start, end = run_ends(site, run)
        line = {"type": "LineString", "coordinates": [_position(site, p) for p in (start, end)]}
        feature = _feature(
            "run",
            corridor_of(site.routes[run.route]),
            line,
            start=site.ground(start),
            end=site.ground(end),
            build=run.build,
            fluid=run.fluid,
            new=run.new,
            length_m=site.routes[run.route].length,
            peak_kg_per_s=run_peak(site, run),
        )
        found.append({**feature, "id": f"run:{number}"})
    return found


def _lines(site: Network, plan: Plan) -> list[dict[str, Any]]:
    found = []
    for use in plan.lines:
        line = site.power_lines[use.name]
        ends = {
            "type": "LineString",
            "coordinates": [_position(site, place) for place in (line.start, line.end)],
        }
        found.append(
            _feature(
                "line",
                use.name,
                ends,
                start=line.start,
                end=line.end,
                new=use.new,
                length_m=line.length,
                sent_w=sum(flow[4] for flow in use.flows),
            )
        )
    return found
