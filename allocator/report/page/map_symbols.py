"""Symbols of the map: what is built at each place, and what could be built there."""

from __future__ import annotations

from markupsafe import Markup

from allocator.base.labels import head
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.loads import corridor_of, run_peak, runs_of_kind
from allocator.report.page import symbols
from allocator.report.page.details import (
    Details,
    battery_facts,
    machine_facts,
    source_facts,
    status,
    store_facts,
)
from allocator.report.page.figures import PageFigures
from allocator.report.page.placing import WIDTH, Ground
from allocator.report.page.svg import number, tag
from allocator.report.pressures import booster_into
from allocator.report.words import plain, quantity
from allocator.site.emissions import is_clean
from allocator.site.records import POWER, Source

Row = list[tuple[Markup, str, int]]
"""Symbols at one place: the drawing, its class, and the number of what the card says."""

PITCH = 24.0
"""From symbol to symbol at one place, picture units."""


def symbols_of(
    figures: PageFigures, ground: Ground, legend: dict[str, int], details: Details, faint: bool
) -> tuple[list[Markup], dict[str, float], dict[str, int], Ground]:
    """Symbols in a row at each place, half the width of each row, and the rank of each place.

    Last, where the rows stand: at their places, or further in where one would be cut.
    """
    site, plan = figures.site, figures.plan
    rows: dict[str, Row] = {name: [] for name in ground.points}
    tapped = {use.name for use in plan.sources if use.tapped}
    for source in site.own_sources.values():
        connected = source.name in tapped
        mark = symbols.source(figures.duty[source.name], connected, is_hot(source))
        look = f"source c{legend[source.fluid]} {'tapped' if connected else 'untapped'}"
        key = details.add(*source_facts(figures, source, connected), f"source:{source.name}")
        rows[site.ground(source.place)].append((mark, look, key))
    _built(site, plan, rows, legend, details)
    ranks = {name: _rank(row) for name, row in rows.items()}
    if faint:
        _could_be(site, plan, rows, legend, details)
    found, reach, stood = [], {}, {}
    for name, row in rows.items():
        x, y = ground.points[name]
        reach[name] = max(4.0, PITCH / 2 * len(row))
        x = min(max(x, min(reach[name] + 2, WIDTH / 2)), max(WIDTH - reach[name] - 2, WIDTH / 2))
        stood[name] = (x, y)
        move = f"translate({number(x)} {number(y)})"
        if not row:
            ranks[name] = 3
            key = details.add(name, [(head("place"), "nothing is built here")], f"place:{name}")
            dot = tag("g", tag("circle", r=2.6), class_="fixed")
            found.append(tag("g", dot, transform=move, class_="spot thing", data_k=key))
            continue
        items = [
            tag(
                "g",
                tag("circle", r=11, class_="halo"),
                mark,
                transform=f"translate({number(PITCH * (k - (len(row) - 1) / 2))} 0)",
                class_=f"thing {kind}",
                data_k=key,
            )
            for k, (mark, kind, key) in enumerate(row)
        ]
        fixed = tag("g", *items, class_="fixed built" if ranks[name] == 0 else "fixed")
        found.append(tag("g", fixed, transform=move))
    return found, reach, ranks, Ground(stood, ground.height, ground.scale)


def _rank(row: Row) -> int:
    """0 where something is built or connected, 1 where only sources are, 2 where nothing is."""
    if any("untapped" not in look for _, look, _ in row):
        return 0
    return 1 if row else 2


def _built(
    site: Network, plan: Plan, rows: dict[str, Row], legend: dict[str, int], details: Details
) -> None:
    for store in plan.stores:
        if store.size > 0:
            key = details.add(*store_facts(site, plan, store.name), f"store:{plain(store.name)}")
            look = f"store c{legend[store.holds]}"
            rows[site.ground(store.place)].append((symbols.store(), look, key))
    for battery in plan.batteries:
        if battery.size > 0:
            key = details.add(*battery_facts(plan, battery.name), f"store:{battery.name}")
            rows[site.ground(battery.place)].append((symbols.battery(), "battery", key))
    for machine in plan.machines:
        if machine.count > 0:
            name = f"machine:{plain(machine.name)}"
            key = details.add(*machine_facts(site, plan, machine.name), name)
            mark, look = _machine(site, machine.type, machine.count)
            rows[site.ground(machine.place)].append((mark, look, key))
    for kind, mark in (("cooler", symbols.cooler()), ("sink", symbols.heat_sink())):
        for run in runs_of_kind(site, plan, kind):
            route = site.routes[run.route]
            facts = [
                (head("fluid"), run.fluid),
                (head("build"), f"{run.build}, {status(run.new)}"),
                (head("peak"), quantity(run_peak(site, run), "mass_rate")),
            ]
            place = site.ground(route.start)
            key = details.add(f"{run.build} at {place}", facts, f"cooler:{corridor_of(route)}")
            rows[place].append((mark, "cooler", key))

    for use in plan.boosters:
        place = site.ground(use.start)
        facts = [
            (head("fluid"), use.fluid),
            (head("into"), f"{'store' if use.store else 'pipe'} {booster_into(site, use)}"),
            (head("status_of_thing"), status(use.new)),
            (head("peak"), quantity(use.flow, "mass_rate")),
            (head("power_at_peak"), quantity(use.power, "power")),
        ]
        key = details.add(f"{use.booster} at {place}", facts, f"booster:{use.booster}@{place}")
        rows[place].append((symbols.booster(), "booster", key))


def _machine(site: Network, kind: str, units: int | None) -> tuple[Markup, str]:
    """The symbol of a machine type and its class."""
    if site.machines[kind].power_out <= 0:
        return symbols.converter(units), "machine"
    emitting = not is_clean(site, site.machines[kind])
    return symbols.generator(units, emitting), f"machine {'emitting' if emitting else 'clean'}"


def _could_be(
    site: Network, plan: Plan, rows: dict[str, Row], legend: dict[str, int], details: Details
) -> None:
    """Stores and machines that could be built and are not, one symbol a kind and place."""
    built = {plain(use.name) for use in plan.stores if use.size > 0}
    built |= {use.name for use in plan.batteries if use.size > 0}
    built |= {plain(use.name) for use in plan.machines if use.count > 0}
    for store in site.storage.values():
        power = store.holds == POWER
        most = quantity(store.max_size, "energy" if power else "mass")
        for place in store.places:
            at = site.ground(place)
            name = f"{store.name}@{at}"
            if name in built:
                continue
            built.add(name)
            mark, look = symbols.battery(), "battery"
            if not power:
                mark, look = symbols.store(), f"store c{legend[store.holds]}"
            facts = [(head("store_limit"), f"{most} of {store.holds}")]
            key = details.add(f"{store.name} at {at}: not built", facts, f"store:{name}")
            rows[at].append((mark, f"{look} unused", key))
    for machine in site.machines.values():
        for place, most_units in machine.places.items():
            at = site.ground(place)
            name = f"{machine.name}@{at}"
            if name in built:
                continue
            built.add(name)
            facts = [(head("unit_limit"), "none" if most_units is None else str(most_units))]
            key = details.add(f"{machine.name} at {at}: not built", facts, f"machine:{name}")
            mark, look = _machine(site, machine.name, None)
            rows[at].append((mark, f"{look} unused", key))


def is_hot(source: Source) -> bool:
    return source.temperature is not None and source.temperature > 333.15
