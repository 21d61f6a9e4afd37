"""A plan in operation, followed by what a logger writes: do its assumptions still hold?

The record of each source is tested against what the site says of it
(:mod:`allocator.intake.source_record`). Where it has left that, the plan's assets are operated
again, valves set again, on the site with what was measured: that is what the plan promises then.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from allocator.base.errors import Fault
from allocator.base.quantities import format_quantity, parse_quantity
from allocator.base.shown import watts
from allocator.engine import NoPlanError, plan_site
from allocator.intake.level_log import LevelLog, Logged, LogRow
from allocator.intake.page_test import threshold_of
from allocator.intake.source_record import METER, Departure, SourceRecord, statement_of
from allocator.network.deriving import network_of
from allocator.network.facts import FactError, changed
from allocator.plans.records import NOTHING, Plan
from allocator.search.as_built import as_built
from allocator.simulation.tracing import assemble
from allocator.site.addresses import address_of
from allocator.site.records import Site
from allocator.solver.settings import Settings
from allocator.studies.sweep_cases import EXACT_GAP, KEPT, served_fluid
from allocator.verify.case import Case
from allocator.verify.tanks.present import PresentTank, SourceState, present_tank, reserve_of

NODES = 200
"""Of a re-dispatch."""
LOST = 1e-6
"""Of its flow: what counts of a source that has stopped, or of which nothing is sure."""

EXACT = 1e-6
"""Of a measured value: what its text may be better by, as arithmetic is off by less."""
STEP = 2e-4
"""Of a measured value: by so much it is changed until its text is no better. A text has three
digits, whose last is worth five of these or more."""


@dataclass(frozen=True, slots=True)
class FirmOutput:
    """What a plan promises: W firm in all and clean, kg/s to demands of fluids."""

    total: float
    clean: float
    fluid: float

    def kept_by(self, other: FirmOutput) -> bool:
        """Whether another one is no less."""
        return all(
            now >= before * (1.0 - KEPT)
            for before, now in (
                (self.total, other.total),
                (self.clean, other.clean),
                (self.fluid, other.fluid),
            )
        )

    def __str__(self) -> str:
        clean = "all" if self.clean >= self.total * (1.0 - KEPT) else f"{watts(self.clean)} of it"
        text = f"{watts(self.total)} firm, {clean} clean"
        return f"{text}, and {format_quantity(self.fluid, 'mass_rate')}" if self.fluid else text


@dataclass(frozen=True, slots=True)
class MeasuredKey:
    """What a departure changes in the site file. ``address``: empty where no one key says it.

    ``measured``: as people are told it, never better than what was; ``value``: SI, what was.
    """

    departure: Departure
    address: str
    stated: str
    measured: str
    value: float = 0.0


@dataclass(frozen=True, slots=True)
class StoreNow:
    """A store as last logged: level, reserve and size, kg or J."""

    name: str
    level: float
    reserve: float
    size: float
    unit: str

    @property
    def low(self) -> bool:
        """Whether its firm output is at risk: by more than a millionth of its size."""
        return self.level < self.reserve - 1e-6 * max(self.reserve, self.size)

    def __str__(self) -> str:
        kind = "mass" if self.unit == "kg" else "energy"
        level, reserve, room = (
            format_quantity(value, kind)
            for value in (self.level, self.reserve, abs(self.level - self.reserve))
        )
        side = "BELOW" if self.low else "above"
        ending = ": start backup, burn no surplus" if self.low else ""
        return f"{self.name}: {level}, {room} {side} its reserve of {reserve}{ending}"


@dataclass(frozen=True, slots=True)
class Look:
    """What new rows showed. ``promise``: with all that was measured; None: nothing new was."""

    rows: int
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    changes: tuple[MeasuredKey, ...]
    promise: FirmOutput | None
    stores: tuple[StoreNow, ...]


class Follower:
    """Follows a log beside a plan.

    Parameters
    ----------
    site, plan
        The site and its plan on the firm basis.
    log
        The logger's file, see :class:`~allocator.intake.level_log.LevelLog`.
    meter
        Standard deviation of an hour's mean of a flow meter, share of the stated flow.

    Raises
    ------
    PlanFileError
        The plan is for another site or not on the firm basis.
    """

    def __init__(
        self, site: Site, plan: Plan, log: str | os.PathLike[str], meter: float = METER
    ) -> None:
        assembly = assemble(site, plan)
        self.site, self.plan, self.meter = site, plan, meter
        self._case: Case = assembly.case
        self._tanks: Mapping[str, PresentTank] = {
            tank.name: present_tank(assembly.case, tank) for tank in assembly.circuit.kept
        }
        tapped = [site.sources[use.name] for use in plan.sources if use.tapped]
        wanted = {
            name: Logged("mass" if one.tank.unit == "kg" else "energy", one.tank.size)
            for name, one in self._tanks.items()
        }
        wanted |= {s.name: Logged("mass_rate", s.flow) for s in tapped if s.series is None}
        self._records = {
            s.name: SourceRecord(statement_of(s, site.spreads), 0.0, meter)
            for s in tapped
            if s.series is None
        }
        self.log = LevelLog(Path(log), wanted, site.starts_at)
        self.promised = _promise(plan)
        self.changes: tuple[MeasuredKey, ...] = ()
        self.rows = 0
        self.at = 0.0
        self._levels: dict[str, float] = {}
        self._told: set[str] = set()

    def look(self, *, last: bool = False) -> Look:
        """What came since the last look. ``last``: nothing more comes."""
        first = not self.log.columns
        rows, faults = self.log.new_rows(last=last)
        if first and self.log.columns:
            self._begin()
        found = [departure for row in rows for departure in self._row(row)]
        self.rows += len(rows)
        changes = tuple(_change(self.site, departure) for departure in found)
        self.changes += changes
        promise = self._promise_as_measured() if changes else None
        notes = (*self.log.notes, *self._sparse())
        self.log.notes.clear()
        return Look(
            len(rows), tuple(faults), notes, changes, promise, tuple(self._stores()) if rows else ()
        )

    def _begin(self) -> None:
        """Thresholds count the tests of what is logged."""
        logged = {name: one for name, one in self._records.items() if name in self.log.names}
        total = sum(one.statement.observations for one in logged.values())
        for name, record in logged.items():
            record.threshold = threshold_of(total)
            record.marks = name in self.log.marks
            record.absolute = self.log.dates and bool(self.site.starts_at)
        self._records = logged

    def _row(self, row: LogRow) -> Iterator[Departure]:
        self.at = row.time
        for name, value in row.values.items():
            if name in self._records:
                yield from self._records[name].read(row.time, value)
            else:
                self._levels[name] = value

    def _sparse(self) -> Iterator[str]:
        for name, record in self._records.items():
            shortest = record.statement.shortest if record.statement.stages else 0.0
            if record.sparse and name not in self._told:
                self._told.add(name)
                yield (
                    f"{name}: rows are missing, or too far apart for bursts and rests of "
                    f"{format_quantity(shortest, 'duration')}; when it turns is not tested there"
                )

    def _stores(self) -> Iterator[StoreNow]:
        states = {}
        for name, record in self._records.items():
            if record.turned is not None and record.on is not None:
                since, width = record.turned
                # Of when it turned, what is worse for the store.
                late = 0.5 * width if record.on else -0.5 * width
                states[name] = SourceState(record.on, max(0.0, self.at - since + late))
        at = self.at if self.log.dates and self.site.starts_at else None
        for name, level in self._levels.items():
            present = self._tanks[name]
            reserve = reserve_of(self._case, present, states, at)
            yield StoreNow(name, level, reserve, present.tank.size, present.tank.unit)

    def _promise_as_measured(self) -> FirmOutput:
        """What the plan's assets promise on the site as measured; 0 where no plan is found."""
        try:
            site = as_built(network_of(measured(self.site, self.changes)), self.plan)
            settings = Settings(
                seed=self.plan.seed,
                threads=1,
                node_limit=NODES,
                gap=EXACT_GAP,
                robustness=self.plan.robustness or NOTHING,
            )
            return _promise(plan_site(site, settings).plan)
        except NoPlanError:
            return FirmOutput(0.0, 0.0, 0.0)


