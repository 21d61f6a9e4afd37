"""Machines that fail and are repaired, each unit by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from allocator.simulation.trace import Outages
from allocator.verify.case import Case
from allocator.verify.tanks.circuit import Circuit, Rate, SourceClock


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
    times, values = [0.0], [0.0]
    while times[-1] <= seconds:
        mean = outages.repair if values[-1] else outages.between
        times.append(times[-1] + max(1.0, float(draw.exponential(mean))))
        values.append(1.0 - values[-1])
    return SourceClock(name, "outage", 2.0 * times[-1], np.array(times), np.array(values), name)
