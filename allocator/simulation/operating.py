"""A plan operated from a present state: what may be burnt, when, and what that leads to.

Every look a controller sees levels and sources. It finds the best use of surplus over the days
ahead (:mod:`allocator.simulation.dispatch`) on the expected course: sources whose state is seen run
on as stated, the others give their mean. The levels of that answer, none below what the promise
needs now, are held until the next look:

    hold = max(min(need, reserve(now) + span * growth), lowest level planned until the next look)

A store at ``need``, its reserve whatever its sources do, keeps its promise for ever, and one at the
reserve by its state with a margin for what may turn by the next look does so too
(:mod:`allocator.simulation.rules`). So the promise is kept whatever the program answers. Of later
times it asks for no more than the reserve then, or the level to which the fixed rule comes by then,
which keeps the promise as well. So the course of the fixed rule is open to it at any time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from allocator.simulation.columns import Array
from allocator.simulation.dispatch import Columns, dispatch_of
from allocator.simulation.foresight import slices_of
from allocator.simulation.rules import margins_of
from allocator.simulation.running import Finished, run_circuit
from allocator.verify.case import Case
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Circuit, Rate, SourceClock, added
from allocator.verify.tanks.present import (
    MOST_WORK,
    PresentTank,
    SourceState,
    States,
    present_tank,
    reserve_of,
    states_of,
)
from allocator.verify.tanks.true_clocks import inexact

SPAN = 3600.0
"""Seconds from one look to the next, at least."""
MOST_LOOKS = 200
"""Looks over the days ahead."""
MOST_SLICES = 250
"""Slices of the program over the days ahead, beside its looks."""
WORK = 40_000_000
"""Windows times changes that all reserves after the first look may look at."""
NOTHING = 1e-6
"""Of what a store could give until the next look: less is not burnt."""
FAR = 1e12
"""s: a clock that changes no more within any run."""


@dataclass(frozen=True, slots=True)
class OutUnits:
    """``count`` units of a machine group out of order for ``seconds`` s; None: to the end.

    Examples
    --------
    >>> import allocator as al
    >>> al.OutUnits("small_engine@mill", 1).seconds is None
    True
    """

    group: str
    count: int
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class PresentState:
    """What a controller sees.

    Parameters
    ----------
    levels
        Store, or battery and its part -> kg or J; others are full.
    states
        Source -> what is seen of it; others may be at any phase.
    at
        Seconds from the start of the site file's times; None: not known.
    out
        Units that are out of order.

    Examples
    --------
    >>> import allocator as al
    >>> al.PresentState({"gas_holder@mill": 80.0}).out
    ()
    """

    levels: Mapping[str, float]
    states: States = field(default_factory=dict)
    at: float | None = None
    out: tuple[OutUnits, ...] = ()


@dataclass(frozen=True, eq=False)
class ExpectedCourse:
    """The days ahead: a circuit with the clocks and levels of the state, and where clocks start.

    ``known``: sources whose phase is taken as known.
    """

    circuit: Circuit
    phases: Mapping[str, float]
    known: frozenset[str]


@dataclass(frozen=True, eq=False)
class Controller:
    """A plan ready to be operated: what does not change from one state to the next."""

    assembly: Assembly
    present: tuple[PresentTank, ...]
    exact: Mapping[str, bool]
    solve: Columns


def controller_of(assembly: Assembly, solve: Columns) -> Controller:
    """The controller of a plan; ``solve``: a solver of linear programs."""
    case, circuit = assembly.case, assembly.circuit
    sources = [clock.name for clock in circuit.clocks if clock.kind == "source"]
    return Controller(
        assembly,
        tuple(present_tank(case, tank) for tank in circuit.tanks),
        {name: not inexact(case, name) for name in sources},
        solve,
    )


def expected(controller: Controller, state: PresentState) -> ExpectedCourse:
    """What the days ahead are expected to bring."""
    circuit, case = controller.assembly.circuit, controller.assembly.case
    phases: dict[str, float] = {}
    clocks: list[SourceClock] = []
    known = set()
    for clock in circuit.clocks:
        if clock.kind != "source":
            phases[clock.follows] = (state.at or 0.0) % clock.period
            clocks.append(clock)
            continue
        phase = expected_phase(case, clock, state)
        if phase is None:
            clocks.append(_at_mean(clock))
        else:
            known.add(clock.name)
            phases[clock.follows] = phase
            clocks.append(clock)
    tanks = tuple(replace(t, first=state.levels.get(t.name, t.size)) for t in circuit.tanks)
    groups = []
    for group in circuit.groups:
        mine = [out for out in state.out if out.group == group.name and out.count > 0]
        failed = [group.failed]
        for number, out in enumerate(mine):
            name = f"out {group.name} {number}"
            until = FAR / 2 if out.seconds is None else max(out.seconds, 1e-9)
            times, counts = np.array([0.0, until]), np.array([float(out.count), 0.0])
            clocks.append(SourceClock(name, "outage", FAR, times, counts, name))
            failed.append(Rate(0.0, ((name, 1.0),)))
        groups.append(replace(group, failed=added(*failed)))
    course = replace(circuit, clocks=tuple(clocks), tanks=tanks, groups=tuple(groups))
    return ExpectedCourse(course, phases, frozenset(known))


def expected_phase(case: Case, clock: SourceClock, state: PresentState) -> float | None:
    """Where in its period a clock is now, by what is seen of it or known of its timetable.

    Of several bursts in which it may be the middle one. None: not known.
    """
    seen = state.states.get(clock.follows)
    if seen is not None:
        if seen.spell is not None:
            return seen.spell % clock.period
        ends = np.append(clock.times[1:], clock.period)
        on = clock.values > 0.0
        # An off time that goes on over the end of the period is one with that at its begin.
        fits = [
            (float(a), float(b))
            for a, b, mine in zip(clock.times, ends, on, strict=True)
            if bool(mine) == seen.on and seen.since <= b - a
        ]
        if not fits:
            runs = [
                (float(b - a), float(b))
                for a, b, mine in zip(clock.times, ends, on, strict=True)
                if bool(mine) == seen.on
            ]
            return max(runs)[1] - 1e-6 * clock.period if runs else None
        return (fits[(len(fits) - 1) // 2][0] + seen.since) % clock.period
    sure = case.sure.get(clock.name)
    if sure is not None and sure.start is not None and state.at is not None:
        return (state.at - sure.start) % clock.period
    return None


def _at_mean(clock: SourceClock) -> SourceClock:
    spans = np.diff(np.append(clock.times, clock.period))
    mean = np.array([float(clock.values @ spans) / clock.period])
    return replace(clock, times=np.zeros(1), values=mean)


@dataclass(frozen=True, eq=False)
class Holds:
    """Levels to hold, a row a look at ``times``, a column a tank: surplus above them is burnt.

    ``reserves``: what each tank must hold at each look by its state then. ``solved``: whether the
    program was; else the reserves are held, as by the rule.
    """

    times: Array
    levels: Array
    reserves: Array
    solved: bool


def holds_of(
    controller: Controller,
    state: PresentState,
    seconds: float,
    span: float = SPAN,
    first: int | None = None,
    looks: int | None = None,
) -> Holds:
    """Levels to hold over the next ``seconds`` s, by the best use of surplus as it is expected.

    ``span``: s from one look to the next. ``looks``: of how many the reserves are worked out,
    evenly over the time; the first one's always is. ``first``: of so many levels are asked.
    """
    course = expected(controller, state)
    circuit = course.circuit
    rows = max(1, round(seconds / span))
    times = np.linspace(0.0, seconds, rows + 1)[:-1]
    step = 1 if looks is None else max(1, -(-rows // looks))
    reserves = _reserves(controller, state, course, np.append(times, seconds), step)
    margins = np.array(margins_of(circuit, seconds / rows))
    need = np.array([one.need for one in controller.present])
    sizes = np.array([tank.size for tank in circuit.tanks])
    safe = np.minimum(np.minimum(need, sizes), reserves[:-1] + margins)
    if not circuit.arcs:
        return Holds(times, safe, reserves, True)
    # by fixed levels the promise is kept for ever, however low they bring a store meanwhile
    fixed = np.tile(np.minimum(need, sizes), (rows, 1))
    course_of_rule = run_circuit(circuit, course.phases, seconds, rows, 0, fixed)
    enough = np.minimum(reserves, course_of_rule.sums.sample_level)
    whole = replace(controller.assembly, circuit=circuit, bursts=())
    cuts = np.union1d(slices_of(whole, course.phases, seconds, MOST_SLICES), times)
    floors = np.full((len(cuts) - 1, len(sizes)), np.nan)
    checked = np.searchsorted(cuts, np.append(times, seconds))
    for row in range(step, rows + 1, step):
        floors[checked[row] - 1] = enough[row]
    floors[-1] = enough[-1]
    found = dispatch_of(circuit, course.phases, cuts, floors, controller.solve)
    if found is None:
        return Holds(times, safe, reserves, False)
    levels = safe.copy()
    for row in range(rows if first is None else min(first, rows)):
        begin, end = checked[row], checked[row + 1]
        burnt = found.burnt[begin:end].sum(axis=0)
        planned = found.levels[begin + 1 : end + 1]
        idle = burnt <= NOTHING * sizes
        held = np.where(idle, planned.max(axis=0), planned.min(axis=0))
        levels[row] = np.maximum(safe[row], held)
    return Holds(times, np.minimum(levels, sizes), reserves, True)


def looks_of(seconds: float) -> int:
    """Looks over the days ahead: one an hour, or as many as there may be."""
    return max(1, min(MOST_LOOKS, round(seconds / SPAN)))


def _reserves(
    controller: Controller, state: PresentState, course: ExpectedCourse, times: Array, step: int
) -> Array:
    """What each tank must hold at each time, by the state that is expected then.

    At the first time by what is seen; later nothing is seen of sources whose phase is not known.
    """
    case = controller.assembly.case
    clocks = course.circuit.clocks
    most = WORK // max(1, len(times) // step)
    found = np.zeros((len(times), len(controller.present)))
    now = list(controller.present)
    for row, time in enumerate(times.tolist()):
        if row % step and row != len(times) - 1:
            found[row] = [one.need for one in now]
            continue
        states: Mapping[str, SourceState] = state.states
        if row:
            later = states_of(clocks, course.phases, time, controller.exact)
            states = {name: one for name, one in later.items() if name in state.states}
        at = None if state.at is None else state.at + time
        work = most if row else MOST_WORK
        found[row] = [reserve_of(case, one, states, at, work) for one in now]
    return found


def run_course(course: ExpectedCourse, holds: Holds, seconds: float, book: int = 0) -> Finished:
    """The expected course run exactly with the levels held; a sample a look."""
    return run_circuit(course.circuit, course.phases, seconds, len(holds.times), book, holds.levels)


def burnt_by_look(course: ExpectedCourse, holds: Holds, seconds: float) -> Array:
    """Units that each burner of the circuit runs on surplus, a row a look: means of full loads."""
    rows = len(holds.times)
    sums = [np.zeros(len(course.circuit.burners))]
    for row in range(1, rows + 1):
        part = seconds * row / rows
        run = run_circuit(course.circuit, course.phases, part, row, 0, holds.levels[:row])
        sums.append(run.sums.burner[: len(course.circuit.burners)].copy())
    return np.asarray(np.diff(np.array(sums), axis=0) * (rows / seconds))
