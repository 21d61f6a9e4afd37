"""Chambers at sources: a pump goes on for a while after a burst, on what the chamber holds.

While the source is on it gives up to its flow: the pump takes its own rate, the chamber what is
left until it is full. Where a plan draws on a chamber through pauses, the chamber is a tank that
its source fills and all of that empties: should it run dry, the promise is broken. Where a plan
does not, the pump draws on down to the least pressure after a burst and waits for the next one.
What it draws is then on at its rate whenever the source is on, and longer: the promise, which
counts with bursts alone there, can only gain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from allocator.plans.records import SourceUse
from allocator.verify.basis import content
from allocator.verify.case import Case
from allocator.verify.chambers import drawn_through, hold_of, net_cycle, rates_of, taken
from allocator.verify.cycle import Cycle, cycle_of
from allocator.verify.tanks.circuit import Rate, SourceClock, Tank, added, turned


@dataclass(frozen=True, slots=True)
class ChamberTrace:
    """A chamber at a source: from full down to ``hold`` Pa it gives ``held`` kg, which last

    ``lasts`` s. ``on``: share of the time that the source is on; ``drawn``: that its pump draws.
    """

    source: str
    hold: float
    held: float
    lasts: float
    on: float
    drawn: float


def drawable(case: Case, source: str) -> float:
    """kg that a source's pump draws from its full chamber, down to the pressure to hold."""
    record = case.site.sources[source]
    return content(case.site, record, hold_of(case, record))


def drawn_cycles(case: Case) -> dict[str, Cycle]:
    """When each source with a chamber is drawn on, of those that come and go and of which the

    plan draws nothing through pauses."""
    found = {}
    through = drawn_through(case)
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        cycle = case.cycles.get(use.name)
        rate = math.fsum(use.collect.values())
        if use.name not in through and cycle is not None and not cycle.steady and rate > 0:
            longer = lengthened(cycle, source.flow, rate, drawable(case, use.name))
            if longer is not cycle:
                found[use.name] = longer
    return found


def chamber_tanks(case: Case, worth: Mapping[str, float]) -> list[Tank]:
    """The chambers out of which a plan draws through pauses, full at first.

    ``worth``: W of promised power a kg/s that a source gives straight into the supply layer.
    """
    found = []
    for name, drawn in drawn_through(case).items():
        whole = [use for use in case.plan.sources if use.name == name]
        draws = added(*(_drawn(case, use) for use in (*whole, *drawn)))
        arrivals = Rate(0.0, ((name, case.site.sources[name].flow),))
        found.append(
            Tank(
                name=f"chamber of {name}",
                unit="kg",
                size=drawable(case, name),
                net=added(arrivals, turned(draws)),
                arrivals=arrivals,
                draws=draws,
                worth=max(worth.get(f"source:{use.name}", 0.0) for use in drawn),
                kind="chamber",
            )
        )
    return found


def _drawn(case: Case, use: SourceUse) -> Rate:
    """What is drawn of a source: all of it at its highest rate while it is on."""
    rate = taken(case, use)
    if rate <= 0 or case.cycles[use.name].steady:
        return Rate(rate)
    return Rate(0.0, ((use.name, rate),))


def as_it_comes(case: Case) -> Case:
    """The case with what is collected out of chambers collected while their sources are on.

    What goes from a chamber straight into the supply layer stays.
    """
    through = drawn_through(case)
    uses = []
    for use in case.plan.sources:
        collect = dict(use.collect)
        if case.site.sources[use.name].part_of:
            collect = {}
        for part in through.get(use.name, ()):
            for to, rate in part.collect.items():
                collect[to] = collect.get(to, 0.0) + rate
        uses.append(replace(use, collect=collect))
    return replace(case, plan=replace(case.plan, sources=tuple(uses)))


def chamber_window(case: Case, tank: Tank) -> tuple[str, Cycle, float]:
    """A chamber's source; what it gets less what goes out of it on and off; what always goes."""
    ((name, _),) = tank.arrivals.terms
    rates = rates_of(case, name)
    return name, net_cycle(case.site.sources[name], rates), tank.draws.steady


def lengthened(cycle: Cycle, flow: float, rate: float, most: float) -> Cycle:
    """On (1) whenever the pump draws ``rate`` kg/s, from a chamber that holds ``most`` kg at most.

    ``flow``: kg/s of the source while it is on. Settled: the chamber ends each period as it
    began. A period moves the level up or down, within two ends; so from an empty chamber, or
    else from a full one, one period leads to the settled level.
    """
    if most <= 0 or flow <= rate:
        return cycle
    start = 0.0
    for begin in (0.0, most):
        start = _march(cycle, flow, rate, most, begin)[0]
        if abs(_march(cycle, flow, rate, most, start)[0] - start) <= 1e-12 * most:
            break
    _, off = _march(cycle, flow, rate, most, start)
    times = np.concatenate((cycle.times, off))
    rates = np.concatenate((np.ones(len(cycle.times)), np.zeros(len(off))))
    order = np.argsort(times, kind="stable")
    return cycle_of(cycle.period, times[order], rates[order])


def _march(
    cycle: Cycle, flow: float, rate: float, most: float, level: float
) -> tuple[float, np.ndarray]:
    """The level at the end of a period, and when the pump stops for want of gas."""
    stops = []
    lengths = np.diff(np.append(cycle.times, cycle.period))
    for begin, on, length in zip(cycle.times, cycle.rates, lengths, strict=True):
        if on > 0:
            level = min(most, level + (flow - rate) * length)
            continue
        lasts = level / rate
        if lasts < length:
            stops.append(begin + lasts)
        level = max(0.0, level - rate * length)
    return level, np.array(stops)


def chambers_of(case: Case, clocks: Sequence[SourceClock]) -> tuple[ChamberTrace, ...]:
    """What the chambers of a plan do, by the clocks of its circuit."""
    by_name = {clock.name: clock for clock in clocks}
    found = []
    for name in drawn_cycles(case):
        clock, kept = by_name[name], drawable(case, name)
        (use,) = (source for source in case.plan.sources if source.name == name)
        lengths = np.diff(np.append(clock.times, clock.period))
        found.append(
            ChamberTrace(
                name,
                hold_of(case, case.site.sources[name]),
                kept,
                kept / math.fsum(use.collect.values()),
                case.duty(name),
                float(lengths @ clock.values) / clock.period,
            )
        )
    for name, drawn in drawn_through(case).items():
        record, kept = case.site.sources[name], drawable(case, name)
        rate = math.fsum(taken(case, use) for use in drawn)
        longest = max(case.duty(use.name) for use in drawn)
        hold = hold_of(case, record)
        found.append(ChamberTrace(name, hold, kept, kept / rate, case.duty(name), longest))
    return tuple(found)
