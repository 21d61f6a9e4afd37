"""The bill of materials: what to buy and carry to build a plan, thing by thing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from allocator.base.dimensions import format_gauge
from allocator.network.records import Network
from allocator.plans.records import BatteryUse, Plan, StoreUse
from allocator.report.drains import drain_pots
from allocator.report.handover.things import booster_key
from allocator.report.load_bank import load_banks
from allocator.report.loads import corridor_of
from allocator.report.pressures import booster_into, shut_in, valves_of
from allocator.report.tags import valve_tags, valves_of_runs
from allocator.report.words import units_words
from allocator.site.money import counted_share
from allocator.site.records import POWER


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line of the bill.

    ``quantity``: of ``unit`` (``piece``, ``m``, ``kg`` of store, ``J`` of store). ``length``: m
    of a run or line, else None. ``material`` is empty on the line for the thing's own price, and
    ``kg`` is None there. ``money``: price of the material, or of the thing;
    ``counted``: what counts of it (with interest, its annuity).
    """

    item: str
    where: str
    quantity: float
    unit: str
    length: float | None
    material: str
    kg: float | None
    money: float
    counted: float = 0.0


class _Cost(NamedTuple):
    """What a thing takes: kg of materials, its own price, and how long it lasts, s."""

    materials: Mapping[str, float]
    price: float
    life: float | None


def bill_of_materials(site: Network, plan: Plan) -> tuple[BillLine, ...]:
    """All that is new: connections, pipes, lines, stores, machines, boosters, vessels, in order.

    The masses of a material add up to what the plan says it uses, and what counts of the money
    adds up to the plan's money less what running it costs.
    """
    return (
        *_taps(site, plan),
        *_runs(site, plan),
        *_lines(site, plan),
        *_stores(site, plan),
        *_machines(site, plan),
        *_boosters(site, plan),
        *_buffer_vessels(plan),
        *_valves(site, plan),
        *_fittings(site, plan),
        *_drains(site, plan),
        *_load_banks(site, plan),
    )


def running_money(site: Network, plan: Plan) -> float:
    """Money for fuel and moving, over the site's horizon or a year: all less what is built.

    What is below a millionth of all is rounding, and 0.
    """
    running = plan.money - sum(line.counted for line in bill_of_materials(site, plan))
    return 0.0 if abs(running) < 1e-6 * abs(plan.money) else running


def _thing(
    site: Network,
    item: str,
    where: str,
    quantity: float,
    unit: str,
    cost: _Cost,
    length: float | None = None,
) -> Iterator[BillLine]:
    """The lines of one thing: its own price, then each material that goes into it."""
    share, price = counted_share(site, cost.life), cost.price
    yield BillLine(item, where, quantity, unit, length, "", None, price, price * share)
    for material, kg in cost.materials.items():
        if kg:
            money = kg * site.materials[material].price
            yield BillLine(item, where, quantity, unit, length, material, kg, money, money * share)


def _taps(site: Network, plan: Plan) -> Iterator[BillLine]:
    for use in plan.sources:
        if use.tapped and use.new:
            source = site.sources[use.name]
            item = f"connection of {use.name}"
            yield from _thing(
                site,
                item,
                site.ground(source.place),
                1.0,
                "piece",
                _Cost(source.connection_materials, source.connection_price, source.connection_life),
            )


def _runs(site: Network, plan: Plan) -> Iterator[BillLine]:
    for run in plan.runs:
        if not run.new:
            continue
        route, build = site.routes[run.route], site.pipes[run.build]
        materials = build.masses(route.length)
        price = build.price * route.length * route.ground_factor
        if route.stream is not None and route.stream.kind in ("cooler", "sink"):
            where = site.ground(route.start)
            item = f"{units_words(run.build)} for {run.fluid}"
            yield from _thing(site, item, where, 1.0, "piece", _Cost(materials, price, build.life))
            continue
        item = f"{run.build} pipe for {run.fluid}"
        if bear := shut_in(site, plan, run):
            tenths = math.ceil(bear / 10.0 - 1e-6)
            item += f", to bear {format_gauge(10.0 * tenths, site.ambient.pressure)}"
        where = f"{corridor_of(route)}: {site.ground(route.start)} to {site.ground(route.end)}"
        yield from _thing(
            site, item, where, route.length, "m", _Cost(materials, price, build.life), route.length
        )


def _lines(site: Network, plan: Plan) -> Iterator[BillLine]:
    for use in plan.lines:
        if not use.new:
            continue
        line = site.power_lines[use.name]
        materials = {name: mass * line.length for name, mass in line.materials.items()}
        where = f"{line.start} to {line.end}"
        price = line.price * line.length
        yield from _thing(
            site,
            f"power line {use.name}",
            where,
            line.length,
            "m",
            _Cost(materials, price, line.life),
            line.length,
        )


