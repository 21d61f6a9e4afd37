"""When surplus is best burnt over the days ahead: a linear program on the slices between switches.

Time is cut where a source or a profile changes. In each slice n of s(n) seconds, tank k has

    L(k, n+1) = L(k, n) + s(n) (net(k, n) - loss(k) + kept back - spilt - burnt + short),

with 0 <= L <= size. What is burnt goes along the ways of the circuit to machines that idle, of
which each has its capacity, and what they give serves what a bus wants, or stands in for promised
power of emitting units, whose fuel stays in its store. The program serves as much as it can; of the
same service it takes what saves most fuel, then what comes soonest, and what is left in stores at
the end counts half of what it could give. ``floors``, what the promise needs, are kept wherever
that can be done.

Units that keep run and rest times count here as if they could follow any load: the exact run of the
levels that are found tells what they do. The program is solved by whoever is given.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from allocator.simulation.foresight import INF, LinearProgram, ProgramSheet, means_of
from allocator.verify.tanks.circuit import Array, Circuit

LATER = 0.5
"""What a unit left in a store at the end counts, of what it could give."""
SAVING = 0.1
"""What a J that spares emitting units counts, of a J served."""
EMITTING = 0.999
"""What a J served by emitting units counts, of one by clean units."""
WAITING = 5e-4
"""What a J served at the end counts less than one at the begin: of equal plans the one that waits
for nothing. A look that finds it as good to burn later would find so again and again."""
BELOW = 2.0
"""What it costs to be below a floor at one time, of what the missing amount could give."""
SHORT = 100.0
"""What it costs to be short of a promise, of what the missing amount could give."""

Columns = Callable[[LinearProgram], Array | None]
"""Gives the columns of a least value; None where there are none."""


@dataclass(frozen=True, eq=False)
class Dispatch:
    """The best use of surplus: a row a slice between ``cuts``, a column a tank of the circuit.

    ``levels``: at each cut; ``burnt``, ``spilt``, ``short``: amounts in each slice; ``served``: J
    beyond the promise, and ``spared``: J of emitting units, in each slice.
    """

    cuts: Array
    levels: Array
    burnt: Array
    spilt: Array
    short: Array
    served: Array
    spared: Array


@dataclass
class _Book:
    """Where the columns of the program are, a row a slice."""

    levels: list[list[int]] = field(default_factory=list)
    ways: list[list[int]] = field(default_factory=list)
    spilt: list[list[int]] = field(default_factory=list)
    short: list[list[int]] = field(default_factory=list)
    direct: list[list[int]] = field(default_factory=list)
    spared: list[list[int]] = field(default_factory=list)


def dispatch_of(
    circuit: Circuit,
    phases: Mapping[str, float],
    cuts: Array,
    floors: Array,
    solve: Columns,
) -> Dispatch | None:
    """The best use of surplus from the first levels of the tanks, full where none is given.

    ``floors``: least level of each tank at each cut after the first; NaN where none is asked. None
    where the program is not solved.
    """
    program, book = program_of(circuit, phases, cuts, floors)
    found = solve(program)
    if found is None:
        return None
    spans = np.diff(cuts)[:, None]
    owner = np.array([way.tank for way in circuit.arcs], dtype=int)
    ways = _taken(found, book.ways) * spans
    burnt = np.zeros((len(spans), len(circuit.tanks)))
    for a, k in enumerate(owner.tolist()):
        burnt[:, k] += ways[:, a]
    firsts = np.array([[_first(circuit, k) for k in range(len(circuit.tanks))]])
    return Dispatch(
        cuts,
        np.concatenate((firsts, _taken(found, book.levels))),
        burnt,
        _taken(found, book.spilt) * spans,
        _taken(found, book.short) * spans,
        (_taken(found, book.direct) * spans).sum(axis=1),
        (_taken(found, book.spared) * spans).sum(axis=1),
    )


def _taken(found: Array, columns: list[list[int]]) -> Array:
    return np.asarray(found[np.array(columns, dtype=int)], dtype=float)


def worths_of(circuit: Circuit) -> list[float]:
    """J, at most, that a unit in each tank could give; a little where it goes nowhere."""
    found = [1e-6 * max(1.0, tank.worth) for tank in circuit.tanks]
    for way in circuit.arcs:
        burner = circuit.burners[way.burner]
        if burner.take > 0:
            found[way.tank] = max(found[way.tank], burner.power / burner.take)
    return found


def program_of(
    circuit: Circuit, phases: Mapping[str, float], cuts: Array, floors: Array
) -> tuple[LinearProgram, _Book]:
    """The program over the slices between ``cuts``, and where its columns are."""
    sheet, book = ProgramSheet(), _Book()
    values = {clock.name: means_of(clock, phases, cuts) for clock in circuit.clocks}
    worths = worths_of(circuit)
    last = len(cuts) - 2
    counts = (1.0 - WAITING * (cuts[:-1] - cuts[0]) / (cuts[-1] - cuts[0])).tolist()
    for n, span in enumerate(np.diff(cuts).tolist()):
        now = {name: float(column[n]) for name, column in values.items()}
        _powers(circuit, sheet, span * counts[n], now, book)
        _levels(circuit, sheet, span, now, book, worths)
        for k, tank in enumerate(circuit.tanks):
            level = book.levels[n][k]
            if n == last:
                sheet.costs[level] -= LATER * worths[k]
            if not np.isnan(floors[n, k]):
                below = sheet.column(tank.size, BELOW * worths[k])
                sheet.row([(level, 1.0), (below, 1.0)], float(floors[n, k]), INF)
    return sheet.program(), book


def _powers(
    circuit: Circuit, sheet: ProgramSheet, worth: float, now: Mapping[str, float], book: _Book
) -> None:
    """Ways to machines, their capacities, and what their power serves.

    ``worth``: what a W served in this slice counts.

    Columns have no larger bound than what can be used, for the solver's tolerances go by bounds.
    """
    wants = [max(0.0, want.at(now)) for want in circuit.wants]
    useful = list(wants)
    # Promised units that are out burn no surplus, and what they lost cannot be throttled.
    left = [1.0 - group.share_lost(group.failed.at(now)) for group in circuit.groups]
    throttled = [max(0.0, t.power.at(now)) * left[t.group] for t in circuit.throttles]
    for t, power in zip(circuit.throttles, throttled, strict=True):
        useful[t.bus] += power
    ways = []
    for way in circuit.arcs:
        burner = circuit.burners[way.burner]
        most = burner.take * useful[burner.bus] / burner.power if burner.power > 0 else 0.0
        ways.append(sheet.column(min(way.most, most)))
    # By bus: what clean machines serve, what the others serve.
    clean = [sheet.column(want, -worth) for want in wants]
    other = [sheet.column(want, -EMITTING * worth) for want in wants]
    spared = [sheet.column(power, -SAVING * worth) for power in throttled]
    given: list[list[tuple[int, float]]] = [[] for _ in range(2 * len(circuit.wants))]
    groups: dict[int, list[tuple[int, float]]] = {}
    for b, burner in enumerate(circuit.burners):
        mine = [(ways[a], way) for a, way in enumerate(circuit.arcs) if way.burner == b]
        if not mine or burner.take <= 0 or burner.power <= 0:
            continue
        units = [(column, 1.0 / burner.take) for column, _ in mine]
        capacity = max(0.0, burner.capacity.at(now)) * (
            left[burner.turns] if burner.turns >= 0 else 1
        )
        if capacity < useful[burner.bus] / burner.power:
            sheet.row(units, 0.0, capacity)
        if burner.group >= 0:
            groups.setdefault(burner.group, []).extend(units)
        at = burner.bus if burner.clean else len(circuit.wants) + burner.bus
        given[at] += [(column, burner.power * share) for column, share in units]
    for g, units in groups.items():
        failed = circuit.groups[g].failed.at(now)
        if failed > 0.0:
            whole = sum(b.capacity.at(now) for b in circuit.burners if b.group == g)
            sheet.row(units, 0.0, max(0.0, whole - failed))
    for bus, want in enumerate(wants):
        stands = [(spared[i], -1.0) for i, t in enumerate(circuit.throttles) if t.bus == bus]
        sheet.row([*given[bus], (clean[bus], -1.0), *stands], 0.0, 0.0)
        sheet.row([*given[len(circuit.wants) + bus], (other[bus], -1.0)], 0.0, 0.0)
        sheet.row([(clean[bus], 1.0), (other[bus], 1.0)], 0.0, want)
    book.ways.append(ways)
    book.direct.append([*clean, *other])
    book.spared.append(spared)


def _levels(
    circuit: Circuit,
    sheet: ProgramSheet,
    span: float,
    now: Mapping[str, float],
    book: _Book,
    worths: list[float],
) -> None:
    """The level of each tank at the end of a slice."""
    before = book.levels[-1] if book.levels else None
    levels, spilt, short = [], [], []
    for k, tank in enumerate(circuit.tanks):
        level = sheet.column(tank.size)
        net = tank.net.at(now)
        spared = sum(sheet.high[book.spared[-1][i]] * t.fuel
                     for i, t in enumerate(circuit.throttles) if t.tank == k)  # fmt: skip
        spill = sheet.column(tank.size / span + max(0.0, net) + spared, 1e-6 * worths[k] * span)
        lack = sheet.column(max(0.0, -net), SHORT * worths[k] * span)
        kept = sheet.column(tank.loss, SHORT * worths[k] * span)  # what is empty loses nothing
        terms = [(level, 1.0), (spill, span), (lack, -span), (kept, -span)]
        if before is not None:
            terms.append((before[k], -1.0))
        terms += [(book.ways[-1][a], span) for a, w in enumerate(circuit.arcs) if w.tank == k]
        terms += [
            (book.spared[-1][i], -span * t.fuel)
            for i, t in enumerate(circuit.throttles)
            if t.tank == k
        ]
        gained = span * (net - tank.loss)
        held = gained + (_first(circuit, k) if before is None else 0.0)
        sheet.row(terms, held, held)
        levels.append(level)
        spilt.append(spill)
        short.append(lack)
    book.levels.append(levels)
    book.spilt.append(spilt)
    book.short.append(short)


def _first(circuit: Circuit, k: int) -> float:
    tank = circuit.tanks[k]
    return tank.size if tank.first is None else min(tank.first, tank.size)
