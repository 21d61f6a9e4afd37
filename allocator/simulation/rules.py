"""Reserve rules: what each store must hold by the state of its sources, now and through a run.

The formula is in :mod:`allocator.verify.tanks.present`. A crew looks at intervals. Between two
looks what must be held grows by no more than the flow of all sources that fill the store less its
least draw, so surplus above

    reserve + (interval + longest run of a unit that burns it) * growth

may be burnt until the next look, and the reserve is kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from allocator.plans.records import ReserveRule
from allocator.simulation.columns import Array, tables_of
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Circuit, Tank
from allocator.verify.tanks.present import (
    SourceState,
    States,
    free_sources,
    growth_of,
    present_tank,
    reserve_of,
    states_of,
    switch_times,
)
from allocator.verify.tanks.true_clocks import inexact

LOOK = 3600.0
"""Seconds from one look at a store and its sources to the next."""
MOST_LOOKS = 2_000
"""In a run; where it is longer they are further apart."""
WORK = 1_000_000_000
"""Windows times changes, at most, of a run; stores for which that is too little keep their need."""
MOST_ROWS = 8
"""Of a store's table."""
SAME = 1e-3
"""Of a store's size: reserves closer than this are one for a crew."""


def reserves_at(assembly: Assembly, states: States, at: float | None) -> dict[str, float]:
    """What each tank must hold, kg or J, by what is seen of its sources at ``at`` s.

    Raises:
        ValueError: a state is of no source of the plan.
    """
    unknown = set(states) - {use.name for use in assembly.case.plan.sources}
    if unknown:
        raise ValueError(f"states: {min(unknown)!r} is no source of the plan")
    case = assembly.case
    return {
        tank.name: reserve_of(case, present_tank(case, tank), states, at)
        for tank in assembly.circuit.kept
    }


def rules_of(
    assembly: Assembly, left: Callable[[], float] = lambda: math.inf
) -> tuple[tuple[ReserveRule, ...], bool]:
    """A short table for each store: nothing seen, a source just on or just off, by known clocks.

    The first row names the sources whose phase is not known, which make it what it is; rows of what
    is seen that keep no less are left out.

    Parameters
    ----------
    assembly
        The plan with its tanks.
    left
        Seconds that are left: without them stores get no more than their first row.

    Returns
    -------
    tuple
        The rows of all stores, and whether each store has all of its own.
    """
    found: list[ReserveRule] = []
    whole = True
    for k, tank in enumerate(assembly.circuit.tanks):
        if tank.kind in ("store", "burst") and tank.net.terms:
            rows, all_rows = _rules(assembly, k, tank, left)
            found += rows
            whole = whole and all_rows
    return tuple(found), whole


def _rules(
    assembly: Assembly, k: int, tank: Tank, left: Callable[[], float]
) -> tuple[list[ReserveRule], bool]:
    case, margin = assembly.case, margins_of(assembly.circuit, LOOK)[k]
    present = present_tank(case, tank)
    free = free_sources(case, present)
    plain = ReserveRule(tank.name, tank.unit, "any", present.need, 0.0, free=free)

    def with_levels(rows: list[ReserveRule]) -> list[ReserveRule]:
        return [replace(row, burn_above=min(tank.size, row.keep + margin)) for row in rows]

    found = []
    for name in free:
        for on in (True, False):
            if left() <= 0.0:
                return with_levels([plain]), False
            keep = reserve_of(case, present, {name: SourceState(on, 0.0)}, None)
            if keep < present.need - SAME * tank.size:
                state = "on" if on else "off"
                others = tuple(other for other in free if other != name)
                found.append(replace(plain, state=state, source=name, keep=keep, free=others))
    found.sort(key=lambda one: (one.keep, one.source))
    times, period = switch_times(present)
    timed = []
    for at in times[: MOST_ROWS // 2 if found else MOST_ROWS - 1]:
        if left() <= 0.0:
            return with_levels([plain]), False
        keep = reserve_of(case, present, {}, at)
        timed.append(replace(plain, state="time", at=at, every=period, keep=keep))
    return with_levels([plain, *timed, *found][:MOST_ROWS]), True


def kept_through(
    assembly: Assembly, circuit: Circuit, phases: Mapping[str, float], seconds: float
) -> Array:
    """Levels above which each tank's surplus is burnt, from each look of a run on: a row a look.

    ``circuit``: with the true clocks of the run, of which the crew sees states.
    """
    case = assembly.case
    looks = max(1, min(MOST_LOOKS, int(np.ceil(seconds / LOOK))))
    span = seconds / looks
    exact = {c.name: not inexact(case, c.name) for c in circuit.clocks if c.kind == "source"}
    margins = margins_of(circuit, span)
    present = [present_tank(case, tank) for tank in circuit.tanks]
    most = WORK // looks
    kept = np.array([[tank.size for tank in circuit.tanks]] * looks)
    for row in range(looks):
        at = row * span
        states = states_of(circuit.clocks, phases, at, exact)
        for k, tank in enumerate(circuit.tanks):
            keep = reserve_of(case, present[k], states, at, most)
            kept[row, k] = min(tank.size, keep + margins[k])
    return kept


def margins_of(circuit: Circuit, span: float) -> list[float]:
    """What the reserve of each tank may grow by until the next look, and in a run begun then."""
    values = {clock.name: clock for clock in circuit.clocks}
    runs = tables_of(circuit, {}).runs.tolist()
    return [
        (span + run) * growth_of(tank, values)
        for tank, run in zip(circuit.tanks, runs, strict=True)
    ]
