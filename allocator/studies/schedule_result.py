"""What ``schedule`` finds: steps with their times, parts of the promise, spells caught."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from typing import ClassVar

from allocator.base.labels import labelled
from allocator.base.quantities import format_quantity
from allocator.base.rendering import section_of
from allocator.base.table import Column, Table
from allocator.base.text import paragraph, width
from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.simulation.filling import fillings_of
from allocator.site.records import Site
from allocator.studies.done_steps import DoneStep, check_needs
from allocator.studies.ordering import BuildPart, best_order, firm_energy, in_turn
from allocator.studies.result import StudyResult, joined, study_json
from allocator.studies.schedule_rows import ScheduledPart, ScheduledStep, SpellsOfSource
from allocator.studies.scheduling import (
    YEAR,
    Crew,
    CrewBuild,
    filled_at,
    spells_missed,
    waits_for,
)

SCHEDULE = "allocator.schedule/1"

_STEPS = (
    Column("step", "step", "count", "Its number in build_order.csv."),
    Column("action", "action"),
    Column("what", "what"),
    labelled("where"),
    Column("begins", "begins", "duration", "From the time of the site file."),
    Column("ends", "ends", "duration", "From the time of the site file."),
    Column("ends_on", "ends on", "text", "Where the site has `starts_at`."),
    labelled("mass", "mass"),
)
_PARTS = (
    Column("part", "part of the firm output"),
    Column("begun", "begins", "duration", "Everything that it needs is built."),
    Column("firm", "firm from", "duration", "Its stores are filled to their reserves."),
    Column("firm_on", "firm on", "text", "Where the site has `starts_at`."),
    Column("power", "firm power", "power"),
    Column("total", "firm power so far", "power"),
    Column("stores", "waits for", "text", "Stores that are still to be filled then."),
)
_SPELLS = (
    labelled("source"),
    Column("ready", "ready", "duration", "Everything from it to its user is built."),
    Column("next", "first spell used whole", "duration", "Where `next_start` is given."),
    Column("missed", "spells missed", "count", "From the begin of the build, in whole or part."),
    Column(
        "lost",
        "not collected",
        "mass",
        "From the begin of the build until it is ready; mean where no `next_start` is given.",
    ),
    Column("worth", "as power", "energy", "In the generator that it goes to."),
)  # fmt: skip


MOST = 12
"""Steps that are told in text; files have them all."""


@dataclass(frozen=True, slots=True, repr=False)
class ScheduleResult(StudyResult):
    """The order in which a crew builds a plan, with times.

    Attributes:
        steps: steps that are left, in order.
        parts: parts of the firm output, in the order in which they are begun.
        spells: of each source with a duty cycle.
        begin, until: s from the time of the site file; firm energy is counted between them.
        energy, energy_as_listed: J promised until then in this order, and in that of
            ``build_order.csv``.
        proven: no order of the parts promises more until then.
        done: steps that were done before.
        crew: what the times count on, in words.
    """

    command: ClassVar[str] = "schedule"
    more_files: ClassVar[tuple[str, ...]] = (
        "schedule_parts.csv",
        "schedule_spells.csv",
        "schedule_steps.csv",
    )
    site: Site
    steps: tuple[ScheduledStep, ...]
    parts: tuple[ScheduledPart, ...]
    spells: tuple[SpellsOfSource, ...]
    begin: float
    until: float
    energy: float
    energy_as_listed: float
    proven: bool
    done: int
    crew: str

    def tables(self) -> tuple[Table, ...]:
        """Parts, spells and steps."""
        return self.part_table(), self.spell_table(), self.step_table()

    def part_table(self) -> Table:
        """Parts of the firm output by the time from which they are firm."""
        rows, total = [], 0.0
        for part in sorted(self.parts, key=lambda part: part.firm):
            total += part.power if part.firm != float("inf") else 0.0
            firm = None if part.firm == float("inf") else part.firm
            waits = ", ".join(part.stores)
            rows.append((part.title, part.begun, firm, self._date(firm), part.power, total, waits))
        return Table(
            "schedule_parts", "Firm power by date", self._dated(_PARTS), self._cut(rows, 3)
        )

    def spell_table(self) -> Table:
        """A row a source."""
        rows = tuple(
            (s.source, s.ready, s.next_spell, s.missed, s.lost, s.worth) for s in self.spells
        )
        return Table("schedule_spells", "Spells of the sources", _SPELLS, rows)

    def step_table(self) -> Table:
        """Steps in the order in which to build."""
        rows = [
            (one.step.number, one.step.action, one.step.what, one.step.where, one.begin, one.end,
             self._date(one.end), one.step.mass)
            for one in self.steps
        ]  # fmt: skip
        return Table("schedule_steps", "Steps in order", self._dated(_STEPS), self._cut(rows, 6))

    def _date(self, time: float | None) -> str:
        if time is None or not self.site.starts_at:
            return ""
        moment = datetime.fromisoformat(self.site.starts_at) + timedelta(seconds=time)
        return moment.isoformat(sep=" ", timespec="minutes")

    def _dated(self, columns: tuple[Column, ...]) -> tuple[Column, ...]:
        return (
            columns
            if self.site.starts_at
            else tuple(c for c in columns if not c.name.endswith("_on"))
        )

    def _cut(self, rows: Sequence[tuple[object, ...]], date: int) -> tuple[tuple[object, ...], ...]:
        if self.site.starts_at:
            return tuple(rows)
        return tuple((*row[:date], *row[date + 1 :]) for row in rows)

    def summary(self) -> str:
        """How long it takes, what the order gains, then the tables."""
        left = self.steps[-1].end - self.begin if self.steps else 0.0
        took = format_quantity(left, "duration")
        done = f", {self.done} done before" if self.done else ""
        told = [f"{len(self.steps)} steps in {took}{done}. {self.crew}"]
        energy, listed = (
            format_quantity(e, "energy") for e in (self.energy, self.energy_as_listed)
        )
        until = format_quantity(self.until, "duration")
        sure = (
            "No order of the parts gives more."
            if self.proven
            else "Best order found, not proven best."
        )
        told.append(
            f"Firm energy until {until}: {energy}; in the order of build_order.csv {listed}. {sure}"
        )
        told.append(
            "A part is firm once all that it needs is built and its stores hold their reserves. "
            "Sources whose next_start is given fill them by that timetable, others as their worst "
            "phase does. Times count from that of the site file."
        )
        told.append(
            "Caution: pressure tests, purging and first gas are work for licensed people under "
            "local codes; an order that saves days never replaces a test."
        )
        lines = [line for text in told for line in paragraph(text)]
        steps = self.step_table()
        rest = len(steps.rows) - MOST
        shown = [self.part_table(), self.spell_table(), replace(steps, rows=steps.rows[:MOST])]
        more = [f"  ... and {rest} more steps, in the files (-o)"] if rest > 0 else []
        return joined(
            [f"{self.site.name}: schedule of the build", "-" * width()],
            lines,
            *(section_of(table) for table in shown if table.rows),
            more,
        )

    def to_json(self) -> str:
        """Everything as JSON."""
        steps = [
            {"step": s.step.number, "thing": s.step.key, "begin_s": s.begin, "end_s": s.end}
            for s in self.steps
        ]
        parts = [
            {
                "part": p.title,
                "begun_s": p.begun,
                "firm_s": None if p.firm == float("inf") else p.firm,
                "power_w": p.power,
                "waits_for": list(p.stores),
            }
            for p in self.parts
        ]
        spells = [
            {
                "source": s.source,
                "ready_s": s.ready,
                "first_spell_used_whole_s": s.next_spell,
                "spells_missed": s.missed,
                "not_collected_kg": s.lost,
                "worth_j": s.worth,
            }
            for s in self.spells
        ]
        facts = {
            "begin_s": self.begin,
            "until_s": self.until,
            "firm_energy_j": self.energy,
            "firm_energy_as_listed_j": self.energy_as_listed,
            "proven": self.proven,
            "steps_done_before": self.done,
            "steps": steps,
            "parts": parts,
            "spells": spells,
        }
        return study_json(SCHEDULE, self.site, facts)


def schedule(
    site: SiteOrPath,
    plan: PlanOrPath,
    crew: Crew,
    *,
    begin: float = 0.0,
    until: float | None = None,
    done: Mapping[str, DoneStep] | None = None,
) -> ScheduleResult:
    """Put the steps of a build in the order that gives most firm energy until a time.

    All of the crew works on one step at a time. A part of the promise counts once everything that
    it needs is built and its stores are filled to their reserves, with nothing drawn before: a
    source with a ``next_start`` fills by that timetable, any other as its worst phase does.

    Parameters
    ----------
    site
        The site, or the path of its file.
    plan
        The plan, its result or its path; on the firm basis.
    crew
        Who builds.
    begin
        s from the time of the site file (``next_start`` counts from it) until the build begins.
    until
        s from the same time up to which firm energy is counted; by default a year from the begin,
        or until all is firm in the order of ``build_order.csv`` if that takes longer.
    done
        Steps that are done, by key, as ``built.csv`` keeps them.

    Returns
    -------
    ScheduleResult
        ``steps`` with begin and end, ``parts`` with when they are firm, ``spells`` of each source.

    Raises
    ------
    SiteFileError, PlanFileError
        The site or the plan has faults, or the plan is not on the firm basis.
    StepError
        A step is done before one that it needs.
    ValueError
        A time that cannot be.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> result = al.schedule("networks/first.yaml", plan, al.Crew(rate=40 / 3600))
    >>> result.proven
    True
    """
    return _scheduled(network_of(site_of(site)), plan_of(plan), crew, begin, until, done or {})


def _scheduled(
    network: Network,
    made: Plan,
    crew: Crew,
    begin: float,
    until: float | None,
    done: Mapping[str, DoneStep],
) -> ScheduleResult:
    if not (math.isfinite(begin) and begin >= 0.0):
        raise ValueError(f"the build begins at 0 s or later (got {begin!r})")
    if until is not None and not (math.isfinite(until) and until > begin):
        told, after = (format_quantity(one, "duration") for one in (until, begin))
        problem = f"firm energy must count to a time after the begin of the build, {after}"
        raise ValueError(f"{problem} (got {told})")
    fillings = fillings_of(network, made)
    spans = {name: one.filled(0.0) for name, one in fillings.items() if not one.dated}
    build = CrewBuild(network, made, crew, done)
    check_needs(build.steps, done)
    gains = build.stages.gains

    def firm(number: int, begun: float) -> float:
        return filled_at(build.chains[number], fillings, spans, begun)

    def begun(members: Iterable[int]) -> float:
        return begin + build.time(build.needed(members))

    def times(order: Sequence[int]) -> tuple[tuple[int, float, float], ...]:
        """Each part, when it is firm, and the power that it adds then."""
        found = [(n, firm(n, begun(order[: k + 1]))) for k, n in enumerate(order)]
        return in_turn(found, gains)

    def energy(order: Sequence[int]) -> float:
        return firm_energy([(time, gain) for _, time, gain in times(order)], end)

    first = build.listed()
    last = max((time for _, time, _ in times(first) if math.isfinite(time)), default=begin)
    end = until if until is not None else max(last, begin + YEAR)
    # of parts that do not depend on each other each alone gives what it adds
    alone = [build.stages.power([number]) for number in range(len(build.chains))]
    parts = [BuildPart(watts, partial(firm, number)) for number, watts in enumerate(alone)]
    together = None if build.stages.additive else gains
    found = best_order(parts, begun, end, first, gains=together)
    added = {number: gain for number, _, gain in times(found.order)}
    starts = {n: begun(found.order[: k + 1]) for k, n in enumerate(found.order)}
    return ScheduleResult(
        site=network,
        steps=build.rows(found.order, begin),
        parts=tuple(
            ScheduledPart(
                build.chains[number].title,
                start,
                firm(number, start),
                added[number],
                waits_for(build.chains[number], fillings),
            )
            for number, start in starts.items()
        ),
        spells=tuple(spells_missed(network, made, build.chains, starts, begin)),
        begin=begin,
        until=end,
        energy=energy(found.order),
        energy_as_listed=energy(first),
        proven=found.proven,
        done=len(build.done),
        crew=crew.words(),
    )
