"""The tanks and clocks of a plan: stores, and the parts of batteries."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from allocator.plans.records import FLAT, BatteryUse, StoreUse
from allocator.site.records import Profile
from allocator.verify.batteries import bursts_into, levelled_by
from allocator.verify.case import CLASSES, Case
from allocator.verify.cycle import Cycle
from allocator.verify.tanks.circuit import Rate, SourceClock, Tank, added, clock_of, turned

KEPT = 1e-9
"""Generation for levelling is kept this share above the balance, as a plan has it."""


def clocks_of(case: Case, drawn: Mapping[str, Cycle]) -> list[SourceClock]:
    """Clocks of the sources that come and go and are used, and of every shape.

    ``drawn``: when sources are drawn on, where that is not when they are on. What is drawn out of a
    chamber follows the clock of its source.
    """
    whole = {name: record.part_of or name for name, record in case.site.sources.items()}
    found = [
        replace(
            clock_of(source.name, "source", drawn.get(source.name, case.cycles[source.name])),
            follows=whole[source.name],
        )
        for source in case.plan.sources
        if source.name in case.cycles and not case.cycles[source.name].steady
    ]
    found += [
        clock_of(f"shape:{shape}", "shape", case.shape_cycles[shape], -1.0)
        for shape in case.profiles
    ]
    return found


def shaped(case: Case, means: dict[str, float], sign: float = 1.0) -> Rate:
    """The rate of flat and shaped means together."""
    steady, terms = 0.0, []
    for shape, mean in means.items():
        if shape == FLAT:
            steady += sign * mean
        elif mean:
            terms.append((f"shape:{shape}", sign * mean))
    return Rate(steady, tuple(terms))


def collected(case: Case, destination: str, bought: bool = False) -> Rate:
    """What sources send to a destination; only what is bought, if asked."""
    steady, terms = 0.0, []
    for source, rate in case.collected(destination):
        record = case.site.sources[source.name]
        if bought and not (record.delivered or record.price > 0):
            continue
        if case.cycles[source.name].steady:
            steady += rate * case.cycles[source.name].mean
        else:
            terms.append((source.name, rate))
    return Rate(steady, tuple(terms))


def store_tank(case: Case, store: StoreUse) -> Tank:
    """A store of a fluid: what it collects, its inflow, its promised draw, its loss."""
    arrivals = added(Rate(store.inflow), collected(case, f"store:{store.name}"))
    draws = shaped(case, dict(store.draw))
    return Tank(
        name=store.name,
        unit="kg",
        size=store.size,
        net=added(arrivals, turned(draws)),
        arrivals=arrivals,
        draws=draws,
        loss=case.site.storage[store.type].loss * store.size,
        bought=collected(case, f"store:{store.name}", bought=True),
    )


def burst_tank(case: Case, battery: BatteryUse, kind: str, bus: int) -> Tank | None:
    """The part of a battery behind bursts of a class of machine; None where there is none."""
    record = case.site.storage[battery.type]
    steady, terms = 0.0, []
    by_cycle = dict(_burst_sources(case, battery, kind))
    for name, power in by_cycle.items():
        if case.cycles[name].steady:
            steady += record.charge_efficiency * power
        else:
            terms.append((name, record.charge_efficiency * power))
    draws = shaped(case, dict(battery.release.get(kind, {})))
    size = battery.burst_part.get(kind, 0.0)
    if not (terms or steady or size > 0 or draws.steady or draws.terms):
        return None
    arrivals = Rate(steady, tuple(terms))
    return Tank(
        name=f"{battery.name} bursts ({kind})",
        unit="J",
        size=size,
        net=added(arrivals, turned(draws)),
        arrivals=arrivals,
        draws=draws,
        loss=record.loss / record.usable * size,
        worth=1.0,
        bus=bus,
        clean=kind == "clean",
        kind="burst",
    )


def _burst_sources(case: Case, battery: BatteryUse, kind: str) -> list[tuple[str, float]]:
    found: dict[str, float] = {}
    for name, _, power in bursts_into(case, battery, kind):
        found[name] = found.get(name, 0.0) + power
    return list(found.items())


def level_tank(case: Case, battery: BatteryUse, bus: int) -> tuple[Tank | None, list[SourceClock]]:
    """The part of a battery that levels steady generation to demands, and its clocks.

    For mean demand 1 of profile s and generation g, what charges is e (g - s)+, what is
    discharged is (s - g)+.
    """
    efficiency = case.site.storage[battery.type].charge_efficiency
    clocks: list[SourceClock] = []
    fills, draws = [], []
    clean = 0.0
    for name, constants, classes in levelled_by(case, battery):
        profile = case.site.demands[name].profile
        power = math.fsum(classes.values())
        clean += classes.get("clean", 0.0) - classes.get("emitting", 0.0)
        if profile is None or power <= 0:
            continue
        generation = constants.generation * (1.0 + KEPT)
        surplus = generation - np.asarray(profile.levels, np.float64)
        kinds = "" if len(classes) == len(battery.levelled[name]) else f" ({', '.join(classes)})"
        label, shape = f"{battery.name} for {name}{kinds}", f"shape:{case.shape_of[name]}"
        charge = efficiency * np.maximum(surplus, 0.0)
        clocks.append(_profile_clock(f"charge {label}", profile, charge, shape))
        discharge = np.maximum(-surplus, 0.0)
        clocks.append(_profile_clock(f"discharge {label}", profile, discharge, shape))
        fills.append((f"charge {label}", power))
        draws.append((f"discharge {label}", power))
    if not clocks:
        return None, []
    arrivals, draw = Rate(0.0, tuple(fills)), Rate(0.0, tuple(draws))
    tank = Tank(
        name=f"{battery.name} levelling",
        unit="J",
        size=battery.level_part,
        net=added(arrivals, turned(draw)),
        arrivals=arrivals,
        draws=draw,
        worth=1.0,
        bus=bus,
        clean=clean >= 0,
        kind="level",
    )
    return tank, clocks


def _profile_clock(name: str, profile: Profile, values: np.ndarray, follows: str) -> SourceClock:
    return SourceClock(name, "shape", profile.period, np.asarray(profile.starts), values, follows)


def battery_tanks(case: Case, buses: dict[str, int]) -> tuple[list[Tank], list[SourceClock]]:
    """All parts of all batteries, and the clocks of levelling."""
    tanks: list[Tank] = []
    clocks: list[SourceClock] = []
    for battery in case.plan.batteries:
        bus = buses[case.bus(battery.place)]
        for kind in CLASSES:
            burst = burst_tank(case, battery, kind, bus)
            if burst is not None:
                tanks.append(burst)
        level, found = level_tank(case, battery, bus)
        if level is not None:
            tanks.append(level)
            clocks += found
    return tanks, clocks
