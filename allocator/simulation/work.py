"""Runs of one circuit, worked off here or by an executor: the same draws either way."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

from allocator.simulation.accounts import draw_of
from allocator.simulation.outages import OutageSchedule, by_turns, drawn_schedule, with_outages
from allocator.simulation.regimes import Regimes
from allocator.simulation.rules import kept_through
from allocator.simulation.running import Finished, run_circuit
from allocator.simulation.trace import Draw, Outages
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Circuit, SourceClock
from allocator.verify.tanks.phases import Phases
from allocator.verify.tanks.true_clocks import (
    against_window,
    with_drawn_clocks,
    with_recorded_clocks,
)
from allocator.verify.tanks.weakened import weakened

BATCHES = 8
"""Into how many batches an executor's work is cut, at most: the circuit goes with each."""

TRIED = 16
"""So many runs are done here first, to measure what the rest would take."""

WORTHWHILE = 4.0
"""Processor seconds of work below which it costs more to hand runs over than to do them here."""


@dataclass(frozen=True)
class DrawRun:
    """One run: from ``phases``, for ``seconds`` s. ``number``: what its outages are drawn by.

    ``needs``: tank -> kg or J that its worst window asks, where the run is set against it, and
    ``window``: the length of that window, s. ``shares``: source -> share of its flow that is
    left, for promises that withstand lost sources and low ones. ``turns``: seed of the turns in
    which units are out that the promise must hold without; 0: none are. Clocks of inexact cycles
    run as stated; with ``drawn``, as drawn by the number; with ``against``, at worst for a window
    of that begin and length, s. ``recorded``: measured flows run as their records.
    """

    name: str
    phases: Phases
    seconds: float
    number: int = 0
    needs: Mapping[str, float] = field(default_factory=dict)
    window: float = 0.0
    shares: Mapping[str, float] = field(default_factory=dict)
    drawn: bool = False
    against: tuple[float, float] | None = None
    turns: int = 0
    recorded: bool = False


@dataclass(frozen=True)
class Work:
    """What every run shares: a circuit, what it stands for, what is kept in its tanks (``rule``: by

    the state of sources as well), and how its machines fail."""

    assembly: Assembly
    reserves: Mapping[str, float]
    failing: Outages | None
    seed: int
    rule: bool = False

    def recorded(self, run: DrawRun, samples: int = 1, events: int = 0) -> tuple[Draw, Finished]:
        """One run, with levels recorded that many times and that many events written down."""
        assembly = weakened(self.assembly, run.shares) if run.shares else self.assembly
        circuit = with_reserves(assembly.circuit, self.reserves)
        circuit = self._clocked(assembly, circuit, run)
        schedule = self._schedule(run)
        if schedule is not None:
            regimes = Regimes(assembly, circuit)
            finished = regimes.run(run.phases, run.seconds, schedule, samples)
        else:
            if self.failing is not None:
                seed = [self.seed, run.number, 1]
                circuit = with_outages(circuit, assembly.case, self.failing, run.seconds, seed)
            kept = None
            if self.rule:
                kept = kept_through(assembly, circuit, run.phases, run.seconds)
                samples = len(kept)
            finished = run_circuit(circuit, run.phases, run.seconds, samples, events, kept)
        draw = draw_of(assembly, finished, run.name, run.needs)
        told = replace(draw, number=run.number, shares=run.shares, turns=run.turns)
        told = replace(told, drawn=run.drawn, against=run.against, recorded=run.recorded)
        return told, finished

    def _schedule(self, run: DrawRun) -> OutageSchedule | None:
        """When units are out, where the plan has operations for it."""
        case = self.assembly.case
        if run.turns:
            return by_turns(case, run.seconds, self.seed, run.turns)
        if self.failing is None or not case.plan.outages:
            return None
        return drawn_schedule(case, self.failing, run.seconds, self.seed, run.number)

    def clocks(self, run: DrawRun) -> tuple[SourceClock, ...]:
        """The true clocks of a run."""
        return self._clocked(self.assembly, self.assembly.circuit, run).clocks

    def _clocked(self, assembly: Assembly, circuit: Circuit, run: DrawRun) -> Circuit:
        if run.recorded:
            circuit = with_recorded_clocks(assembly.case, circuit, run.seconds)
        if run.against is not None:
            return against_window(assembly.case, circuit, run.phases, *run.against)
        if run.drawn:
            return with_drawn_clocks(assembly.case, circuit, [self.seed, run.number, 2])
        return circuit

    def draws(self, runs: Sequence[DrawRun]) -> list[Draw]:
        """Some runs, one after the other."""
        return [self.recorded(run)[0] for run in runs]


def with_reserves(circuit: Circuit, reserves: Mapping[str, float]) -> Circuit:
    """The circuit with levels that are kept for the promise; tanks not named stay full."""
    tanks = (replace(tank, reserve=reserves.get(tank.name, tank.reserve)) for tank in circuit.tanks)
    return replace(circuit, tanks=tuple(tanks))


def worked_off(work: Work, runs: Sequence[DrawRun], executor: Executor | None = None) -> list[Draw]:
    """All runs, in their order. An executor gets them in batches of neighbours.

    What is too little to hand over is done here: a few runs tell. Whoever does them, the draws
    are the same.
    """
    if executor is None:
        return work.draws(runs)
    begin = time.process_time()
    here = work.draws(runs[:TRIED])
    spent = time.process_time() - begin
    rest = runs[TRIED:]
    if len(rest) * spent < WORTHWHILE * TRIED:
        return [*here, *work.draws(rest)]
    size = -(-len(rest) // BATCHES)
    batches = [rest[first : first + size] for first in range(0, len(rest), size)]
    found = executor.map(work.draws, batches)
    return [*here, *(draw for batch in found for draw in batch)]
