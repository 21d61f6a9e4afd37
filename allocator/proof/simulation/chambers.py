"""Chambers at sources: a pump goes on for a while after a burst, on what the chamber holds.

While the source is on it gives up to its flow: the pump takes its own rate, the chamber what is
left until it is full. When it is off, the pump draws on down to the least pressure, and waits for
the next burst. What it draws is on at its rate whenever the source is on, and longer: the promise,
which counts with bursts alone, can only gain.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from allocator.proof.case import Case
from allocator.proof.cycle import Cycle, cycle_of
from allocator.proof.simulation.circuit import Clock
from allocator.proof.simulation.trace import ChamberTrace
from allocator.site.chambers import held


def drawable(case: Case, source: str) -> float:
    """kg that a source's pump draws from its full chamber, down to the pressure to hold."""
    return held(case.site, case.site.sources[source], hold_of(case, source))


def hold_of(case: Case, source: str) -> float:
    """Pa that a source's pump keeps in its chamber: the plan's set-point, or the site's least."""
    points = case.plan.set_points
    holds = {} if points is None else {hold.source: hold.pressure for hold in points.chambers}
    pump = case.site.sources[source].pump
    least = 0.0 if pump is None or pump.chamber is None else pump.chamber.least
    return max(least, holds.get(source, least))


def drawn_cycles(case: Case) -> dict[str, Cycle]:
    """When each source with a chamber is drawn on, of those that come and go."""
    found = {}
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        cycle = case.cycles.get(use.name)
        rate = math.fsum(use.collect.values())
        if cycle is not None and not cycle.steady and rate > 0:
            longer = lengthened(cycle, source.flow, rate, drawable(case, use.name))
            if longer is not cycle:
                found[use.name] = longer
    return found


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


def chambers_of(case: Case, clocks: Sequence[Clock]) -> tuple[ChamberTrace, ...]:
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
                hold_of(case, name),
                kept,
                kept / math.fsum(use.collect.values()),
                case.duty(name),
                float(lengths @ clock.values) / clock.period,
            )
        )
    return tuple(found)
