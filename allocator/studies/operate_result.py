"""``operate``: what a plan's crew may burn, and when, from the present state on."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar

import numpy as np

from allocator.base.quantities import format_quantity
from allocator.base.rendering import json_records, section_of
from allocator.base.shown import watts
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, width
from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.simulation.accounts import draw_of
from allocator.simulation.operating import (
    Controller,
    ExpectedCourse,
    Holds,
    PresentState,
    burnt_by_look,
    controller_of,
    expected,
    holds_of,
    looks_of,
    run_course,
)
from allocator.simulation.running import Finished
from allocator.simulation.trace import Draw
from allocator.simulation.tracing import assemble
from allocator.site.records import Site
from allocator.solver.linear import best_columns
from allocator.studies.operate_state import state_of
from allocator.studies.result import StudyResult, joined, study_json
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Array, Tank
from allocator.verify.tanks.present import lasts, lowest_levels

OPERATE_FORMAT = "allocator.operate/1"
DAY = 86400.0
ALIKE = 0.01
"""Of a store's size, or of a unit: less makes no new row of the run sheet."""
NOTHING = 1e-6
"""Of a store's size: less is rounding."""
MOST_ROWS = 24
"""Rows of a table that people see."""

_STORES = (
    Column("store", "store"),
    Column("unit", "unit"),
    Column("level", "level", "number"),
    Column("reserve", "reserve", "number", "What its firm output needs now, whatever comes."),
    Column("head_room", "head room", "number", "Level above the reserve; below 0: missing."),
    Column(
        "burn_above",
        "surplus only above",
        "number",
        "Surplus above it may be burnt until the next look.",
    ),
    Column("expected_end", "expected at the end", "number"),
    Column("expected_spill", "expected spill", "number"),
)
_RUNS = (
    Column("start", "from", "duration", "Time from now.", unit="h"),
    Column("until", "until", "duration", unit="h"),
    Column("machine", "generator"),
    Column("units", "units at full load", "number", "Mean over the time."),
    Column("runs_on", "runs on"),
)
_BURN = (
    Column("start", "from", "duration", "Time from now.", unit="h"),
    Column("until", "until", "duration", unit="h"),
    Column("store", "store"),
    Column("unit", "unit"),
    Column("burn_above", "surplus only above", "number"),
)
_BACKUP = (
    Column("short", "what runs short"),
    Column("latest", "backup by, worst case", "duration", "Time from now; none: never.", unit="h"),
    Column(
        "expected",
        "short, expected",
        "duration",
        "Time from now; none: not in these days.",
        unit="h",
    ),
    Column("power", "power behind it", "power"),
)
_LEVELS = (
    Column("time", "time from now", "duration", unit="h"),
    Column("store", "store"),
    Column("unit", "unit"),
    Column("expected", "expected", "number"),
    Column("worst", "worst case", "number", "By the firm output alone, whatever comes."),
    Column("burn_above", "surplus only above", "number"),
)


