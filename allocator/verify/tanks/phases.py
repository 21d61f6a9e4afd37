"""Phases of the sources: drawn at random, as surveyed, or set against one store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zlib import crc32

import numpy as np

from allocator.verify.case import Case
from allocator.verify.chambers import together
from allocator.verify.cycle import Cycle
from allocator.verify.tanks.chambers import chamber_window
from allocator.verify.tanks.circuit import Circuit, Tank
from allocator.verify.timetables import integral, worst_shift
from allocator.verify.windows import shortfall

Phases = dict[str, float]
"""Seconds into its period at which each clock starts; 0 where none is given."""


@dataclass(frozen=True, slots=True)
class WorstWindow:
    """The window in which a tank gives most beyond what it gets: ``need`` (kg or J) of it.

    ``length``: s, from the start of a run with these phases to the end of the window, which begins
    at ``begin`` s.
    """

    length: float
    need: float
    phases: Phases
    begin: float = 0.0


Worst = Mapping[str, WorstWindow | None]
"""The worst window of every tank, by name."""


def random_phases(circuit: Circuit, seed: int, number: int) -> Phases:
    """Every source somewhere in its period, evenly; demands keep their clock.

    The same seed and number always give the same phases.
    """
    draw = np.random.default_rng([seed, number])
    return {
        clock.name: float(draw.uniform(0.0, clock.period))
        for clock in circuit.clocks
        if clock.kind == "source"
    }


def admitted_phases(case: Case, circuit: Circuit, seed: int, number: int) -> Phases:
    """As :func:`random_phases`, but a source of known phase is off by no more than its error."""
    return _admitted(case, circuit, random_phases(circuit, seed, number))


def common_phases(case: Case, circuit: Circuit, seed: int, number: int) -> Phases:
    """As :func:`admitted_phases`, and a source has the same phase in every plan that uses it."""
    phases = {
        clock.name: clock.period
        * float(np.random.default_rng([seed, number, crc32(clock.name.encode())]).uniform())
        for clock in circuit.clocks
        if clock.kind == "source"
    }
    return _admitted(case, circuit, phases)


def _admitted(case: Case, circuit: Circuit, phases: Phases) -> Phases:
    for clock in circuit.clocks:
        sure = case.sure.get(clock.name) if clock.kind == "source" else None
        if sure is not None and sure.start is not None:
            shift = (2.0 * phases[clock.name] / clock.period - 1.0) * sure.error
            phases[clock.name] = (shift - sure.start) % clock.period
    return phases


def surveyed_phases(case: Case, circuit: Circuit, seed: int) -> Phases:
    """Sources as surveyed: the outermost stage turns on after ``next_start``; others at random.

    Their true clocks may be off by as much as is admitted.
    """
    phases = admitted_phases(case, circuit, seed, 0)
    for clock in circuit.clocks:
        source = case.site.sources.get(clock.name) if clock.kind == "source" else None
        if source is not None and source.next_start is not None:
            phases[clock.name] = -source.next_start % clock.period
    return phases


def cycles_of(case: Case, tank: Tank) -> list[tuple[str, Cycle, float]]:
    """Clocks of a tank's net rate as cycles with weights: a draw's cycle has its sign turned.

    A source and what is drawn out of its chamber share one clock, and are one cycle.
    """
    weights: dict[str, float] = {}
    for name, weight in tank.net.terms:
        weights[name] = weights.get(name, 0.0) + weight
    found = []
    shared: dict[str, list[tuple[Cycle, float]]] = {}
    for name, weight in weights.items():
        if weight > 0:
            whole = case.site.sources[name].part_of or name
            shared.setdefault(whole, []).append((case.sure[name], weight))
    for name, parts in shared.items():
        if len(parts) == 1:
            found.append((name, *parts[0]))
        else:
            found.append((name, together(parts), 1.0))
    for name, weight in weights.items():
        if weight < 0:
            found.append((name, case.shape_cycles[name.removeprefix("shape:")], -weight))
    return found


def worst_window(case: Case, tank: Tank) -> WorstWindow | None:
    """The worst window of a store or a burst part, with the phases that bring it about at 0 s.

    Every clock starts where its own worst window of that length starts, as far as it may: where
    timetables are known the window begins later than at 0 s, and the length counts from there.
    None where nothing moves, or where the tank can never run down.
    """
    if tank.kind == "level":
        return None  # it follows one profile, whose clock is known
    if tank.kind == "chamber":
        name, cycle, draw = chamber_window(case, tank)
        parts = [(name, cycle, 1.0)]
    else:
        parts = cycles_of(case, tank)
        draw = tank.loss - tank.net.steady
    if not parts:
        return None
    short = None
    for precision in (1e-7, 1e-3):
        short = shortfall([(c, w) for _, c, w in parts], draw, 0.0, precision)
        if short is None or short.kind == "window":
            break
    if short is None or short.kind != "window":
        return None
    if short.begin is None:
        phases = {name: _worst_start(cycle, short.length) for name, cycle, _ in parts}
        return WorstWindow(short.length, short.amount, phases)
    begin, length = np.array([short.begin]), np.array([short.length])
    phases = {
        name: float((worst_shift(cycle, begin, length)[1][0] - short.begin) % cycle.period)
        for name, cycle, _ in parts
        if not cycle.steady
    }
    return WorstWindow(short.begin + short.length, short.amount, phases, short.begin)


def worst_windows(case: Case, circuit: Circuit) -> Worst:
    """The worst window of every tank of a circuit."""
    return {tank.name: worst_window(case, tank) for tank in circuit.tanks}


def _worst_start(cycle: Cycle, length: float) -> float:
    """Where in its period the least integral over windows of a length starts.

    A worst window starts where the rate drops, or ends where it rises; what bursts may be shifted
    by is left at either end of it.
    """
    if cycle.steady:
        return 0.0
    length = max(0.0, length - cycle.delay)
    starts = np.concatenate((cycle.drops, (cycle.rises - length) % cycle.period))
    gained = integral(cycle, starts + length) - integral(cycle, starts)
    return float((starts[np.argmin(gained)] - 0.5 * cycle.delay) % cycle.period)
