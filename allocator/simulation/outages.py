"""Machines that fail, are repaired and are serviced, each unit independently."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from zlib import crc32

import numpy as np

from allocator.simulation.trace import Outages
from allocator.site.records import MachineType
from allocator.verify.case import Case
from allocator.verify.tanks.circuit import Circuit, Rate, SourceClock

YEAR = 365.25 * 86400.0

Out = Mapping[str, int]
"""Units out of order, by machine group."""


@dataclass(frozen=True, slots=True)
class OutageSchedule:
    """Which units are out when: from each of ``times`` (s, rising from 0) so many of each group."""

    times: tuple[float, ...]
    out: tuple[Out, ...]


def with_outages(
    circuit: Circuit, case: Case, outages: Outages, seconds: float, seed: list[int]
) -> Circuit:
    """The circuit with a clock for every unit of every group: 1 while it is out of order.

    Times between failures and of repair are exponential. What a unit that is out would have
    burnt is counted as burnt, which is on the safe side for the stores.
    """
    clocks: list[SourceClock] = []
    groups = []
    for g, group in enumerate(circuit.groups):
        terms = []
        for unit in range(case.plan.machines[g].count):
            name = f"outage:{group.name}:{unit + 1}"
            clocks.append(_clock(name, outages, seconds, np.random.default_rng([*seed, g, unit])))
            terms.append((name, 1.0))
        groups.append(replace(group, failed=Rate(0.0, tuple(terms))))
    return replace(circuit, clocks=(*circuit.clocks, *clocks), groups=tuple(groups))


def _clock(name: str, outages: Outages, seconds: float, draw: np.random.Generator) -> SourceClock:
    times, values = _failures(outages, seconds, draw)
    return SourceClock(name, "outage", 2.0 * times[-1], np.array(times), np.array(values), name)


def _failures(
    outages: Outages, seconds: float, draw: np.random.Generator, out: bool = False
) -> tuple[list[float], list[float]]:
    """Times at which a unit fails and is repaired, from 0 s on, and 1 where it is out then."""
    times, values = [0.0], [1.0 if out else 0.0]
    while times[-1] <= seconds:
        mean = outages.repair if values[-1] else outages.between
        times.append(times[-1] + max(1.0, float(draw.exponential(mean))))
        values.append(1.0 - values[-1])
    return times, values


def outages_of(machine: MachineType, asked: Outages | None) -> Outages | None:
    """How units of a type fail: as asked for, else as the site file says; None: they do not."""
    if asked is not None:
        return asked
    if machine.mtbf is None or machine.mttr is None:
        return None
    return Outages(machine.mtbf, machine.mttr)


def availability(machine: MachineType, asked: Outages | None = None) -> float:
    """Share of the time that a unit is in order: ``mtbf / (mtbf + mttr)``, less its service.

    Of failures alone this is the steady state of a two-state Markov process (R. Billinton &
    R. N. Allan, *Reliability Evaluation of Engineering Systems*, 2nd ed. 1992, chapter 9; from
    memory). Service comes at an instant that does not depend on failures.
    """
    outages = outages_of(machine, asked)
    steady = 1.0 if outages is None else outages.between / (outages.between + outages.repair)
    return steady * (1.0 - machine.service / YEAR)


def fails(case: Case, asked: Outages | None = None) -> bool:
    """Whether a unit of the plan may be out of order."""
    kinds = [case.machine_type(machine) for machine in case.plan.machines if machine.count > 0]
    return any(availability(kind, asked) < 1.0 for kind in kinds)


def drawn_schedule(
    case: Case, asked: Outages | None, seconds: float, seed: int, number: int
) -> OutageSchedule:
    """A schedule drawn at random, from the steady state: a unit may be out at the start.

    The same unit of a group has the same outages in every plan (common random numbers).
    """
    changes: list[tuple[float, str, int]] = []
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        outages = outages_of(kind, asked)
        for unit in range(machine.count):
            draw = np.random.default_rng([seed, number, crc32(machine.name.encode()), unit])
            starts_out, service = float(draw.uniform()), float(draw.uniform())
            spans = []
            if outages is not None:
                share = outages.repair / (outages.between + outages.repair)
                times, values = _failures(outages, seconds, draw, starts_out < share)
                spans += [span for span, out in zip(pairwise(times), values, strict=False) if out]
            begin = service * YEAR - YEAR  # it may have begun in the year before
            while kind.service > 0 and begin < seconds:
                spans.append((max(0.0, begin), max(0.0, begin + kind.service)))
                begin += YEAR
            for first, last in _merged(spans):
                changes += [(first, machine.name, 1), (last, machine.name, -1)]
    return _scheduled(case, changes, seconds)


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans that do not overlap: a unit that fails while it is serviced is out once."""
    found: list[tuple[float, float]] = []
    for first, last in sorted(spans):
        if found and first <= found[-1][1]:
            found[-1] = (found[-1][0], max(last, found[-1][1]))
        else:
            found.append((first, last))
    return found


def _scheduled(case: Case, changes: list[tuple[float, str, int]], seconds: float) -> OutageSchedule:
    count = {machine.name: machine.count for machine in case.plan.machines}
    now = dict.fromkeys(count, 0)
    times: list[float] = []
    out: list[Out] = []
    for time, name, change in sorted([*(c for c in changes if c[0] < seconds)]):
        now[name] += change
        told = {group: min(units, count[group]) for group, units in now.items() if units > 0}
        if times and times[-1] == time:
            out[-1] = told
        else:
            times.append(time)
            out.append(told)
    if not times or times[0] > 0.0:
        times, out = [0.0, *times], [{}, *out]
    return OutageSchedule(tuple(times), tuple(out))


TURNS = (3600.0, 12 * 3600.0, 72 * 3600.0)
"""s that a choice of units is out, or all are in order, where they are out by turns."""


def by_turns(case: Case, seconds: float, seed: int, turns: int) -> OutageSchedule:
    """Each choice of units that the plan has an operation for, out by turns, to and fro.

    The first one is out from the start, where the worst window of a store begins in runs that are
    set against it.
    """
    draw = np.random.default_rng([seed, turns, 2])
    choices: list[Out] = [*(outage.out for outage in case.plan.outages), {}]
    times, out = [0.0], [choices[int(draw.integers(len(choices) - 1))]]
    while times[-1] < seconds:
        times.append(times[-1] + float(draw.choice(TURNS)))
        out.append(choices[int(draw.integers(len(choices)))] if not out[-1] else {})
        if draw.uniform() < 0.5:  # from one choice straight to another
            out[-1] = choices[int(draw.integers(len(choices)))]
    return OutageSchedule(tuple(times), tuple(out))
