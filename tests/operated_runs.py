"""A plan run as its controller operates it, look by look: what tests and benchmarks judge it by."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from allocator.simulation.operating import Controller, PresentState, holds_of, states_of
from allocator.simulation.running import Finished, run_circuit
from allocator.verify.tanks.circuit import Circuit


def operated_run(
    controller: Controller,
    circuit: Circuit,
    phases: Mapping[str, float],
    seconds: float,
    *,
    span: float,
    ahead: float,
    looks: int | None = None,
) -> Finished:
    """A run in which the controller looks every ``span`` s and plans ``ahead`` s each time.

    ``circuit``: with the true clocks of the run, of which it sees whether sources give.
    """
    rows = max(1, round(seconds / span))
    kept = np.array([[tank.size for tank in circuit.tanks]] * rows)
    levels = {t.name: t.size if t.first is None else t.first for t in circuit.tanks}
    for row in range(rows):
        at = seconds * row / rows
        if row:
            run = run_circuit(circuit, phases, at, row, 0, kept[:row])
            levels = {t.name: float(run.sums.tank[k, 0]) for k, t in enumerate(circuit.tanks)}
        states = states_of(circuit.clocks, phases, at, controller.exact)
        state = PresentState(levels, states, at)
        kept[row] = holds_of(controller, state, ahead, seconds / rows, 1, looks).levels[0]
    return run_circuit(circuit, phases, seconds, rows, 0, kept)