@dataclass(frozen=True, slots=True, repr=False)
class OperateResult(StudyResult):
    """How to operate a plan over the days ahead.

    Attributes:
        days: how many.
        stores: of each store its level, reserve and head room, kg or J.
        runs: which unit runs when: on firm output, and on surplus.
        burn: above which level surplus of each store may be burnt, and when.
        backup: what runs short, and when backup must start at the latest.
        levels: the expected course and the lowest levels of the worst case.
        promise_held: each store holds its reserve, and units in order are enough for firm power.
        firm_w, surplus_w: mean power of the firm output, and beyond it, on the expected course.
        short_j: energy of the firm output that is short on the expected course.
        unknown: sources whose phase is not known; the expected course has their mean flow.
        timed: the state says what time it is, or nothing depends on it.
    """

    command: ClassVar[str] = "operate"
    site: Site
    days: float
    stores: Table
    runs: Table
    burn: Table
    backup: Table
    levels: Table
    promise_held: bool
    firm_w: float
    surplus_w: float
    short_j: float
    unknown: tuple[str, ...]
    timed: bool = True

    def summary(self) -> str:
        """Head room, run sheet, when to burn, and backup."""
        held = "is kept whatever comes" if self.promise_held else "CAN BREAK: see backup below"
        more = "nothing"
        if self.surplus_w > NOTHING * self.firm_w:
            more = f"{watts(self.surplus_w)} on average"
        told = [
            f"The firm output {held}. Expected: firm power {watts(self.firm_w)}, and "
            f"{more} beyond it from surplus."
        ]
        if self.short_j > 0:
            told.append(f"Expected shortage: {format_quantity(self.short_j, 'energy')}.")
        if self.unknown:
            told.append(f"At mean flow, as their state is not known: {', '.join(self.unknown)}.")
        if not self.timed:
            told.append("The state has no time: profiles of demands count from their start.")
        return joined(
            [f"{self.site.name}: the next {self.days:g} days", "-" * width()],
            [line for text in told for line in paragraph(text, 0)],
            section_of(_of_people(self.stores)),
            section_of(self.backup),
            section_of(_first(self.runs)),
            section_of(_first(_of_people(self.burn))),
        )

    def to_json(self) -> str:
        """All tables and figures as JSON."""
        return study_json(
            OPERATE_FORMAT,
            self.site,
            {
                "days": self.days,
                "promise_held": self.promise_held,
                "firm_w": self.firm_w,
                "surplus_w": self.surplus_w,
                "short_j": self.short_j,
                "unknown": list(self.unknown),
                "timed": self.timed,
                **{table.name: json_records(table) for table in self.tables()},
            },
        )


def _of_people(table: Table) -> Table:
    """Amounts of batteries in kWh."""
    unit = [column.name for column in table.columns].index("unit")

    def cell(row: tuple[object, ...], value: object) -> object:
        if row[unit] == "J" and isinstance(value, float):
            return value / 3.6e6
        return value

    numbers = [column.kind == "number" for column in table.columns]
    rows = tuple(
        tuple(
            ("kWh" if row[unit] == "J" else value)
            if i == unit
            else cell(row, value)
            if n
            else value
            for i, (value, n) in enumerate(zip(row, numbers, strict=True))
        )
        for row in table.rows
    )
    return replace(table, rows=rows)


def _first(table: Table) -> Table:
    left = len(table.rows) - MOST_ROWS
    note = f"{left} more rows in {table.name}.csv." if left > 0 else table.note
    return replace(table, rows=table.rows[:MOST_ROWS], note=note)


