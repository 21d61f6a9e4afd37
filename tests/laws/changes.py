"""Changes of a site whose effect on the best plan is known beforehand: see ``test_changes``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.site.records import (
    Built,
    BuiltPipe,
    Layer,
    PipeType,
    Place,
    Route,
    Site,
    Source,
    StoreType,
)


def route_cut(site: Site, name: str, pieces: int) -> Site:
    """A corridor as a chain of equal corridors over new places where nothing may stand."""
    route = site.routes[name]
    start, end = site.places[route.start], site.places[route.end]
    joints = {}
    for n in range(1, pieces):
        share = n / pieces
        joints[f"{name} joint {n}"] = Place(
            f"{name} joint {n}",
            x=start.x + share * (end.x - start.x),
            y=start.y + share * (end.y - start.y),
            elevation=start.elevation + share * (end.elevation - start.elevation),
        )
    ends = [route.start, *joints, route.end]
    chain = {
        f"{name} piece {n}": replace(
            route,
            name=f"{name} piece {n}",
            start=ends[n],
            end=ends[n + 1],
            length=route.length / pieces,
            cost=route.cost / pieces,
        )
        for n in range(pieces)
    }
    routes: dict[str, Route] = {}
    for key, other in site.routes.items():
        routes |= chain if key == name else {key: other}
    runs: list[BuiltPipe] = []
    for run in site.built.pipes:
        runs += [replace(run, route=piece) for piece in chain] if run.route == name else [run]
    return replace(
        site,
        places={**site.places, **joints},
        routes=routes,
        built=replace(site.built, pipes=tuple(runs)),
    )


def source_free(site: Site, name: str) -> Site:
    """The site with a source that takes nothing to tap."""
    source = replace(site.sources[name], connection_materials={}, connection_price=0.0)
    return replace(site, sources={**site.sources, name: source})


def source_split(site: Site, name: str) -> Site:
    """A source as two of half its flow; each takes half of what it took to tap."""
    sources: dict[str, Source] = {}
    for key, source in site.sources.items():
        if key != name:
            sources[key] = source
            continue
        for half in (f"{name} left", f"{name} right"):
            pump = source.pump
            if pump is not None:
                chamber = pump.chamber
                if chamber is not None:
                    chamber = replace(chamber, volume=chamber.volume / 2)
                rate = None if pump.rate is None else pump.rate / 2
                pump = replace(pump, rate=rate, chamber=chamber)
            sources[half] = replace(
                source,
                name=half,
                flow=source.flow / 2,
                connection_materials={
                    m: mass / 2 for m, mass in source.connection_materials.items()
                },
                connection_price=source.connection_price / 2,
                pump=pump,
            )
    taps: list[str] = []
    for tap in site.built.sources:
        taps += [f"{name} left", f"{name} right"] if tap == name else [tap]
    return replace(site, sources=sources, built=replace(site.built, sources=tuple(taps)))


def stock_split(site: Site, name: str, share: float) -> Site:
    """A material as two: one for pipe alone, with a share of the stock, the other for all else."""
    material = site.materials[name]
    stock = material.stock
    pipe = f"{name} for pipe"
    first = None if stock is None else share * stock
    # What is left, and no more: in floating point the two must not add up to above the stock.
    rest = None if stock is None or first is None else stock - first
    materials = {**site.materials, name: replace(material, stock=rest)}
    materials[pipe] = replace(material, name=pipe, stock=first)
    builds = {
        key: replace(
            build,
            layers=tuple(
                replace(layer, material=pipe if layer.material == name else layer.material)
                for layer in build.layers
            ),
        )
        for key, build in site.pipes.items()
    }
    return replace(site, materials=materials, pipes=builds)


def stock_halved(site: Site, name: str) -> Site:
    """A material as two of half the stock, half of each wherever it is used."""
    material = site.materials[name]
    twin = f"{name} twin"
    half = None if material.stock is None else material.stock / 2

    def shared(masses: Mapping[str, float]) -> dict[str, float]:
        if name not in masses:
            return dict(masses)
        return {**masses, name: masses[name] / 2, twin: masses[name] / 2}

    def layers(build: PipeType) -> tuple[Layer, ...]:
        found: list[Layer] = []
        for layer in build.layers:
            if layer.material != name:
                found.append(layer)
                continue
            part = replace(layer, mass=layer.mass / 2)
            found += [part, replace(part, material=twin)]
        return tuple(found)

    return replace(
        site,
        materials={
            **site.materials,
            name: replace(material, stock=half),
            twin: replace(material, name=twin, stock=half),
        },
        sources={
            key: replace(s, connection_materials=shared(s.connection_materials))
            for key, s in site.sources.items()
        },
        storage={
            key: replace(s, materials=shared(s.materials), base_materials=shared(s.base_materials))
            for key, s in site.storage.items()
        },
        pipes={key: replace(b, layers=layers(b)) for key, b in site.pipes.items()},
        machines={
            key: replace(m, materials=shared(m.materials)) for key, m in site.machines.items()
        },
        power_lines={
            key: replace(x, materials=shared(x.materials)) for key, x in site.power_lines.items()
        },
    )


def prefixed(site: Site, prefix: str) -> Site:
    """The same site with a prefix before every name that the user gave: their order stays."""

    def new(name: str) -> str:
        return prefix + name

    def keys(found: Mapping[str, float]) -> dict[str, float]:
        return {new(key): value for key, value in found.items()}

    def holds(name: str) -> str:
        return name if name == "power" else new(name)

    return replace(
        site,
        fluids={new(k): replace(f, name=new(k)) for k, f in site.fluids.items()},
        materials={new(k): replace(m, name=new(k)) for k, m in site.materials.items()},
        places={new(k): replace(p, name=new(k)) for k, p in site.places.items()},
        sources={
            new(k): replace(
                s,
                name=new(k),
                place=new(s.place),
                fluid=new(s.fluid),
                connection_materials=keys(s.connection_materials),
            )
            for k, s in site.sources.items()
        },
        storage={
            new(k): replace(
                s,
                name=new(k),
                holds=holds(s.holds),
                places=tuple(map(new, s.places)),
                materials=keys(s.materials),
                base_materials=keys(s.base_materials),
            )
            for k, s in site.storage.items()
        },
        pipes={
            new(k): replace(
                b,
                name=new(k),
                layers=tuple(replace(x, material=new(x.material)) for x in b.layers),
                fluids=None if b.fluids is None else tuple(map(new, b.fluids)),
            )
            for k, b in site.pipes.items()
        },
        routes={
            new(k): replace(
                r,
                name=new(k),
                start=new(r.start),
                end=new(r.end),
                pipes=tuple(map(new, r.pipes)),
            )
            for k, r in site.routes.items()
        },
        machines={
            new(k): replace(
                m,
                name=new(k),
                inputs=keys(m.inputs),
                outputs=keys(m.outputs),
                places={new(p): count for p, count in m.places.items()},
                materials=keys(m.materials),
            )
            for k, m in site.machines.items()
        },
        demands={
            new(k): replace(
                d,
                name=new(k),
                wants=holds(d.wants),
                place=None if d.place is None else new(d.place),
            )
            for k, d in site.demands.items()
        },
        power_lines={
            new(k): replace(
                x,
                name=new(k),
                start=new(x.start),
                end=new(x.end),
                materials=keys(x.materials),
            )
            for k, x in site.power_lines.items()
        },
        built=Built(
            sources=tuple(map(new, site.built.sources)),
            pipes=tuple(
                replace(r, route=new(r.route), pipe=new(r.pipe), fluid=new(r.fluid))
                for r in site.built.pipes
            ),
            power_lines=tuple(map(new, site.built.power_lines)),
            storage={(new(k), new(p)): size for (k, p), size in site.built.storage.items()},
            machines={(new(k), new(p)): n for (k, p), n in site.built.machines.items()},
        ),
    )


def slowed(site: Site, factor: float) -> Site:
    """All times multiplied: stores hold as much more, of as much lighter a make."""

    def times(store: StoreType) -> StoreType:
        return replace(
            store,
            max_size=store.max_size * factor,
            min_size=store.min_size * factor,
            unit=None if store.unit is None else store.unit * factor,
            materials={m: mass / factor for m, mass in store.materials.items()},
            price=store.price / factor,
            loss=store.loss / factor,
        )

    return replace(
        site,
        sources={
            key: replace(
                source,
                stages=tuple(
                    replace(stage, on=stage.on * factor, every=stage.every * factor)
                    for stage in source.stages
                ),
                pump=source.pump
                and replace(
                    source.pump,
                    chamber=source.pump.chamber
                    and replace(source.pump.chamber, volume=source.pump.chamber.volume * factor),
                ),
            )
            for key, source in site.sources.items()
        },
        storage={key: times(store) for key, store in site.storage.items()},
        machines={
            key: replace(
                machine,
                # 1 s is the least that a battery bridges for a unit run on and off
                min_up_time=max(1.0, machine.min_up_time) * factor,
                min_down_time=machine.min_down_time * factor,
                min_burst_time=machine.min_burst_time * factor,
            )
            for key, machine in site.machines.items()
        },
        demands={
            key: replace(
                d,
                profile=d.profile
                and replace(
                    d.profile,
                    period=d.profile.period * factor,
                    starts=tuple(start * factor for start in d.profile.starts),
                ),
            )
            for key, d in site.demands.items()
        },
        built=replace(
            site.built, storage={key: size * factor for key, size in site.built.storage.items()}
        ),
    )


def heavier(site: Site, factor: float) -> Site:
    """All materials and all that is made of them multiplied, as if weighed in another unit."""

    def more(masses: Mapping[str, float]) -> dict[str, float]:
        return {key: mass * factor for key, mass in masses.items()}

    return replace(
        site,
        materials={
            key: replace(
                m, stock=None if m.stock is None else m.stock * factor, price=m.price / factor
            )
            for key, m in site.materials.items()
        },
        sources={
            key: replace(s, connection_materials=more(s.connection_materials))
            for key, s in site.sources.items()
        },
        storage={
            key: replace(s, materials=more(s.materials), base_materials=more(s.base_materials))
            for key, s in site.storage.items()
        },
        pipes={
            key: replace(b, layers=tuple(replace(x, mass=x.mass * factor) for x in b.layers))
            for key, b in site.pipes.items()
        },
        machines={key: replace(m, materials=more(m.materials)) for key, m in site.machines.items()},
        power_lines={
            key: replace(x, materials=more(x.materials)) for key, x in site.power_lines.items()
        },
    )


def spares(site: Site) -> list[Site]:
    """The site with one thing more each time: allowed, in stock, or standing already."""
    found = []
    for name, machine in site.machines.items():
        places = {p: None if n is None else n + 1 for p, n in machine.places.items()}
        most = None if machine.max_units is None else machine.max_units + 1
        one_more = replace(machine, places=places, max_units=most)
        allowed = replace(site, machines={**site.machines, name: one_more})
        found.append(allowed)
        spot = (name, next(iter(places)))
        counts = dict(site.built.machines)
        counts[spot] = counts.get(spot, 0) + 1
        found.append(replace(allowed, built=replace(site.built, machines=counts)))
    for name, store in site.storage.items():
        roomier = replace(store, max_size=store.max_size + (store.unit or store.max_size / 4))
        found.append(replace(site, storage={**site.storage, name: roomier}))
    for name, material in site.materials.items():
        if material.stock is not None:
            more = replace(material, stock=material.stock * 1.25)
            found.append(replace(site, materials={**site.materials, name: more}))
    return found
