"""Runs in which the operation of a plan changes with the machine units that are out of order.

A plan that holds with units out has an operation for each choice of them. A run is cut where the
operation, or the number of units that fail beyond it, changes; levels and clocks go on.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from allocator.plans.outages import plan_during
from allocator.simulation.columns import (
    HIGHEST,
    LAST_SHORT,
    LEAST_SHARE,
    LEVEL,
    LOWEST,
    Sums,
    Tables,
    empty_sums,
    tables_of,
)
from allocator.simulation.outages import Out, OutageSchedule
from allocator.simulation.running import Finished
from allocator.verify.case import case_of
from allocator.verify.tanks.assembly import Assembly, assembly_of
from allocator.verify.tanks.circuit import Circuit, Rate

T = TypeVar("T")
State = tuple[int, tuple[tuple[str, int], ...]]
"""The number of an operation (0: the normal one) and the units that are out beyond it."""


@dataclass(frozen=True)
class Regimes:
    """The normal operation of a plan, and that of each choice of units out of order.

    ``circuit``: of the normal operation, with its reserves. ``states``, ``tables``: what is known.
    """

    assembly: Assembly
    circuit: Circuit
    states: dict[tuple[tuple[str, int], ...], State] = field(default_factory=dict)
    tables: dict[State, tuple[Circuit, Tables]] = field(default_factory=dict)

    @cached_property
    def operations(self) -> tuple[tuple[Out, Assembly], ...]:
        """Units out, and the assembly, of each operation."""
        case = self.assembly.case
        found: list[tuple[Out, Assembly]] = [({}, self.assembly)]
        for outage in case.plan.outages:
            mine = case_of(case.site, plan_during(case.plan, outage))
            found.append((outage.out, assembly_of(mine, surplus=self.assembly.surplus)))
        return tuple(found)

    def state_of(self, out: Out) -> State:
        """The operation for units that are out: that which lacks least power for want of them.

        Of several the one that the plan states for just these units, else normal operation.
        """
        key = tuple(sorted(out.items()))
        if key not in self.states:
            self.states[key] = min(
                (
                    (sum(short for _, short in beyond), covered != out, number, failed)
                    for number, (covered, assembly) in enumerate(self.operations)
                    for failed in [_beyond(out, covered)]
                    for beyond in [_missing(assembly, failed)]
                )
            )[2:]
        return self.states[key]

    def run(
        self,
        phases: Mapping[str, float],
        seconds: float,
        schedule: OutageSchedule,
        samples: int = 1,
    ) -> Finished:
        """A run with units out of order as a schedule says; see :func:`run_circuit`."""
        from allocator.simulation import events  # compiled
        from allocator.simulation.packed import packed_sums, packed_tables

        total = empty_sums(self.circuit, samples, 0)
        total.tank[:, LOWEST] = np.inf
        levels = {
            tank.name: tank.size if tank.first is None else min(tank.first, tank.size)
            for tank in self.circuit.tanks
        }
        grid = [seconds * (row / samples) for row in range(1, samples)] + [seconds]
        _sample(total, self.circuit, levels, 0)
        row = 1
        for begin, end, state in self._pieces(schedule, grid if samples > 1 else [seconds]):
            assembly = self.operations[state[0]][1]
            circuit, tables = self._tables(state)
            offsets = [
                (phases.get(clock.follows, 0.0) + begin) % clock.period for clock in circuit.clocks
            ]
            firsts = [levels.get(tank.name, tank.size) for tank in circuit.tanks]
            part = empty_sums(circuit, 1, 0)
            now = tables._replace(offsets=np.array(offsets), firsts=np.array(firsts))
            events.run(packed_tables(now), packed_sums(part), end - begin, 1, events.FEW)
            _add(total, self, circuit, part, assembly, begin)
            for k, tank in enumerate(circuit.tanks):
                levels[tank.name] = float(part.tank[k, LEVEL])
            if row <= samples and end >= grid[row - 1]:
                _sample(total, self.circuit, levels, row)
                row += 1
        for k, tank in enumerate(self.circuit.tanks):
            total.tank[k, LEVEL] = levels[tank.name]
        return Finished(self.circuit, dict(phases), float(seconds), np.array([0.0, *grid]), total)

    def _pieces(
        self, schedule: OutageSchedule, grid: list[float]
    ) -> Iterator[tuple[float, float, State]]:
        """The pieces of a run: from when to when, and its state; cut at the times of a grid."""
        states = [self.state_of(out) for out in schedule.out]
        cuts = [0.0]
        for time, before, now in zip(schedule.times[1:], states, states[1:], strict=False):
            if before != now:
                cuts.append(time)
        at = 0
        for begin, end in itertools.pairwise(sorted({*cuts, *grid})):
            while at + 1 < len(schedule.times) and schedule.times[at + 1] <= begin:
                at += 1
            yield begin, end, states[at]

    def _tables(self, state: State) -> tuple[Circuit, Tables]:
        """The circuit of a state, and its columns, of which offsets and levels are still open."""
        if state not in self.tables:
            circuit = self._circuit(self.operations[state[0]][1], dict(state[1]))
            self.tables[state] = (circuit, tables_of(circuit, {}))
        return self.tables[state]

    def _circuit(self, assembly: Assembly, failed: Mapping[str, int]) -> Circuit:
        kept = {tank.name: tank.reserve for tank in self.circuit.tanks}
        clocks = {clock.name: clock for clock in self.circuit.clocks}
        circuit = assembly.circuit
        return replace(
            circuit,
            clocks=tuple(clocks.get(clock.name, clock) for clock in circuit.clocks),
            tanks=tuple(
                replace(tank, reserve=kept.get(tank.name, tank.reserve)) for tank in circuit.tanks
            ),
            groups=tuple(
                replace(group, failed=Rate(float(failed.get(group.name, 0))))
                for group in circuit.groups
            ),
        )


def _beyond(out: Out, covered: Out) -> tuple[tuple[str, int], ...]:
    """Units that are out beyond those of an operation."""
    return tuple(
        (name, units - covered.get(name, 0))
        for name, units in sorted(out.items())
        if units > covered.get(name, 0)
    )


def _missing(
    assembly: Assembly, failed: tuple[tuple[str, int], ...]
) -> tuple[tuple[str, float], ...]:
    """W of promised power that an operation lacks, by group, with units out beyond its own."""
    groups = {group.name: group for group in assembly.circuit.groups}
    found = []
    for name, units in failed:
        if lost := groups[name].share_lost(units):
            found.append((name, lost * groups[name].mean_power))
    return tuple(found)


def _sample(total: Sums, circuit: Circuit, levels: Mapping[str, float], row: int) -> None:
    for k, tank in enumerate(circuit.tanks):
        for table in (total.sample_level, total.sample_low, total.sample_high):
            table[row, k] = levels[tank.name]
        total.sample_spill[row, k] = total.tank[k, 1]


def _add(
    total: Sums, regimes: Regimes, circuit: Circuit, part: Sums, mine: Assembly, begin: float
) -> None:
    """Add what a piece of a run found to the whole."""
    normal = regimes.circuit
    number = {tank.name: k for k, tank in enumerate(normal.tanks)}
    for tank, column in zip(circuit.tanks, part.tank, strict=True):
        if (k := number.get(tank.name)) is None:
            continue
        lowest = min(total.tank[k, LOWEST], column[LOWEST])
        highest = max(total.tank[k, HIGHEST], column[HIGHEST])
        total.tank[k] += column
        total.tank[k, LOWEST], total.tank[k, HIGHEST] = lowest, highest
    clocks = {clock.name: i for i, clock in enumerate(normal.clocks)}
    for clock, integral in zip(circuit.clocks, part.clock, strict=True):
        if clock.name in clocks:
            total.clock[clocks[clock.name]] += integral
    total.load[:] += part.load
    total.bus[:] += part.bus
    burners = _first(_owners(regimes.assembly))
    for owner, units, started in zip(_owners(mine), part.burner, part.started, strict=True):
        if owner in burners:
            total.burner[burners[owner]] += units
            total.started[burners[owner]] += started
    throttles = _first([throttle.group for throttle in normal.throttles])
    for throttle, energy in zip(circuit.throttles, part.throttle, strict=True):
        if throttle.group in throttles:
            total.throttle[throttles[throttle.group]] += energy
    whole, added = total.whole, part.whole
    least, last = min(whole[LEAST_SHARE], added[LEAST_SHARE]), whole[LAST_SHORT]
    if added[LAST_SHORT] > 0.0:
        last = begin + added[LAST_SHORT]
    whole += added
    whole[LEAST_SHARE], whole[LAST_SHORT] = least, last


def _owners(assembly: Assembly) -> list[str]:
    """The machine group of each burner, or the battery whose overflow it is."""
    return [
        owner or burner.name
        for owner, burner in zip(assembly.burner_of, assembly.circuit.burners, strict=True)
    ]


def _first(names: list[T]) -> dict[T, int]:
    """Where each name is first."""
    return {name: i for i, name in reversed(list(enumerate(names)))}