def operate(
    site: SiteOrPath,
    plan: PlanOrPath,
    state: PresentState | str | os.PathLike[str],
    *,
    days: float = 7.0,
) -> OperateResult:
    """How to operate a plan from its present state: what may be burnt, when, and what it leads to.

    Surplus is used as a linear program over the days ahead finds best; the firm output is kept
    whatever comes. Give the new state each day, or whenever something turned.

    Parameters
    ----------
    site, plan
        The site and a plan for it on the firm basis, its result, or the paths of their files.
    state
        What stores hold and sources do now, or the path of a state file.
    days
        Days ahead.

    Returns
    -------
    OperateResult
        Head room, run sheet, backup and levels.

    Raises
    ------
    SiteFileError, PlanFileError
        The site has faults, or the plan is for another site or not on the firm basis.
    StateFileError
        The state file has faults, or says what cannot be.
    ValueError
        ``days`` is not above 0.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> seen = {"digester": al.SourceState(on=False, since=9 * 3600.0)}
    >>> now = al.PresentState({"gas_holder@mill": 100.0}, seen)
    >>> found = al.operate("networks/first.yaml", plan, now, days=2)
    >>> round(found.stores.column("head_room")[0])
    35
    """
    if not 0.0 < days < 3660.0:
        raise ValueError(f"days must be above 0 and below 3660 (got {days!r})")
    site, plan = site_of(site), plan_of(plan)
    assembly = assemble(site, plan)
    now = state if isinstance(state, PresentState) else state_of(state, assembly)
    _check_names(now, assembly)
    controller = controller_of(assembly, best_columns)
    seconds = days * DAY
    course = expected(controller, now)
    holds = holds_of(controller, now, seconds, seconds / looks_of(seconds))
    run = run_course(course, holds, seconds)
    draw = draw_of(replace(assembly, circuit=course.circuit), run, "expected")
    stores = _stores(controller, now, run, holds, draw)
    lost = dict(_lost(course))
    held = not lost and all(row[4] >= -1e-6 * max(1.0, row[3]) for row in stores)
    firm = sum(load.power.at(run.means) for load in course.circuit.loads)
    firm -= draw.unserved_j / seconds
    found = [source for source in controller.exact if source not in course.known]
    return OperateResult(
        site,
        days,
        Table("stores", "Head room of the stores", _STORES, tuple(stores)),
        Table("runs", "Run sheet", _RUNS, tuple(_runs(controller, now, course, holds, seconds))),
        Table("burn", "When surplus may be burnt", _BURN, tuple(_burn(course, holds, seconds))),
        Table("backup", "Backup", _BACKUP, tuple(_backup(controller, now, run, course, draw))),
        Table("levels", "Levels", _LEVELS, tuple(_levels(controller, now, run, holds))),
        held,
        firm,
        max(0.0, draw.mean_total_w - firm),
        draw.unserved_j,
        tuple(found),
        now.at is not None or all(c.kind == "source" for c in assembly.circuit.clocks),
    )


def _check_names(state: PresentState, assembly: Assembly) -> None:
    unknown = set(state.levels) - {t.name for t in assembly.circuit.tanks}
    unknown |= set(state.states) - {use.name for use in assembly.case.plan.sources}
    if unknown:
        raise ValueError(f"state: {min(unknown)!r} is no store and no source of the plan")


def _kept(controller: Controller) -> list[tuple[int, Tank]]:
    circuit = controller.assembly.circuit
    return [(k, tank) for k, tank in enumerate(circuit.tanks) if tank.kind != "chamber"]


def _level(state: PresentState, tank: Tank) -> float:
    return state.levels.get(tank.name, tank.size)


def _stores(
    controller: Controller, state: PresentState, run: Finished, holds: Holds, draw: Draw
) -> list[tuple[str, str, float, float, float, float, float, float]]:
    found = []
    for k, tank in _kept(controller):
        reserve, level = float(holds.reserves[0, k]), _level(state, tank)
        short = draw.tanks[k].short > NOTHING * tank.size
        if tank.kind == "level" and state.at is not None and not short:
            reserve = min(reserve, level - _lowest_until_full(run, k, tank.size))
        burn = float(holds.levels[0, k])
        end, spilt = float(run.sums.sample_level[-1, k]), draw.tanks[k].spilt
        least = NOTHING * tank.size
        end, spilt = (value if value > least else 0.0 for value in (end, spilt))
        room = level - reserve if abs(level - reserve) > least else 0.0
        found.append((tank.name, tank.unit, level, reserve, room, burn, end, spilt))
    return found


def _lowest_until_full(run: Finished, tank: int, size: float) -> float:
    """The lowest level of a battery that profiles alone move, until it is full again."""
    full = np.flatnonzero(run.sums.sample_level[1:, tank] >= size * (1.0 - NOTHING))
    last = full[0] + 2 if len(full) else None
    return float(run.sums.sample_low[:last, tank].min())


