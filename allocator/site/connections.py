"""Oddities of the map: what is excluded, out of reach, or never filled or served."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.quantities import shown
from allocator.site.graph import spread
from allocator.site.records import POWER, Site, StoreType
from allocator.site.table import Values


def note_excluded(site: Site, values: Values) -> None:
    """Notes what is at, or leads to, a place where nothing may be built."""
    excluded = frozenset(site.limits.excluded_places)
    if not excluded:
        return
    existing: list[tuple[str, str, tuple[str, ...], str]] = [
        *(("sources", n, (source.place,), "place") for n, source in site.sources.items()),
        *(("storage", n, store.places, "places") for n, store in site.storage.items()),
        *(("machines", n, tuple(m.places), "places") for n, m in site.machines.items()),
        *(
            ("demands", n, (demand.place,), "place")
            for n, demand in site.demands.items()
            if demand.place
        ),
    ]
    for section, name, places, key in existing:
        for place in places:
            if place in excluded:
                _of(values, section)[name].warn(
                    key,
                    f"is at {shown(place)}, which 'limits' excludes",
                    "move it, or take the place off 'excluded_places'",
                )
    for section, joints in (("routes", site.routes), ("power_lines", site.power_lines)):
        for name, joint in joints.items():
            ends = [end for end in (joint.start, joint.end) if end in excluded]
            if ends:
                _of(values, section)[name].warn(
                    "between",
                    f"leads to {shown(ends[0])}, which 'limits' excludes: nothing is laid there",
                    "delete it, or take the place off 'excluded_places'",
                )


def note_unreachable(site: Site, values: Values) -> None:
    """Notes sources that nothing can use, stores that nothing can fill, demands without supply."""
    for fluid in site.fluids:
        _note_sources(site, values, fluid)
        _note_stores(site, values, fluid)
    gives_power = any(machine.power_out for machine in site.machines.values())
    for name, store in site.storage.items():
        if store.holds == POWER and not gives_power:
            _warn_unfilled(_of(values, "storage")[name], store)
    for name, demand in site.demands.items():
        supplied = gives_power if demand.wants == POWER else bool(_givers(site, demand.wants))
        if not supplied:
            _of(values, "demands")[name].warn(
                "", f"asks for {shown(demand.wants)}, which nothing gives", "add what gives it"
            )


def _note_sources(site: Site, values: Values, fluid: str) -> None:
    sources = [source for source in site.sources.values() if source.fluid == fluid]
    if not sources:
        return
    users = _users(site, fluid)
    if not users:
        _of(values, "fluids")[fluid].warn(
            "", "sources give it, but no machine or demand takes it", "add what takes it"
        )
        return
    keepers = {place for s in site.storage.values() if s.holds == fluid for place in s.places}
    usable = spread(site, users | keepers, fluid, backward=True)
    for source in sources:
        if source.place not in usable:
            _of(values, "sources")[source.name].warn(
                "place",
                f"no route takes its {shown(fluid)} to where anything holds or uses it",
                f"add a route from {shown(source.place)}, or a store or machine there",
            )


def _note_stores(site: Site, values: Values, fluid: str) -> None:
    stores = [store for store in site.storage.values() if store.holds == fluid]
    if not stores:
        return
    filled = spread(site, _givers(site, fluid), fluid)
    for store in stores:
        if filled.isdisjoint(store.places):
            _warn_unfilled(_of(values, "storage")[store.name], store)


def _warn_unfilled(record: Values, store: StoreType) -> None:
    record.warn(
        "holds",
        f"nothing can fill it: no {shown(store.holds)} gets to any of its places",
        "add a route or what gives it",
    )


def _users(site: Site, fluid: str) -> set[str]:
    """Places where a machine or a demand takes the fluid."""
    return {
        *(place for m in site.machines.values() if fluid in m.inputs for place in m.places),
        *(d.place for d in site.demands.values() if d.wants == fluid and d.place),
    }


def _givers(site: Site, fluid: str) -> set[str]:
    """Places where a source or a machine gives the fluid."""
    return {
        *(source.place for source in site.sources.values() if source.fluid == fluid),
        *(place for m in site.machines.values() if fluid in m.outputs for place in m.places),
    }


def _of(values: Values, section: str) -> Mapping[str, Values]:
    found: dict[str, Values] = values.get(section, {})
    return found