def _promise(plan: Plan) -> FirmOutput:
    return FirmOutput(plan.power.firm_total, plan.power.firm_clean, served_fluid(plan))


def _change(site: Site, departure: Departure) -> MeasuredKey:
    """The key that says what was measured, with both values as they are written."""
    source = site.sources[departure.source]
    head = ("sources", departure.source)
    stated: float
    if departure.key == "cycle" or (departure.key == "flow" and not departure.measured):
        return MeasuredKey(departure, "", "", "")
    if departure.key == "next_start":
        return MeasuredKey(departure, address_of((*head, "clock")), source.clock, "free")
    if departure.key == "flow":
        path, kind, stated, value = "flow", "mass_rate", source.flow, departure.measured
    else:
        stage, _, part = departure.key.partition(".")
        one = source.stages[int(stage[6:-1]) - 1]
        path, kind, value = departure.key, "duration", departure.measured
        stated = one.on if part == "on" else one.every
        if source.delivered and part == "on":
            path, kind = "delivery.batch", "mass"
            stated, value = stated * source.flow, value * source.flow
        elif source.delivered:
            path = "delivery.every"
    address = address_of((*head, *path.split(".")))
    told = _not_better(value, kind, period=path.endswith("every"))
    return MeasuredKey(departure, address, format_quantity(stated, kind), told, value)