def _runs(
    controller: Controller,
    state: PresentState,
    course: ExpectedCourse,
    holds: Holds,
    seconds: float,
) -> Iterator[tuple[object, ...]]:
    """Firm running of each group, with the units in order, then what burns surplus when."""
    assembly = controller.assembly
    for machine in assembly.case.plan.machines:
        mean = machine.flat_load + machine.cycled + sum(machine.following.values())
        if mean > 0:
            out = [one for one in state.out if one.group == machine.name]
            ends = sorted({seconds, *(min(seconds, one.seconds or seconds) for one in out)})
            for start, end in pairwise([0.0, *ends]):
                missing = sum(one.count for one in out if (one.seconds or seconds) > start)
                units = min(mean, float(machine.count - missing))
                yield start, end, machine.name, units, "firm output"
    burnt = burnt_by_look(course, holds, seconds)
    owners = list(dict.fromkeys(name for name in assembly.burner_of if name is not None))
    rows = []
    for owner in owners:
        mine = [b for b, name in enumerate(assembly.burner_of) if name == owner]
        units = burnt[:, mine].sum(axis=1)
        for start, end, value in _pieces(units, ALIKE):
            if value > ALIKE:
                step = seconds / len(units)
                rows.append((start * step, end * step, owner, value, "surplus"))
    yield from sorted(rows)


def _pieces(values: Array, near: float) -> Iterator[tuple[int, int, float]]:
    """Stretches of values that are alike: first, end, mean."""
    first = 0
    for i in range(1, len(values) + 1):
        if i == len(values) or abs(values[i] - values[first]) > near:
            yield first, i, float(values[first:i].mean())
            first = i


def _burn(
    course: ExpectedCourse, holds: Holds, seconds: float
) -> Iterator[tuple[float, float, str, str, float]]:
    step = seconds / len(holds.times)
    ways = {way.tank for way in course.circuit.arcs}
    for k, tank in enumerate(course.circuit.tanks):
        if k in ways:
            for start, end, _ in _pieces(holds.levels[:, k], ALIKE * tank.size):
                level = float(holds.levels[start:end, k].max())
                if level < tank.size:
                    yield start * step, end * step, tank.name, tank.unit, level


def _lost(course: ExpectedCourse) -> Iterator[tuple[str, float]]:
    """Groups of which more units are out now than are spare, and W of firm power that they lack."""
    clocks = {clock.name: float(clock.values[0]) for clock in course.circuit.clocks}
    for group in course.circuit.groups:
        if lost := group.share_lost(group.failed.at(clocks) - 1e-9):
            yield group.name, lost * group.mean_power


def _backup(
    controller: Controller,
    state: PresentState,
    run: Finished,
    course: ExpectedCourse,
    draw: Draw,
) -> Iterator[tuple[object, ...]]:
    """What runs short, and when, in the worst case and on the expected course."""
    for name, power in _lost(course):
        yield f"{name}, units out", 0.0, 0.0, power
    for k, tank in _kept(controller):
        present, level = controller.present[k], _level(state, tank)
        latest = lasts(controller.assembly.case, present, state.states, state.at, level)
        low = np.flatnonzero(run.sums.sample_low[:, k] <= 1e-9 * tank.size)
        short = float(run.times[low[0]]) if len(low) else None
        if draw.tanks[k].short <= 1e-9 * tank.size:
            short = None
        if latest is not None or short is not None:
            mean = tank.draws.steady + sum(weight for _, weight in tank.draws.terms)
            yield tank.name, latest, short, mean * tank.worth


def _levels(
    controller: Controller, state: PresentState, run: Finished, holds: Holds
) -> list[tuple[object, ...]]:
    times = run.times
    rows: list[tuple[object, ...]] = []
    for k, tank in _kept(controller):
        worst = lowest_levels(
            controller.assembly.case,
            controller.present[k],
            state.states,
            state.at,
            _level(state, tank),
            times,
        )
        hold = np.append(holds.levels[:, k], holds.levels[-1, k])
        expected_levels = run.sums.sample_level[:, k]
        rows += [
            (float(t), tank.name, tank.unit, float(a), float(w), float(h))
            for t, a, w, h in zip(times, expected_levels, worst, hold, strict=True)
        ]
    return rows