def _stores(site: Network, plan: Plan) -> Iterator[BillLine]:
    uses: list[StoreUse | BatteryUse] = [*plan.stores, *plan.batteries]
    for use in uses:
        if use.new_size <= 0:
            continue
        kind = site.storage[use.type]
        unit = "J of store" if kind.holds == POWER else "kg of store"
        if use.size == use.new_size and (kind.base_materials or kind.base_price):
            yield from _thing(
                site,
                f"{use.type} base",
                site.ground(use.place),
                1.0,
                "piece",
                _Cost(kind.base_materials, kind.base_price, kind.life),
            )
        materials = {name: mass * use.new_size for name, mass in kind.materials.items()}
        price = kind.price * use.new_size
        yield from _thing(
            site,
            use.type,
            site.ground(use.place),
            use.new_size,
            unit,
            _Cost(materials, price, kind.life),
        )


def _machines(site: Network, plan: Plan) -> Iterator[BillLine]:
    for use in plan.machines:
        if use.new <= 0:
            continue
        kind = site.machines[use.type]
        materials = {name: mass * use.new for name, mass in kind.materials.items()}
        price = kind.price * use.new
        yield from _thing(
            site,
            use.type,
            site.ground(use.place),
            float(use.new),
            "piece",
            _Cost(materials, price, kind.life),
        )


def _boosters(site: Network, plan: Plan) -> Iterator[BillLine]:
    tags = valve_tags(site, plan) if plan.boosters else {}
    for use in plan.boosters:
        if use.new:
            kind, where = site.boosters[use.booster], site.ground(use.start)
            tag = tags[booster_key(use)].tag
            item = f"{tag} {use.booster} for {use.fluid}, into {booster_into(site, use)}"
            yield from _thing(
                site, item, where, 1.0, "piece", _Cost(kind.materials, kind.price, kind.life)
            )


def _valves(site: Network, plan: Plan) -> Iterator[BillLine]:
    """What pressures along lines need to hold. The site gives no price or material for valves."""
    valves = valves_of(site, plan)
    tags = valve_tags(site, plan) if valves else {}
    for valve in valves:
        tag = f"{tags[key].tag} " if (key := f"back:{valve.thing}") in tags else ""
        yield BillLine(f"{tag}{valve.item}", valve.place, valve.count, "piece", None, "", None, 0.0)


def _fittings(site: Network, plan: Plan) -> Iterator[BillLine]:
    """Hand valves, control valves and switches of new things, by kind, fluid and pipe.

    The site gives no price or material for them.
    """
    tags = valve_tags(site, plan)
    new = {use.name for use in plan.sources if use.new}
    new |= {use.name for use in plan.stores if use.new_size > 0 and use.new_size == use.size}
    pipes: dict[str, set[str]] = {}
    for (route, fluid), own in valves_of_runs(site, plan, tags).items():
        builds = {run.build for run in plan.runs if (run.route, run.fluid) == (route, fluid)}
        for tag in own:
            pipes.setdefault(tag, set()).update(builds)
    found: dict[str, list[str]] = {}
    for valve in dict.fromkeys(tags.values()):
        if valve.thing in new and valve.tag.partition("-")[0] in ("HV", "FCV", "LS", "PSL"):
            size = " and ".join(sorted(pipes.get(valve.tag, ()))) if "valve" in valve.what else ""
            item = f"{valve.what} for {valve.fluid}{f', on {size}' if size else ''}, to be chosen"
            found.setdefault(item, []).append(valve.place)
    for item, places in found.items():
        where = ", ".join(dict.fromkeys(places))
        yield BillLine(item, where, float(len(places)), "piece", None, "", None, 0.0)


def _drains(site: Network, plan: Plan) -> Iterator[BillLine]:
    """One a run, or more where it has several low points: the site gives no price for them."""
    for pot in drain_pots(site, plan):
        if pot.new:
            item = f"{pot.what}, to be chosen"
            yield BillLine(item, pot.where, 1.0, "piece", None, "", None, 0.0)


def _load_banks(site: Network, plan: Plan) -> Iterator[BillLine]:
    """What takes power that nobody uses, so that its gas is burnt; without material and price."""
    for bank in load_banks(site, plan):
        item = f"{bank.words}, to be chosen"
        yield BillLine(item, bank.place, 1.0, "piece", None, "", None, 0.0)


def _buffer_vessels(plan: Plan) -> Iterator[BillLine]:
    """Buffer vessels of units run on and off: without material and price, as in the site file."""
    for use in plan.machines:
        for fluid, kg in use.buffer_vessel.items():
            item = f"buffer vessel for {fluid}, {use.type}"
            yield BillLine(item, use.place, kg, "kg of fluid", None, "", None, 0.0)