def _not_better(value: float, kind: str, period: bool) -> str:
    """A value in few digits: a period rounded up, and flows, batches and on-times down.

    A site file that is corrected by it promises no more than what was measured.
    """
    side, tried, told = 1.0 if period else -1.0, value, format_quantity(value, kind)
    while side * (parse_quantity(told, kind) - value) < -EXACT * value:
        tried += side * STEP * value
        told = format_quantity(tried, kind)
    return told


def measured(site: Site, changes: tuple[MeasuredKey, ...]) -> Site:
    """The site with what was measured.

    A source of which no key says what it does now counts with next to nothing.
    """
    lost = {c.departure.source for c in changes if not c.address}
    values: dict[str, float] = {}
    for change in changes:
        name = change.departure.source
        if change.departure.key == "next_start":
            free = replace(site.sources[name], clock="free", error=None, next_start=None)
            site = replace(site, sources={**site.sources, name: free})
        elif change.address and name not in lost:
            values[change.address] = change.value
    try:
        site = changed(site, values)
    except FactError:  # measured stages do not nest
        lost |= {address.split(".")[1] for address in values if "cycle[" in address}
        site = changed(site, {a: v for a, v in values.items() if a.split(".")[1] not in lost})
    return changed(site, {f"sources.{n}.flow": LOST * site.sources[n].flow for n in sorted(lost)})


def told_lines(follower: Follower, look: Look) -> Iterator[str]:
    """What a look showed, for people."""
    time, plan = follower.log.time_text, follower.promised
    for change in look.changes:
        one = change.departure
        since, at = time(one.begin), time(one.at)
        if not change.address and one.key == "flow":
            yield f"{at}  {one.source}: gives nothing since {since}; stated as always on"
            yield "  Give it a cycle, or take it out of the site file."
        elif not change.address:
            yield f"{at}  {one.source}: its bursts no longer follow its cycle since {since}"
            yield f"  Run 'allocator fit' on its record, and correct sources.{one.source}.cycle."
        elif one.key == "next_start":
            yield f"{at}  {one.source}: turned on at a time that its known clock does not admit"
            yield f"  Survey it again, or change {change.address} from {change.stated} to free."
        else:
            most = "at least " if one.lasting else ""
            what = "hours" if one.key == "flow" else "bursts" if "[1]" in one.key else "spells"
            count = f"mean of {one.count} {what}" if one.count > 1 else "measured once"
            yield f"{at}  {one.source}: {_named(one.key)} is {most}{change.measured}, stated " \
                f"{change.stated} ({count}, since {since})"  # fmt: skip
            yield f"  Change {change.address} to {change.measured}."
    if look.promise is not None:
        if plan.kept_by(look.promise):
            yield f"  With its valves set again the firm output holds: {look.promise}."
        else:
            yield f"  THE FIRM OUTPUT NO LONGER HOLDS (planned {plan})."
            yield f"  As measured, with its valves set again, the plan gives {look.promise}."
            yield "  Correct the site file; 'allocator built' and 'allocator replan' plan the rest."
            yield "  Until then reserves of stores count on what the file says, and are too small."


def _named(key: str) -> str:
    """A key as people say it."""
    if key == "flow":
        return "the flow when on"
    stage, _, part = key.partition(".")
    return f"{'on-time' if part == 'on' else 'period'} of stage {stage[6:-1]}"
