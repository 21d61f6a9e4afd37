"""What the best control could serve: a bound from above, for given phases.

Time is cut where any source or profile changes. In each slice the flows are constant, and one
linear program over all slices chooses them with perfect foresight: what is taken of each source,
what each run carries (all its flows together at most its build's capacity), what stores take in
and release, machines' loads, batteries, lines, and what each demand is served. With levels
0 <= L <= size and L(n+1) = L(n) + seconds(n) (in - out) it maximises the energy served, or, if
asked, the power that is served *at all times*: one share of each demand's profile in every slice.

Where there are more changes than slices, slices are joined, with sources and profiles at their
means over each. The means of what any control does over a joined slice keep every row, which is
linear with limits that do not move, so the bound stays a bound; it is only less sharp.

Every simplification is on the upper side: machines always work at their full-load efficiency
(what takes a share t of its full takings gives no more than a share t of anything), nothing is
lost from stores, pumps take no power, fluids need not be served, emissions are not capped. So no
control of this plan, from the same levels and phases, serves more. It does use up what the stores
hold at the start: over a short span it may pass the ceiling, which holds for ever.

The program is stated here and solved by whoever is given (:data:`Solve`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from allocator.site.records import POWER
from allocator.verify.case import class_of
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Array, SourceClock

INF = float("inf")
MOST_SLICES = 1500
CLOSEST = 1e-10
"""Cuts no further apart than this share of the span are one."""


@dataclass(frozen=True, eq=False)
class LinearProgram:
    """Minimise ``costs x`` with ``row_low <= A x <= row_high`` and ``low <= x <= high``.

    ``A`` holds ``coefficients[i]`` at (``rows[i]``, ``columns[i]``).
    """

    costs: Array
    low: Array
    high: Array
    rows: np.ndarray
    columns: np.ndarray
    coefficients: Array
    row_low: Array
    row_high: Array


Solve = Callable[[LinearProgram], float | None]
"""Gives the least value, or a proven lower bound of it; None where it has neither."""


@dataclass(frozen=True, slots=True)
class Foresight:
    """Power, W, that no control can pass over the first ``seconds`` s, in ``slices``: on average

    or, when that was asked, at all times of it."""

    power: float
    seconds: float
    slices: int


def foresight(
    assembly: Assembly,
    phases: Mapping[str, float],
    seconds: float,
    solve: Solve,
    most_slices: int = MOST_SLICES,
    *,
    firm: bool = False,
    clean: bool = False,
) -> Foresight | None:
    """The bound for a plan from given phases and full stores, in ``most_slices`` at most.

    ``firm``: of the power available at all times, in place of its mean. ``clean``: of the
    power that clean machines give (what is served of it would be served without the others).
    None where the solver finds neither an optimum nor a bound.
    """
    cuts = slices_of(assembly, phases, seconds, most_slices)
    least = solve(program_of(assembly, phases, cuts, firm=firm, clean=clean))
    span = float(cuts[-1])
    if least is None:
        return None
    return Foresight(-least if firm else -least / span, span, len(cuts) - 1)


def slices_of(
    assembly: Assembly, phases: Mapping[str, float], seconds: float, most: int
) -> np.ndarray:
    """Times from 0 to the end of the span: all changes, or as many as there is room for.

    Half of the room goes to even steps of time then, half to even numbers of changes.
    """
    times = [_changes(c, phases, seconds) for c in assembly.circuit.clocks if len(c.times) > 1]
    found = np.unique(np.concatenate([np.array([0.0, seconds]), *times]))
    # Changes that are one but for rounding are one cut: a slice needs seconds, and not ulps.
    apart = np.diff(found, prepend=-np.inf) > CLOSEST * seconds
    found = found[apart & (found < (1.0 - CLOSEST) * seconds)]
    found = np.append(found, seconds)
    if len(found) > most + 1:
        even = np.linspace(0.0, seconds, max(1, most // 2) + 1)
        step = math.ceil(len(found) / max(1, most - len(even)))
        found = np.unique(np.concatenate((even, found[::step])))
    return np.asarray(found)


@dataclass
class ProgramSheet:
    """A program being written down, column by column and row by row."""

    costs: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    entries: list[tuple[int, int, float]] = field(default_factory=list)
    row_low: list[float] = field(default_factory=list)
    row_high: list[float] = field(default_factory=list)

    def column(self, high: float, cost: float = 0.0) -> int:
        """A variable from 0 to ``high``."""
        self.high.append(high)
        self.costs.append(cost)
        return len(self.high) - 1

    def row(self, terms: list[tuple[int, float]], low: float, high: float) -> None:
        """``low <= sum of coefficient * column <= high``."""
        self.entries += [(len(self.row_low), column, weight) for column, weight in terms]
        self.row_low.append(low)
        self.row_high.append(high)

    def program(self) -> LinearProgram:
        """What has been written down."""
        rows, columns, weights = zip(*self.entries, strict=True)
        return LinearProgram(
            np.array(self.costs),
            np.zeros(len(self.high)),
            np.array(self.high),
            np.array(rows),
            np.array(columns),
            np.array(weights, np.float64),
            np.array(self.row_low),
            np.array(self.row_high),
        )


Balance = dict[tuple[str, str], list[tuple[int, float]]]


def program_of(
    assembly: Assembly,
    phases: Mapping[str, float],
    cuts: np.ndarray,
    *,
    firm: bool = False,
    clean: bool = False,
) -> LinearProgram:
    """The program over the slices between ``cuts``; its least value is minus the J served.

    ``firm``: minus the W served at all times. ``clean``: with clean machines alone.
    """
    sheet = ProgramSheet()
    levels: dict[str, int] = {}
    shares = {}
    if firm:
        for use in assembly.case.plan.demands:
            if use.wants == POWER:
                shares[use.name] = sheet.column(1.0, -use.mean)
    own = {clock.name: clock for clock in assembly.bursts}
    means = {c.name: means_of(own.get(c.name, c), phases, cuts) for c in assembly.circuit.clocks}
    for number, begin in enumerate(cuts[:-1]):
        span = float(cuts[number + 1] - begin)
        values = {name: float(column[number]) for name, column in means.items()}
        fluids: Balance = {}
        power: Balance = {}
        _sources(assembly, sheet, span, values, levels, fluids)
        _runs(assembly, sheet, fluids, power)
        _holders(assembly, sheet, span, levels, fluids, power)
        _machines_and_lines(assembly, sheet, fluids, power, clean=clean)
        _demands(assembly, sheet, span, values, power, shares)
        for terms in (*fluids.values(), *power.values()):
            sheet.row(terms, 0.0, INF)
    return sheet.program()


def _changes(clock: SourceClock, phases: Mapping[str, float], end: float) -> Array:
    """Times between 0 and ``end`` at which a clock changes, in order."""
    offset = phases.get(clock.follows, 0.0) % clock.period
    turns = np.arange(np.ceil((end + offset) / clock.period) + 1) * clock.period
    times = (turns[:, None] + clock.times[None, :] - offset).ravel()
    return np.asarray(times[(times > 0.0) & (times < end)])


def means_of(clock: SourceClock, phases: Mapping[str, float], cuts: np.ndarray) -> Array:
    """Mean value of a clock between each two cuts: of its pieces, weighted by their seconds.

    A mean so made never leaves the range of the values, however short a slice is; a difference
    of two integrals from time 0 does, by its rounding over the slice's seconds.
    """
    changes = _changes(clock, phases, float(cuts[-1]))
    edges = np.unique(np.concatenate((cuts, changes)))
    # How far into its period each piece's middle lies says which value holds.
    middle = 0.5 * (edges[1:] + edges[:-1]) + phases.get(clock.follows, 0.0) % clock.period
    node = np.searchsorted(clock.times, middle % clock.period, side="right") - 1
    values, lengths = clock.values[node], np.diff(edges)
    first = np.searchsorted(edges, cuts[:-1])
    pieces = np.diff(np.append(first, len(values)))
    joined = np.add.reduceat(values * lengths, first) / np.add.reduceat(lengths, first)
    return np.asarray(np.where(pieces > 1, joined, values[first]))


def _sources(
    assembly: Assembly,
    sheet: ProgramSheet,
    span: float,
    values: Mapping[str, float],
    levels: dict[str, int],
    fluids: Balance,
) -> None:
    site = assembly.case.site
    for use in assembly.case.plan.sources:
        source = site.sources[use.name]
        if source.part_of:
            continue  # the pump draws it out of the chamber below
        most = source.flow * values.get(use.name, 1.0 if source.steady else 0.0)
        rate = INF if source.pump is None or source.pump.rate is None else source.pump.rate
        size = assembly.chambers.get(use.name)
        if size is not None:
            # The source gives to its chamber, which is full at first; the pump draws on that.
            given, column, level = sheet.column(most), sheet.column(rate), sheet.column(size)
            terms, held = [(level, 1.0), (given, -span), (column, span)], size
            name = f"chamber {use.name}"
            if name in levels:
                terms.append((levels[name], -1.0))
                held = 0.0
            sheet.row(terms, held, held)
            levels[name] = level
            fluids.setdefault((source.place, source.fluid), []).append((column, 1.0))
        elif use.tapped and most > 0:
            column = sheet.column(min(most, rate))
            fluids.setdefault((source.place, source.fluid), []).append((column, 1.0))


def _runs(assembly: Assembly, sheet: ProgramSheet, fluids: Balance, power: Balance) -> None:
    site = assembly.case.site
    for run in assembly.case.plan.runs:
        route, capacity = site.routes[run.route], site.capacity(run.route, run.build, run.fluid)
        ways = [(route.start, route.end)]
        if not route.one_way:
            ways.append((route.end, route.start))
        columns = []
        for start, end in ways:
            column = sheet.column(capacity)
            columns.append(column)
            fluids.setdefault((start, run.fluid), []).append((column, -1.0))
            fluids.setdefault((end, run.fluid), []).append((column, 1.0))
            if route.recovery is not None:  # at its hottest: no control recovers more
                bus = (assembly.case.bus(start), POWER)
                power.setdefault(bus, []).append((column, route.recovery.most))
        if len(columns) > 1:
            sheet.row([(column, 1.0) for column in columns], -INF, capacity)


def _holders(
    assembly: Assembly,
    sheet: ProgramSheet,
    span: float,
    levels: dict[str, int],
    fluids: Balance,
    power: Balance,
) -> None:
    case = assembly.case
    for store in case.holders:
        kind = case.site.storage[store.type]
        into = sheet.column(INF if kind.fill_rate is None else kind.fill_rate)
        out = sheet.column(INF if kind.release_rate is None else kind.release_rate)
        level = sheet.column(store.size)
        terms = [(level, 1.0), (into, -span * kind.charge_efficiency), (out, span)]
        held = store.size
        if store.name in levels:
            terms.append((levels[store.name], -1.0))
            held = 0.0
        sheet.row(terms, held, held)
        levels[store.name] = level
        key, balance = (store.place, kind.holds), fluids
        if kind.holds == POWER:
            key, balance = (case.bus(store.place), POWER), power
        balance.setdefault(key, []).extend([(into, -1.0), (out, 1.0)])


def _machines_and_lines(
    assembly: Assembly, sheet: ProgramSheet, fluids: Balance, power: Balance, *, clean: bool
) -> None:
    case = assembly.case
    for machine in case.plan.machines:
        kind = case.machine_type(machine)
        if clean and kind.power_out > 0 and class_of(case.site, kind) != "clean":
            continue
        load = sheet.column(float(machine.count))
        for fluid, rate in kind.inputs.items():
            fluids.setdefault((machine.place, fluid), []).append((load, -rate))
        for fluid, rate in kind.outputs.items():
            fluids.setdefault((machine.place, fluid), []).append((load, rate))
        net = kind.power_out - kind.power_in
        power.setdefault((case.bus(machine.place), POWER), []).append((load, net))
    for line in case.plan.lines:
        record = case.site.power_lines[line.name]
        columns = []
        for start, end in ((record.start, record.end), (record.end, record.start)):
            column = sheet.column(record.capacity)
            columns.append(column)
            power.setdefault((case.bus(start), POWER), []).append((column, -1.0))
            power.setdefault((case.bus(end), POWER), []).append((column, 1.0 - record.loss))
        sheet.row([(column, 1.0) for column in columns], -INF, record.capacity)


def _demands(
    assembly: Assembly,
    sheet: ProgramSheet,
    span: float,
    values: Mapping[str, float],
    power: Balance,
    shares: Mapping[str, int],
) -> None:
    case = assembly.case
    for use in case.plan.demands:
        if use.wants == POWER:
            most = use.mean * values.get(f"shape:{case.shape_of[use.name]}", 1.0)
            bus = case.bus(case.site.demands[use.name].place)
            served = (shares[use.name], -most) if shares else (sheet.column(most, -span), -1.0)
            power.setdefault((bus, POWER), []).append(served)
