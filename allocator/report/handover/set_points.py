"""The operator's sheet: what to set where, so that the plan's firm output holds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import FLAT, MachineUse, Plan
from allocator.report.drains import a_day, drain_pots
from allocator.report.handover.things import booster_key
from allocator.report.load_bank import load_banks
from allocator.report.loads import peak_factor
from allocator.report.passing import built_stores, destinations, flared, is_passed
from allocator.report.pressures import booster_ends, booster_into, pressure_ends, valves_of
from allocator.report.tags import valve_tags
from allocator.report.words import ROUNDED, SMALL_PART, at, quantity, rule_words, shape

SURPLUS = "surplus use permitted only above"
ALARM = "low-level alarm, by sources"
_LEAST = {"kg/s": ROUNDED, "W": ROUNDED, "units": ROUNDED, "J": SMALL_PART}
"""Unit -> share of the largest of it below which a setting is rounding, or too little to set."""
PRESSURE = "Pa absolute"
"""Unit of pressures that are set."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing to set: ``value`` in ``unit`` on average, ``highest`` at the peak of its shape.

    ``tag``: of the valve or switch that is set, see :mod:`allocator.report.tags`.
    """

    thing: str
    place: str
    setting: str
    value: float
    unit: str
    highest: float | None
    note: str
    tag: str = ""


def set_points(
    site: Network, plan: Plan, reserves: Mapping[str, tuple[float, str]] | None = None
) -> tuple[Setting, ...]:
    """Valves of sources, releases of stores, parts of batteries and loads of machines.

    ``reserves``: tank -> (content with which its promise holds through the worst phase, its unit),
    from a simulation. Above it surplus may be used; the promise itself may take all of it, so it
    is no level to keep, and nobody is alarmed below it. Without them a store is kept as full as it
    gets and releases no more than its promise.
    """
    tags = {key: valve.tag for key, valve in valve_tags(site, plan).items()}
    kept = [
        _above(site, tags, tank, value, unit, "at any time")
        for tank, (value, unit) in (reserves or {}).items()
        if not is_passed(plan, f"store:{tank}")
    ]
    found = (
        *_sources(site, plan, tags),
        *_stores(site, plan, tags),
        *_batteries(site, plan),
        *_machines(site, plan),
        *kept,
        *_rules(site, plan, tags),
        *_levels(site, plan, tags),
        *_pressures(site, plan, tags),
        *_drained(site, plan),
        *_load_banks(site, plan),
    )
    most: dict[str, float] = {}
    for one in found:
        most[one.unit] = max(most.get(one.unit, 0.0), one.value)
    return tuple(one for one in found if one.value > _LEAST.get(one.unit, 0.0) * most[one.unit])


def _above(
    site: Network, tags: Mapping[str, str], tank: str, value: float, unit: str, when: str
) -> Setting:
    """The level above which what a store holds beyond its promise may be used."""
    note = f"{when}; firm output may take it lower"
    return Setting(*_apart(site, tank), SURPLUS, value, unit, None, note, _of(tags, tank))


def _rules(site: Network, plan: Plan, tags: Mapping[str, str]) -> Iterator[Setting]:
    """When a store is too low for its promise, by the state of sources that is seen."""
    for rule in plan.set_points.rules if plan.set_points else ():
        if is_passed(plan, f"store:{rule.store}"):
            continue
        if rule.state == "any":
            when = f"{rule_words(rule)}, looked at once an hour"
            yield _above(site, tags, rule.store, rule.burn_above, rule.unit, when)
            continue
        thing, place = _apart(site, rule.store)
        above = quantity(rule.burn_above, "mass" if rule.unit == "kg" else "energy")
        note = f"{rule_words(rule)}; surplus use permitted above {above} for an hour"
        tag = _of(tags, rule.store)
        yield Setting(thing, place, ALARM, rule.keep, rule.unit, None, note, tag)


def _of(tags: Mapping[str, str], store: str) -> str:
    return tags.get(f"reserve:{store}", "")


def _apart(site: Network, name: str) -> tuple[str, str]:
    """``type@place`` as the type and the place of the site file, and the part of a battery."""
    thing, _, place = name.rpartition("@")
    known = [p for p in site.places if place == p or place.startswith(f"{p} ")]
    if not known:
        return thing, place
    whole = max(known, key=len)
    part = place[len(whole) :].strip()  # as in "battery@works levelling"
    return f"{thing}, {part}" if part else thing, site.ground(whole)


def _levels(site: Network, plan: Plan, tags: Mapping[str, str]) -> Iterator[Setting]:
    """When units run on and off start and stop, and in which order idle ones are started."""
    points = plan.set_points
    for levels in points.cycled if points else ():
        thing, place = _apart(site, levels.machine)
        note = "level of the batteries' part for machine runs"
        yield Setting(thing, place, "start at", levels.start, "J", None, note)
        yield Setting(thing, place, "stop at", levels.stop, "J", None, note)
    for hold in points.chambers if points else ():
        place = site.ground(site.sources[hold.source].place)
        note = "in the chamber that the pump draws from; below it the pump stops"
        tag = tags.get(f"chamber:{hold.source}", "")
        yield Setting(hold.source, place, "hold at least", hold.pressure, PRESSURE, None, note, tag)
    for number, name in enumerate(points.start_order if points else (), 1):
        thing, place = _apart(site, name)
        note = "of idle units, on surplus"
        yield Setting(thing, place, "starting order", number, "", None, note)


def _pressures(site: Network, plan: Plan, tags: Mapping[str, str]) -> Iterator[Setting]:
    """Pressures to regulate to, boosters, and valves without which they do not hold."""
    blown = {use.start for use in plan.boosters}
    for end in pressure_ends(site, plan):
        note = "behind its regulator: into pipes and machines"
        yield Setting(end.at.fluid, end.place, "hold", end.at.low, PRESSURE, None, note)
        if end.at.shut_in > 0.0:
            note = "with nothing flowing: rating of pipe, stores and machines there"
            note += ", but for those behind a booster" if end.at.node in blown else ""
            yield Setting(
                end.at.fluid, end.place, "bear at least", end.at.shut_in, PRESSURE, None, note
            )
    for use in plan.boosters:
        place, note = site.ground(use.start), f"{use.fluid}, into {booster_into(site, use)}"
        tag = tags[booster_key(use)]
        yield Setting(use.booster, place, "move at most", use.flow, "kg/s", None, note, tag)
        yield Setting(use.booster, place, "draws at most", use.power, "W", None, note, tag)
        ends = booster_ends(site, plan, use)
        if ends.outlet_shut_in > 0.0:
            note = f"with nothing flowing: rating of what is there, {note}"
            bear = ends.outlet_shut_in
            yield Setting(use.booster, place, "bear at outlet", bear, PRESSURE, None, note, tag)
    for valve in valves_of(site, plan):
        note = "pressures hold only with it"
        tag = tags.get(f"back:{valve.thing}", "")
        yield Setting(valve.item, valve.place, "fit", valve.count, "piece", None, note, tag)


def _drained(site: Network, plan: Plan) -> Iterator[Setting]:
    """What drains must let out."""
    for pot in drain_pots(site, plan):
        water, name = pot.drain.water, f"condensate drain for {pot.drain.fluid}"
        if water is None:
            yield Setting(name, pot.place, "fit", 1.0, "piece", None, pot.where)
        else:
            note = f"{a_day(water)}; {pot.where}"
            yield Setting(name, pot.place, "drain up to", water, "kg/s", None, note)


def _load_banks(site: Network, plan: Plan) -> Iterator[Setting]:
    """What takes power that nobody uses, where the plan counts its gas as burnt."""
    for bank in load_banks(site, plan):
        note = "what is not used goes to it, or units throttle and gas is vented, which counts"
        yield Setting("load bank", bank.place, "take at least", bank.power, "W", None, note)


def _sources(site: Network, plan: Plan, tags: Mapping[str, str]) -> Iterator[Setting]:
    for use in plan.sources:
        if not use.tapped:
            continue
        place = site.ground(site.sources[use.name].place)
        rate = "flow when on, at most" if plan.basis == "firm" else "mean flow"
        for to, value in use.collect.items():
            tag = tags[f"send:{use.name}>{to}"]
            ends = destinations(site, plan, to)
            note = f"to {' and '.join(_receiver(end) for end in ends)}"
            yield Setting(use.name, place, rate, value, "kg/s", None, note, tag)
        for name, mean in use.direct.items():
            peak = mean * peak_factor(site, name)
            tag = tags[f"supply:{use.name}"]
            yield Setting(use.name, place, "release", mean, "kg/s", peak, shape(name), tag)


def _receiver(to: str) -> str:
    """Where a source sends to: a store, or a machine that charges a battery."""
    kind, _, rest = to.partition(":")
    machine, _, battery = rest.partition(">")
    return f"{at(machine)}, charging {at(battery)}" if kind == "burn" else at(rest)


def _stores(site: Network, plan: Plan, tags: Mapping[str, str]) -> Iterator[Setting]:
    for use in built_stores(plan):
        place = site.ground(use.place)
        for name, rate in use.draw.items():
            if rate > 0:
                peak = rate * peak_factor(site, name)
                tag = tags[f"release:{use.name}"]
                note = f"{shape(name)}; neither more nor less"
                yield Setting(use.type, place, "release", rate, "kg/s", peak, note, tag)
        if use.inflow > 0:
            tag = tags[f"fill:{use.name}"]
            note = "from steady sources"
            yield Setting(use.type, place, "steady inflow", use.inflow, "kg/s", None, note, tag)


def _batteries(site: Network, plan: Plan) -> Iterator[Setting]:
    for use in plan.batteries:
        place = site.ground(use.place)
        parts = {
            "part for levelling to demands": use.level_part,
            **{f"part behind {kind} bursts": size for kind, size in use.burst_part.items()},
            "part for machine runs": use.swing_part,
        }
        for setting, size in parts.items():
            if size > 0:
                yield Setting(use.type, place, setting, size, "J", None, "")
        for kind, shapes in use.release.items():
            for name, power in shapes.items():
                if power > 0:
                    peak = power * peak_factor(site, name)
                    note = f"{kind}, {shape(name)}"
                    yield Setting(use.type, place, "release", power, "W", peak, note)


def _machines(site: Network, plan: Plan) -> Iterator[Setting]:
    for use in plan.machines:
        kind, place = site.machines[use.type], site.ground(use.place)
        if kind.flare and (burnt := flared(site, plan, use))[1] > 0:
            note = f"{quantity(burnt[0], 'mass_rate')} on average, of {_comes(plan, use)}"
            yield Setting(use.type, place, "burn at most", burnt[1], "kg/s", None, note)
            continue
        if use.running:
            yield Setting(use.type, place, "run always", use.running, "units", None, "")
        for name, load in {FLAT: use.flat_load, **use.following}.items():
            if load <= 0:
                continue
            peak = load * peak_factor(site, name)
            note = f"{shape(name)}, all running units together"
            if kind.power_out > 0:
                power = kind.power_out
                yield Setting(
                    use.type, place, "power output", power * load, "W", power * peak, note
                )
            else:
                yield Setting(use.type, place, "load", load, "units", peak, note)
        yield from _on_and_off(site, use, place)


def _comes(plan: Plan, flare: MachineUse) -> str:
    """What a flare burns the gas of, in words."""
    sent = [use.name for use in plan.sources if use.collect.get(f"flare:{flare.name}", 0.0) > 0]
    guarded = [
        f"what overflows of {at(store)}"
        if not is_passed(plan, f"store:{store}")
        else "what is not taken at its place"
        for store in flare.overflow
    ]
    return ", ".join([*sent, *guarded]) or "what is left over"


def _on_and_off(site: Network, use: MachineUse, place: str) -> Iterator[Setting]:
    kind = site.machines[use.type]
    if use.cycled > 0:
        note = f"one more unit; runs of {max(kind.min_up_time, 1.0):.0f} s or longer"
        if kind.min_down_time > 0:
            note += f", rests of {kind.min_down_time:.0f} s or longer"
        yield Setting(use.type, place, "run on and off, share of time", use.cycled, "", None, note)
    for battery, units in use.burst.items():
        if units > 0:
            note = f"charging {at(battery)}"
            yield Setting(use.type, place, "run on bursts", units, "units", None, note)
    for fluid, held in use.buffer_vessel.items():
        note = f"of {fluid}, beside the unit that runs on and off"
        yield Setting(use.type, place, "buffer vessel holds", held, "kg", None, note)
